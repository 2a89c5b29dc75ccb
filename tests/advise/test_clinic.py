"""Cautions by age, sex and the clinic's facts: each where its source says so, never beyond."""

import re

import pytest

from canalmorph.advise.clinic import note_clinic
from canalmorph.model.clinic import ClinicFacts
from canalmorph.published import BIBLIOGRAPHY, FIXATION_EVIDENCE

OLD = ClinicFacts(
    age_years=81.0, sex="F", fracture=False, osteoporosis=False, previous_implant=False
)


def _join(facts: ClinicFacts) -> str:
    return " ".join(note_clinic(facts).cautions)


def test_every_piece_of_evidence_has_its_strength_and_sources() -> None:
    for evidence in FIXATION_EVIDENCE:
        assert evidence.strength
        assert evidence.sources
        assert set(evidence.sources) <= set(BIBLIOGRAPHY)


@pytest.mark.parametrize(
    ("age_years", "sex", "there", "absent"),
    [
        (50.0, "M", ["Below 60 years"], ["75 years", "pulmonary", "women of"]),
        (68.0, "M", ["English directives"], ["Below 60", "pulmonary", "From 75", "women above"]),
        (73.0, "F", ["women of 55 to 75", "women of 71 to 80"], ["From 75", "women above 75"]),
        (75.0, "F", ["From 75 years on", "55 to 75"], ["women above 75", "From 80"]),
        (81.0, "F", ["From 80 years on", "women above 75"], ["71 to 80", "55 to 75"]),
        (81.0, "M", ["From 80 years on", "pulmonary"], ["women above 75"]),
    ],
)
def test_age_and_sex_choose_the_evidence(
    age_years: float, sex: str, there: list[str], absent: list[str]
) -> None:
    text = _join(ClinicFacts(age_years=age_years, sex=sex))
    assert all(words in text for words in there)
    assert not any(words in text for words in absent)


def test_what_is_not_known_excludes_nothing_and_is_named() -> None:
    notes = note_clinic(ClinicFacts())
    told = " ".join(notes.cautions)
    assert all(evidence.statement in told for evidence in FIXATION_EVIDENCE)
    assert [sentence.split(":")[0] for sentence in notes.missing] == [
        "Age",
        "Sex",
        "A fracture, or none",
        "Osteoporosis",
        "Previous implant",
    ]
    assert notes.stated == ()
    assert sum(caution.startswith("If it applies: ") for caution in notes.cautions) == sum(
        "If it applies" in caution for caution in notes.cautions
    )


def test_known_facts_are_not_called_missing() -> None:
    notes = note_clinic(OLD)
    assert notes.missing == ()
    assert "Age 81 years at the scan." in notes.stated
    assert not any("If it applies" in caution for caution in notes.cautions)


@pytest.mark.parametrize(
    ("fracture", "expected"), [(True, "guidelines recommend cemented"), (False, "")]
)
def test_a_fracture_brings_its_guidelines(fracture: bool, expected: str) -> None:
    text = _join(ClinicFacts(age_years=81.0, sex="F", fracture=fracture))
    assert ("guidelines recommend cemented" in text) == bool(expected)
    assert ("bipolar" in text) == fracture


def test_osteoporosis_says_what_women_are_told_and_no_more() -> None:
    woman = _join(ClinicFacts(age_years=70.0, sex="F", osteoporosis=True))
    man = _join(ClinicFacts(age_years=70.0, sex="M", osteoporosis=True))
    assert "consider cement in women with poor bone" in woman
    assert "consider cement" not in man
    assert "no source at hand" in man


def test_a_previous_implant_has_no_evidence_and_says_so() -> None:
    notes = note_clinic(ClinicFacts(previous_implant=True))
    assert "no evidence" in notes.cautions[0]
    assert "implant" in notes.cautions[0]


def test_no_caution_is_an_order() -> None:
    text = _join(ClinicFacts()).lower()
    assert not re.search(r"\b(must|shall|do not|use cement|we recommend)\b", text)
    # What sources themselves write is told as theirs.
    assert "the authors write that they should be avoided" in text
