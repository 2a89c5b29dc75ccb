"""The letter A, B or C, always an estimate and never without its inputs."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from canalmorph.model.certainty import get_chance_below
from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.published import (
    LETTER_A_BELOW,
    LETTER_C_ABOVE,
    LETTER_CTI_A_ABOVE,
    LETTER_CTI_C_BELOW,
    LETTER_POSTERIOR_THIN_BELOW,
    LETTER_RATIO_WEIGHT,
    LETTER_VIEW_WEIGHT,
)

#: The canal ratio that the letter rests on.
RATIO_INPUT = "canal_ratio_isthmus_over_lt_ml"
#: The cortical indices that temper it: what an AP and a lateral film show.
CORTEX_INPUTS = ("cti_ml_lt_minus100", "cti_ap_lt_minus100")
#: The walls that a lateral film shows.
WALL_INPUT = "wall_ratio_posterior_over_anterior_lt_minus100"
#: All inputs of the letter.
LETTER_INPUTS = (RATIO_INPUT, *CORTEX_INPUTS, WALL_INPUT)
#: Who speaks, in the order of the inputs.
VOICES = ("canal", "ap_view", "lateral_view")


@dataclass(frozen=True, slots=True, kw_only=True)
class LetterEstimate:
    """The letter, the probability of each, and what it was estimated from.

    Attributes
    ----------
    letter : str or None
        None where an input is blank.
    probabilities : mapping of str to float
        Of each letter.
    inputs : mapping of str to Measurement
        By `LETTER_INPUTS`.
    voices : mapping of str to (mapping of str to float)
        What the canal, the AP view and the lateral view each say alone, by `VOICES`.
    """

    letter: str | None = None
    probabilities: Mapping[str, float] = field(default_factory=dict)
    inputs: Mapping[str, Measurement] = field(default_factory=dict)
    voices: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


def estimate_letter(indices: CanalIndices) -> LetterEstimate:
    """Return the estimated letter with its probabilities and inputs.

    Parameters
    ----------
    indices : CanalIndices
        Of one femur; uses `LETTER_INPUTS`.

    Returns
    -------
    LetterEstimate
        Empty where any input is blank: the letter is defined on both views.

    Raises
    ------
    ValueError
        If a cortical index lies outside [0, 1), the ratio of the canal or of the walls is not above
        0, or a value lacks its uncertainty.

    Notes
    -----
    The letter was defined by eye, on the look of the cortex in both views (``dorr_1993``); no
    printed rule turns numbers into it, and this one is our own. Three voices speak:

    1. The canal: width at the isthmus over that at the lesser trochanter; below 0.5 A, above 0.75
       C. It counts a half.
    2. The AP view: cortical thickness index ML at LT-100; above 0.54 A, below 0.46 C. A quarter.
    3. The lateral view: cortical thickness index AP at LT-100, by the same bounds; and where the
       posterior wall is thinner than the anterior one, what would be A is B. A quarter.

    Each voice gives each letter the probability that the true number lies in the letter's range,
    from the normal error of the number; the errors of the lateral view's two numbers are taken as
    independent. The letter's probability is the weighted mean of the voices': that of a reader who
    trusts one of the three, chosen by its weight. So a letter is sure only where canal and both
    views agree. What the numbers' errors share does not matter for the mean. Bounds, weights and
    where they come from: `canalmorph.published`.
    """
    inputs = {name: indices.values.get(name, Measurement()) for name in LETTER_INPUTS}
    for name, measurement in inputs.items():
        _check_possible(name, measurement)
    if not all(measurement.known for measurement in inputs.values()):
        return LetterEstimate()
    said = (
        _ratio_chances(inputs[RATIO_INPUT]),
        _cortex_chances(inputs[CORTEX_INPUTS[0]]),
        _lateral_chances(inputs[CORTEX_INPUTS[1]], inputs[WALL_INPUT]),
    )
    weights = (LETTER_RATIO_WEIGHT, LETTER_VIEW_WEIGHT, LETTER_VIEW_WEIGHT)
    pooled = {
        letter: sum(weight * voice[letter] for weight, voice in zip(weights, said, strict=True))
        for letter in "ABC"
    }
    # At a tie, as near as a millionth, the letter of the wider canal and the thinner cortex stands:
    # the more cautious one for a stem without cement.
    letter = max(pooled, key=lambda name: (round(pooled[name], 6), name))
    return LetterEstimate(
        letter=letter,
        probabilities=pooled,
        inputs=inputs,
        voices=dict(zip(VOICES, said, strict=True)),
    )


def _check_possible(name: str, measurement: Measurement) -> None:
    value = measurement.value
    if value is None:
        return
    if name in CORTEX_INPUTS and not 0 <= value < 1:
        raise ValueError(
            f"'{name}' must lie in [0, 1), got {value:g}; it is (outer - canal) / outer."
        )
    # No upper bound: a bone that is deformed at the trochanter may have its widest canal below.
    if name in (RATIO_INPUT, WALL_INPUT) and not value > 0:
        raise ValueError(f"'{name}' must be above 0, got {value:g}.")


def _ratio_chances(ratio: Measurement) -> dict[str, float]:
    below_a = get_chance_below(ratio, LETTER_A_BELOW)
    below_c = get_chance_below(ratio, LETTER_C_ABOVE)
    return {"A": below_a, "B": below_c - below_a, "C": 1 - below_c}


def _cortex_chances(index: Measurement) -> dict[str, float]:
    below_c = get_chance_below(index, LETTER_CTI_C_BELOW)
    below_a = get_chance_below(index, LETTER_CTI_A_ABOVE)
    return {"A": 1 - below_a, "B": below_a - below_c, "C": below_c}


def _lateral_chances(index: Measurement, walls: Measurement) -> dict[str, float]:
    """Return what the lateral view says: its index, and no A with a thinned posterior wall."""
    by_index = _cortex_chances(index)
    thinned = by_index["A"] * get_chance_below(walls, LETTER_POSTERIOR_THIN_BELOW)
    return {"A": by_index["A"] - thinned, "B": by_index["B"] + thinned, "C": by_index["C"]}
