"""A femur's type, and a refusal, in a line for lists; what the page calls undecided is so here."""

from collections.abc import Mapping

from canalmorph.model.certainty import SURE_FROM
from canalmorph.model.results import CanalShape, Refusal
from canalmorph.report.numbers import format_chance
from canalmorph.report.wording import SHAPE_WORDS

LETTERS = "ABC"


def summarise_shape(femur: Mapping[str, object]) -> str:
    """Return the canal's shape of a row of ``femurs.csv`` in words, with its probability.

    Examples
    --------
    >>> summarise_shape({"canal_shape": "champagne_flute", "p_champagne_flute": 0.998})
    'champagne flute > 99 %'
    >>> summarise_shape({"canal_shape": "normal", "p_stovepipe": 0.42, "p_normal": 0.58})
    'undecided, stovepipe 42 % or normal 58 %'
    >>> summarise_shape({"canal_shape": ""})
    'not decided'
    """
    chances = {SHAPE_WORDS[shape]: _read(femur, f"p_{shape.value}") for shape in CanalShape}
    if not femur.get("canal_shape"):
        return "not decided"
    return _summarise(chances, SHAPE_WORDS[CanalShape(str(femur["canal_shape"]))])


def summarise_letter(femur: Mapping[str, object]) -> str:
    """Return the estimated letter of a row of ``femurs.csv``; empty where there is none.

    Examples
    --------
    >>> summarise_letter({"bone_letter": "A", "p_letter_a": 0.93, "p_letter_b": 0.07})
    'letter A 93 % (estimated)'
    >>> summarise_letter({"bone_letter": "A", "p_letter_a": 0.7, "p_letter_b": 0.3})
    'letter undecided, A 70 % or B 30 % (estimated)'
    """
    if not femur.get("bone_letter"):
        return ""
    chances = {letter: _read(femur, f"p_letter_{letter.lower()}") for letter in LETTERS}
    return f"letter {_summarise(chances, str(femur['bone_letter']))} (estimated)"


def name_refusal(refusal: Refusal) -> str:
    """Return which scan and side were not measured, why, and what to do.

    Examples
    --------
    >>> name_refusal(Refusal(stage="read", code="x", message="It is empty.", source="day/a"))
    'day/a: It is empty.'
    """
    side = f"({refusal.side.value})" if refusal.side else ""
    # Errors of reading name the file themselves.
    if not side and refusal.message.startswith(refusal.source):
        return refusal.message
    return f"{f'{refusal.source} {side}'.strip()}: {refusal.message}"


def _read(femur: Mapping[str, object], name: str) -> float:
    chance = femur.get(name)
    return chance if isinstance(chance, float) else 0.0


def _summarise(chances: Mapping[str, float], likeliest: str) -> str:
    if chances[likeliest] >= SURE_FROM:
        return f"{likeliest} {format_chance(chances[likeliest])}"
    open_ones = [f"{name} {format_chance(p)}" for name, p in chances.items() if p >= 0.01]
    return f"undecided, {' or '.join(open_ones)}"
