"""What flare and cortex speak for, as a matter for discussion: never an order."""

from dataclasses import dataclass

from canalmorph.advise.cautions import UNKNOWN_FACTS, list_cautions, list_counter_reasons
from canalmorph.advise.wording import format_chance, format_ratio
from canalmorph.model.certainty import SURE_FROM, describe_needed_flare, get_chance_below
from canalmorph.model.results import (
    CanalIndices,
    CanalShape,
    CanalType,
    Fixation,
    FixationAdvice,
    Measurement,
)
from canalmorph.published import FLUTE_ABOVE, INNER_OVER_OUTER_HALF, STOVEPIPE_BELOW

_BEYOND_THE_NUMBERS = (
    "A measured bone density, with age, sex and the reason for surgery: the two numbers are sure "
    "and point different ways."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Voice:
    """What one index speaks for.

    Attributes
    ----------
    speaks_for : Fixation or None
        ``press_fit`` or ``cemented`` where it is on that side with at least 80 %, ``undecided``
        where it is on neither, None where the number is unknown.
    reason : str
        Which number, which side of which bound, how surely.
    would_decide : str
        What would settle it; empty where it is settled.
    """

    speaks_for: Fixation | None
    reason: str
    would_decide: str = ""


def advise_fixation(canal_type: CanalType, indices: CanalIndices) -> FixationAdvice:
    """Return what the numbers speak for, with reasons, counter-reasons, cautions and gaps.

    Parameters
    ----------
    canal_type : CanalType
        Of the same femur; its letter and range bear on what speaks against.
    indices : CanalIndices
        Uses ``cfi_ml`` (or ``cfi_ml_lower_bound``) and ``cbr_ml_lt_minus100``.

    Returns
    -------
    FixationAdvice
        ``not_given`` where both inputs are unknown; ``undecided`` where one is, where they
        disagree, or where one does not lie on one side of its bound with at least 80 %.

    Raises
    ------
    ValueError
        If a value lacks its uncertainty.

    Notes
    -----
    Common practice: a normal or flute canal and a canal less than half as wide as the bone speak
    for press-fit; a stovepipe and a canal more than half as wide speak for cement. What must be
    sure is the side of the bound: normal and flute both speak for press-fit, so that the two
    need not be told apart, and a lower bound of the flare index above 3 is enough.
    """
    flare = _hear_flare(canal_type, indices)
    cortex = _hear_cortex(indices)
    fixation = _weigh_voices(flare, cortex)
    return FixationAdvice(
        fixation=fixation,
        reasons=(*_explain_outcome(fixation, flare, cortex), flare.reason, cortex.reason),
        against=list_counter_reasons(fixation, canal_type, indices),
        cautions=list_cautions(canal_type, indices),
        unknown=UNKNOWN_FACTS,
        would_decide=_list_would_decide(fixation, flare, cortex),
    )


def _weigh_voices(flare: _Voice, cortex: _Voice) -> Fixation:
    if flare.speaks_for is None and cortex.speaks_for is None:
        return Fixation.NOT_GIVEN
    if flare.speaks_for is None or flare.speaks_for is not cortex.speaks_for:
        return Fixation.UNDECIDED
    return flare.speaks_for


def _hear_flare(canal_type: CanalType, indices: CanalIndices) -> _Voice:
    index = indices.values.get("cfi_ml", Measurement())
    if index.known:
        return _hear_index(index, canal_type)
    bound = indices.values.get("cfi_ml_lower_bound", Measurement())
    if bound.known:
        return _hear_lower_bound(bound)
    return _Voice(
        speaks_for=None,
        reason="The canal flare index is not known, so the shape is not.",
        would_decide=_ask_for("cfi_ml", "the canal flare index", indices),
    )


def _hear_index(index: Measurement, canal_type: CanalType) -> _Voice:
    stovepipe = get_chance_below(index, STOVEPIPE_BELOW)
    start = f"Canal flare index {format_ratio(index)}"
    source = "bound: Noble 1988, as quoted in PMC7371079"
    if stovepipe >= SURE_FROM:
        reason = (
            f"{start}: below {STOVEPIPE_BELOW:g}, a stovepipe ({format_chance(stovepipe)}; "
            f"{source}). This speaks for cement."
        )
        return _Voice(speaks_for=Fixation.CEMENTED, reason=reason)
    if 1 - stovepipe >= SURE_FROM:
        reason = (
            f"{start}: {STOVEPIPE_BELOW:g} or above, not a stovepipe "
            f"({format_chance(1 - stovepipe)}; {source}). {_describe_open_shapes(canal_type)}"
        )
        return _Voice(speaks_for=Fixation.PRESS_FIT, reason=reason)
    return _Voice(
        speaks_for=Fixation.UNDECIDED,
        reason=f"{start}: too near {STOVEPIPE_BELOW:g} to tell a stovepipe "
        f"({format_chance(stovepipe)}) from a normal canal ({source}).",
        would_decide=f"Canal shape: {describe_needed_flare(index, STOVEPIPE_BELOW)}",
    )


def _describe_open_shapes(canal_type: CanalType) -> str:
    """Say what the side rests on where normal and flute are, or are not, told apart."""
    chances = canal_type.shape_probabilities
    for shape, words in (
        (CanalShape.NORMAL, "normal"),
        (CanalShape.CHAMPAGNE_FLUTE, "champagne flute"),
    ):
        if chances.get(shape, 0.0) >= SURE_FROM:
            return f"A {words} canal speaks for press-fit."
    return (
        f"Normal or champagne flute is not settled (bound {FLUTE_ABOVE:g}), yet both speak for "
        "press-fit."
    )


def _hear_lower_bound(bound: Measurement) -> _Voice:
    chance = 1 - get_chance_below(bound, STOVEPIPE_BELOW)
    start = (
        f"The isthmus lies below the scan; the canal flare index is at least {format_ratio(bound)}"
    )
    if chance >= SURE_FROM:
        reason = (
            f"{start}, above {STOVEPIPE_BELOW:g} ({format_chance(chance)}; bound: Noble 1988, as "
            "quoted in PMC7371079): not a stovepipe. Normal or champagne flute, both speak for "
            "press-fit."
        )
        return _Voice(speaks_for=Fixation.PRESS_FIT, reason=reason)
    return _Voice(
        speaks_for=Fixation.UNDECIDED,
        reason=f"{start}; that leaves a stovepipe open (bound {STOVEPIPE_BELOW:g}, Noble 1988).",
        would_decide="A scan that reaches below the isthmus, so that the flare index is measured.",
    )


def _hear_cortex(indices: CanalIndices) -> _Voice:
    ratio = indices.values.get("cbr_ml_lt_minus100", Measurement())
    if not ratio.known:
        return _Voice(
            speaks_for=None,
            reason="Canal over outer width 100 mm below the lesser trochanter is not known.",
            would_decide=_ask_for("cbr_ml_lt_minus100", "the widths at LT−100", indices),
        )
    less = get_chance_below(ratio, INNER_OVER_OUTER_HALF)
    start = f"Canal over outer width at LT−100 {format_ratio(ratio)}"
    source = "bound: common practice, no source"
    for chance, words, fixation, means in (
        (less, "less", Fixation.PRESS_FIT, "press-fit"),
        (1 - less, "more", Fixation.CEMENTED, "cement"),
    ):
        if chance >= SURE_FROM:
            reason = (
                f"{start}: {words} than half ({format_chance(chance)}; {source}). "
                f"This speaks for {means}."
            )
            return _Voice(speaks_for=fixation, reason=reason)
    return _Voice(
        speaks_for=Fixation.UNDECIDED,
        reason=f"{start}: too near a half to tell ({format_chance(less)} below; {source}).",
        would_decide="A surer width at LT−100: thinner slices or less noise; a measured bone "
        "density would say more than this ratio.",
    )


def _ask_for(column: str, words: str, indices: CanalIndices) -> str:
    """Return what is needed for a blank column, with the reason that the indices give."""
    why = indices.reasons.get(column, "")
    return f"A scan from which {words} can be measured. {why}".strip()


def _explain_outcome(fixation: Fixation, flare: _Voice, cortex: _Voice) -> tuple[str, ...]:
    """Return the sentence that says why it is undecided or not given; nothing otherwise."""
    if fixation is Fixation.NOT_GIVEN:
        return ("No suggestion: neither the canal's shape nor its cortex at LT−100 is known.",)
    if fixation is not Fixation.UNDECIDED:
        return ()
    if flare.speaks_for is None or cortex.speaks_for is None:
        return ("Undecided: one of the two numbers that the suggestion rests on is not known.",)
    if Fixation.UNDECIDED in (flare.speaks_for, cortex.speaks_for):
        share = f"{100 * SURE_FROM:.0f} %"
        return (f"Undecided: a number is not on one side of its bound with at least {share}.",)
    return ("Undecided: flare and cortex disagree.",)


def _list_would_decide(fixation: Fixation, flare: _Voice, cortex: _Voice) -> tuple[str, ...]:
    if fixation not in (Fixation.UNDECIDED, Fixation.NOT_GIVEN):
        return ()
    asked = tuple(voice.would_decide for voice in (flare, cortex) if voice.would_decide)
    return asked or (_BEYOND_THE_NUMBERS,)
