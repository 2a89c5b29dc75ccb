"""Which published evidence may concern a patient, by what the clinic knows of her or him.

No sentence says more than its source. Evidence stands on the page unless a fact excludes it: what
is not known excludes nothing.
"""

from dataclasses import replace

from canalmorph.model.clinic import ClinicFacts, ClinicNotes
from canalmorph.published import BIBLIOGRAPHY, FIXATION_EVIDENCE, Evidence

#: Facts that a table of the clinic may state: name, where stated, where denied, where missing.
_STATED = (
    ("fracture", "Operation for a fracture.", "No fracture.", "A fracture, or none: not stated."),
    ("osteoporosis", "Osteoporosis.", "No osteoporosis known.", "Osteoporosis: not stated."),
    (
        "previous_implant",
        "Previous implant in a femur.",
        "No previous implant.",
        "Previous implant: not stated.",
    ),
)
_FRACTURE_SEEN = "A fracture, marked on the scan by hand."
_IMPLANT = (
    "A femur that holds an implant, or held one: the bounds used here come from femora without "
    "one, and no source at hand covers it (no evidence)."
)
_OSTEOPOROSIS = (
    "Osteoporosis: no source at hand says what it alone changes in the choice (no evidence); the "
    "cautions on thin cortex and on letter C bear on it."
)


def note_clinic(facts: ClinicFacts, *, fracture_seen: bool = False) -> ClinicNotes:
    """Return what the facts add to the page: what applies for sure comes first.

    Parameters
    ----------
    facts : ClinicFacts
        As the clinic states them.
    fracture_seen : bool
        Whether a person marked a fracture on the scan: what is published on fractures applies,
        whatever is stated.

    Examples
    --------
    >>> notes = note_clinic(ClinicFacts(age_years=50.0, sex="M", fracture=False))
    >>> any("Below 60 years" in caution for caution in notes.cautions)
    True
    >>> any("75 years" in caution for caution in notes.cautions)
    False
    """
    if fracture_seen:
        facts = replace(facts, fracture=True)
    judged = [(one, does_apply(one, facts)) for one in FIXATION_EVIDENCE]
    cautions = [_tell(one) for one, applies in judged if applies and is_conditional(one)]
    cautions += [_tell(one) for one, applies in judged if applies and not is_conditional(one)]
    cautions += [f"If it applies: {_tell(one)}" for one, applies in judged if applies is None]
    if facts.osteoporosis:
        cautions.insert(0, _OSTEOPOROSIS)
    if facts.previous_implant:
        cautions.insert(0, _IMPLANT)
    stated, missing = _list_facts(facts)
    if fracture_seen:
        stated = [_FRACTURE_SEEN if one == _STATED[0][1] else one for one in stated]
    return ClinicNotes(cautions=tuple(cautions), stated=tuple(stated), missing=tuple(missing))


def does_apply(evidence: Evidence, facts: ClinicFacts) -> bool | None:
    """Return whether evidence is about such a patient; None where a missing fact decides.

    Examples
    --------
    >>> old = Evidence(statement="", strength="", sources=(), from_years=75.0)
    >>> [does_apply(old, ClinicFacts(age_years=age)) for age in (74.0, 75.0, None)]
    [False, True, None]
    """
    conditions: list[bool | None] = []
    age = facts.age_years
    if evidence.from_years is not None:
        conditions.append(None if age is None else age >= evidence.from_years)
    if evidence.below_years is not None:
        conditions.append(None if age is None else age < evidence.below_years)
    if evidence.women:
        conditions.append(facts.is_woman)
    if evidence.needs:
        conditions.append(getattr(facts, evidence.needs))
    if False in conditions:
        return False
    return None if None in conditions else True


def is_conditional(evidence: Evidence) -> bool:
    """Return whether evidence is about some patients only."""
    bounds = (evidence.from_years, evidence.below_years)
    return evidence.women or bool(evidence.needs) or any(bound is not None for bound in bounds)


def _tell(evidence: Evidence) -> str:
    # Up to its colon a source says where it stands; the rest is in the page's list.
    sources = "; ".join(BIBLIOGRAPHY[key].split(": ")[0].rstrip(".") for key in evidence.sources)
    return f"{evidence.statement} ({evidence.strength}; {sources})"


def _list_facts(facts: ClinicFacts) -> tuple[list[str], list[str]]:
    """Return sentences of the facts that are stated, and of those that are not."""
    stated, missing = [], []
    if facts.age_years is None:
        missing.append("Age: not stated.")
    else:
        stated.append(f"Age {facts.age_years:.0f} years at the scan.")
    if facts.is_woman is None:
        missing.append("Sex: not stated as female or male.")
    else:
        stated.append("Woman." if facts.is_woman else "Man.")
    for name, yes, no, unknown in _STATED:
        fact = getattr(facts, name)
        if fact is None:
            missing.append(unknown)
        else:
            stated.append(yes if fact else no)
    return stated, missing
