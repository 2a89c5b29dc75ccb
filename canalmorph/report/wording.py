"""The page's sentences: plain, short, and never without their doubt."""

from canalmorph.femur_errors import SideDroppedError
from canalmorph.model.certainty import SURE_FROM, get_chance_below
from canalmorph.model.femur import Plane
from canalmorph.model.results import (
    CanalIndices,
    CanalShape,
    CanalType,
    Fixation,
    Measurement,
    Refusal,
)
from canalmorph.published import (
    FLUTE_ABOVE,
    FLUTE_PUBLISHED_UP_TO,
    STOVEPIPE_BELOW,
)
from canalmorph.report.letter import LETTER_RULE
from canalmorph.report.numbers import format_chance, format_measurement

SHAPE_WORDS = {
    CanalShape.STOVEPIPE: "stovepipe",
    CanalShape.NORMAL: "normal",
    CanalShape.CHAMPAGNE_FLUTE: "champagne flute",
}
FIXATION_WORDS = {
    Fixation.PRESS_FIT: "the numbers speak for press-fit",
    Fixation.CEMENTED: "the numbers speak for cement",
    Fixation.UNDECIDED: "undecided",
    Fixation.NOT_GIVEN: "no suggestion",
}
#: Classes whose words are no underscores made spaces.
_CLASS_WORDS = {Fixation.PRESS_FIT.value: "press-fit"}
PLANE_WORDS = {
    Plane.NECK: "the plane of shaft and neck, as a true AP radiograph shows it",
    Plane.CONDYLAR: "the plane of the shaft and the posterior condylar line, since no neck axis "
    "was found",
    Plane.SCANNER: "the scanner's coronal plane, since no neck axis was found; ML and AP then "
    "depend on how the leg lay",
    Plane.HAND: "a plane through the shaft that a person set by hand",
}
GLOSSARY = {
    "± (standard uncertainty)": "The true value lies within one ± in about two of three cases, "
    "within two ± in about 19 of 20, if the errors are as estimated.",
    "Canal, outer": "Inside of the cortex (endosteal), and outside of the bone (periosteal).",
    "LT, LT+20, LT−100": "Apex of the lesser trochanter, and the levels 20 mm above and 100 mm "
    "below it along the shaft axis.",
    "Isthmus": "Level below LT−40 at which the canal is narrowest, medial to lateral.",
    "ML, AP": "Medial to lateral, and front to back, on sections perpendicular to the shaft axis.",
    "Canal flare index": "Canal width at LT+20 over that at the isthmus. Below "
    f"{STOVEPIPE_BELOW:g} stovepipe, {STOVEPIPE_BELOW:g} to {FLUTE_ABOVE:g} normal, above "
    f"champagne flute; print ends at {FLUTE_PUBLISHED_UP_TO:g} (Noble 1988, as quoted in "
    "PMC7371079).",
    "Cortical thickness index": "Outer less canal width, over outer width: the share of the "
    "bone's width that is cortex.",
    "Letter A, B, C (estimated)": LETTER_RULE,
    "Widest rod": "The thickest straight cylinder that lies in the canal between two levels and "
    "cuts no wall: general geometry, no implant's shape. Its axis may lean; where many axes "
    "hold as wide a rod, the page gives the middle of them and a large ±.",
    "Forward bow": "Radius of the circle that the middle of the canal follows, seen from the side, "
    "from LT−50 down; the smaller, the more bowed. A straight stem on the shaft axis misses the "
    "canal's middle by the distances given for LT−100 and LT−150.",
    "Probability": "Share of the number's own error that falls into a class; it knows nothing of "
    f"errors of another kind. Below {100 * SURE_FROM:.0f} % the page says undecided.",
}


def name_class(value: str) -> str:
    """Return a class of a table's column in words.

    Examples
    --------
    >>> name_class("press_fit"), name_class("champagne_flute")
    ('press-fit', 'champagne flute')
    """
    return _CLASS_WORDS.get(value, value.replace("_", " "))


def describe_shape(canal_type: CanalType, indices: CanalIndices) -> str:
    """Return the canal's shape in a sentence, with the probability of what it says."""
    chances = canal_type.shape_probabilities
    shape = canal_type.shape
    if shape is None:
        return _describe_unknown_shape(indices)
    index = indices.values.get("cfi_ml", Measurement())
    if canal_type.shape_from_bound:
        bound = format_measurement(indices.values["cfi_ml_lower_bound"], "1")
        return (
            f"Canal shape: {SHAPE_WORDS[shape]} ({format_chance(chances[shape])}), by a lower "
            f"bound: the isthmus lies below the scan, and the flare index is at least {bound}."
        )
    number = f"flare index {format_measurement(index, '1')}"
    if chances[shape] < SURE_FROM:
        open_shapes = " or ".join(
            f"{SHAPE_WORDS[name]} ({format_chance(chance)})"
            for name, chance in chances.items()
            if chance >= 0.01
        )
        return f"Canal shape: undecided, {open_shapes}; {number}."
    beyond = (
        f" The index lies above {FLUTE_PUBLISHED_UP_TO:g}, outside the published range."
        if canal_type.outside_published_range
        else ""
    )
    return f"Canal shape: {SHAPE_WORDS[shape]} ({format_chance(chances[shape])}); {number}.{beyond}"


def describe_refusal(refusal: Refusal, *, deidentify: bool) -> str:
    """Return why a side was not measured, without the file's name where that is to be hidden."""
    message = refusal.message
    if deidentify and refusal.source:
        message = message.replace(refusal.source, "This scan")
    if refusal.side is None or refusal.code == SideDroppedError.code:
        return message
    return f"The {refusal.side.value} femur was not measured. {message}"


def _describe_unknown_shape(indices: CanalIndices) -> str:
    bound = indices.values.get("cfi_ml_lower_bound", Measurement())
    if bound.known:
        above = 1 - get_chance_below(bound, STOVEPIPE_BELOW)
        number = format_measurement(bound, "1")
        start = (
            f"Canal shape: undecided; the isthmus lies below the scan, and the flare index is at "
            f"least {number}."
        )
        if above >= SURE_FROM:
            return f"{start} Not a stovepipe ({format_chance(above)}); normal or champagne flute."
        return start
    why = indices.reasons.get("cfi_ml", "The flare index could not be measured.")
    return f"Canal shape: not known. {why}"
