"""What the page says of the letter: each voice with its numbers, never the letter alone."""

from collections.abc import Mapping

from canalmorph.model.certainty import SURE_FROM
from canalmorph.model.results import CanalType, Measurement
from canalmorph.published import (
    LETTER_A_BELOW,
    LETTER_C_ABOVE,
    LETTER_CTI_A_ABOVE,
    LETTER_CTI_C_BELOW,
    LETTER_POSTERIOR_THIN_BELOW,
    LETTER_RATIO_WEIGHT,
    LETTER_VIEW_WEIGHT,
)
from canalmorph.report.numbers import format_chance, format_measurement

#: The rule, for the glossary.
LETTER_RULE = (
    "A funnel with thick cortex, in between, a wide canal with thin cortex; by definition a "
    "judgement by eye of two films (Dorr 1993). Always an estimate here, by a rule of our own: the "
    f"canal's width at the isthmus over LT (A below {LETTER_A_BELOW:g}, C above "
    f"{LETTER_C_ABOVE:g}) counts {100 * LETTER_RATIO_WEIGHT:.0f} %, and each view's cortical "
    f"thickness index at LT−100 (A above {LETTER_CTI_A_ABOVE:g}, C below {LETTER_CTI_C_BELOW:g}) "
    f"{100 * LETTER_VIEW_WEIGHT:.0f} %; on the lateral view there is no A where the posterior wall "
    "is thinner than the anterior one. Bounds and weights: common practice, no source; the bounds "
    "of the index lie halfway between the mean film values of the letters."
)


def describe_letter(canal_type: CanalType) -> str:
    """Return the estimated letter in a sentence, with the probability of each."""
    if canal_type.letter is None:
        return "Letter A, B, C: not estimated, since one of its four numbers is not known."
    each = _format_chances(canal_type.letter_probabilities)
    if canal_type.letter_probabilities[canal_type.letter] < SURE_FROM:
        return f"Letter (estimated): undecided ({each})."
    return f"Letter (estimated): {canal_type.letter} ({each})."


def list_voices(canal_type: CanalType) -> tuple[str, ...]:
    """Return what canal, AP view and lateral view each say alone, with their numbers."""
    inputs = canal_type.letter_inputs

    def say(name: str) -> str:
        return format_measurement(inputs.get(name, Measurement()), "1")

    words = {
        "canal": f"Canal, isthmus over LT {say('canal_ratio_isthmus_over_lt_ml')}",
        "ap_view": f"AP view, cortical thickness index ML {say('cti_ml_lt_minus100')}",
        "lateral_view": f"Lateral view, cortical thickness index AP {say('cti_ap_lt_minus100')}, "
        "posterior over anterior wall "
        f"{say('wall_ratio_posterior_over_anterior_lt_minus100')}" + _describe_posterior(inputs),
    }
    shares = dict.fromkeys(words, LETTER_VIEW_WEIGHT) | {"canal": LETTER_RATIO_WEIGHT}
    return tuple(
        f"{words[name]}: {_format_chances(said)}; counts {100 * shares[name]:.0f} %."
        for name, said in canal_type.letter_voices.items()
    )


def _describe_posterior(inputs: Mapping[str, Measurement]) -> str:
    walls = inputs.get("wall_ratio_posterior_over_anterior_lt_minus100", Measurement())
    thinned = walls.value is not None and walls.value < LETTER_POSTERIOR_THIN_BELOW
    return " (posterior wall thinned)" if thinned else ""


def _format_chances(chances: Mapping[str, float]) -> str:
    return ", ".join(f"{letter} {format_chance(chance)}" for letter, chance in chances.items())
