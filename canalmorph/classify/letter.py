"""The letter A, B or C, always an estimate and never without its inputs."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from canalmorph.model.certainty import get_chance_below
from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.published import LETTER_A_BELOW, LETTER_C_ABOVE, LETTER_MEAN_CTI_AP_FILM

#: The canal ratio that the letter rests on.
RATIO_INPUT = "canal_ratio_isthmus_over_lt_ml"
#: The cortical indices that temper it: what an AP and a lateral film show.
CORTEX_INPUTS = ("cti_ml_lt_minus100", "cti_ap_lt_minus100")
#: All inputs of the letter.
LETTER_INPUTS = (RATIO_INPUT, *CORTEX_INPUTS)
#: Share of the ratio in the vote; each cortical index has a half of the rest. Chosen so that no
#: letter reaches 80 % against the voice of either cortical index.
RATIO_WEIGHT = 0.5
#: Cortical indices between which the letter is B: halfway between the printed means.
CORTEX_C_BELOW = (LETTER_MEAN_CTI_AP_FILM["C"] + LETTER_MEAN_CTI_AP_FILM["B"]) / 2
CORTEX_A_ABOVE = (LETTER_MEAN_CTI_AP_FILM["B"] + LETTER_MEAN_CTI_AP_FILM["A"]) / 2


@dataclass(frozen=True, slots=True, kw_only=True)
class LetterEstimate:
    """The letter, the probability of each, and what it was estimated from."""

    letter: str | None = None
    probabilities: Mapping[str, float] = field(default_factory=dict)
    inputs: Mapping[str, Measurement] = field(default_factory=dict)


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
        If a cortical index lies outside [0, 1) or the ratio outside (0, 1.5), or a value lacks
        its uncertainty.

    Notes
    -----
    The letter was defined by eye, on the look of the cortex in both views (``dorr_1993``); no
    printed rule turns numbers into it, and this is a first one. Three voices are pooled: the
    ratio of the canal's width at the isthmus to that at the lesser trochanter, with bounds 0.5
    and 0.75 (convention; the means by letter of ``cc_ratio_2024`` lie between them), counts a
    half; the cortical thickness index at LT-100, ML and AP, with bounds halfway between the
    printed means by letter (0.54 and 0.46), counts a quarter each. Each voice gives the
    probability of each letter from the normal error of its number, and the pool is their
    weighted mean, so that a letter is sure only where the ratio and both views agree. The
    printed means are of AP films; for the AP index none were found, and the same bounds stand
    in.
    """
    inputs = {name: indices.values.get(name, Measurement()) for name in LETTER_INPUTS}
    for name, measurement in inputs.items():
        _check_possible(name, measurement)
    if not all(measurement.known for measurement in inputs.values()):
        return LetterEstimate()
    ratio = _ratio_chances(inputs[RATIO_INPUT])
    cortices = [_cortex_chances(inputs[name]) for name in CORTEX_INPUTS]
    share = (1 - RATIO_WEIGHT) / len(cortices)
    pooled = {
        letter: RATIO_WEIGHT * ratio[letter] + share * sum(cortex[letter] for cortex in cortices)
        for letter in ratio
    }
    # At a tie the ratio has the casting vote.
    letter = max(pooled, key=lambda name: (round(pooled[name], 12), ratio[name]))
    return LetterEstimate(letter=letter, probabilities=pooled, inputs=inputs)


def _check_possible(name: str, measurement: Measurement) -> None:
    value = measurement.value
    if value is None:
        return
    if name == RATIO_INPUT and not 0 < value < 1.5:
        raise ValueError(f"'{name}' must lie in (0, 1.5), got {value:g}; it is distal over LT.")
    if name in CORTEX_INPUTS and not 0 <= value < 1:
        raise ValueError(
            f"'{name}' must lie in [0, 1), got {value:g}; it is (outer - canal) / outer."
        )


def _ratio_chances(ratio: Measurement) -> dict[str, float]:
    below_a = get_chance_below(ratio, LETTER_A_BELOW)
    below_c = get_chance_below(ratio, LETTER_C_ABOVE)
    return {"A": below_a, "B": below_c - below_a, "C": 1 - below_c}


def _cortex_chances(index: Measurement) -> dict[str, float]:
    below_c = get_chance_below(index, CORTEX_C_BELOW)
    below_a = get_chance_below(index, CORTEX_A_ABOVE)
    return {"A": 1 - below_a, "B": below_a - below_c, "C": below_c}
