"""What would decide a class that is not probable enough, with the number that it takes."""

from canalmorph.model.certainty import (
    SURE_FROM,
    describe_needed_flare,
    get_chance_below,
    is_open,
)
from canalmorph.model.results import CanalIndices, CanalType, Measurement
from canalmorph.published import FLUTE_ABOVE, STOVEPIPE_BELOW

_SHARE = f"{100 * SURE_FROM:.0f} %"
_NO_INDEX = (
    "Canal shape: a scan from which the flare index can be measured, from LT+20 past the isthmus."
)
_NO_LETTER = (
    "Letter: a reader's eye on both views; canal and cortex do not speak for one letter with "
    f"{_SHARE}."
)


def list_deciding(canal_type: CanalType, indices: CanalIndices) -> tuple[str, ...]:
    """Return what would decide shape and letter, a sentence for each that is undecided.

    Whether it is a stovepipe the suggestion asks, too, and says what would decide it.

    Examples
    --------
    >>> bound = CanalIndices(values={"cfi_ml_lower_bound": Measurement(value=3.6, u=0.1)})
    >>> list_deciding(CanalType(shape=None, shape_probabilities={}), bound)
    ('Canal shape: a scan from which the flare index can be measured, from LT+20 past the \
isthmus.',)
    """
    return (*_decide_shape(canal_type, indices), *_decide_letter(canal_type))


def _decide_shape(canal_type: CanalType, indices: CanalIndices) -> tuple[str, ...]:
    index = indices.values.get("cfi_ml", Measurement())
    if not index.known:
        least = indices.values.get("cfi_ml_lower_bound", Measurement())
        no_stovepipe = least.known and 1 - get_chance_below(least, STOVEPIPE_BELOW) >= SURE_FROM
        return (_NO_INDEX,) if no_stovepipe and not canal_type.shape_from_bound else ()
    shape = canal_type.shape
    sure = shape is None or canal_type.shape_probabilities[shape] >= SURE_FROM
    if sure or is_open(index, STOVEPIPE_BELOW):
        return ()
    return (f"Canal shape: {describe_needed_flare(index, FLUTE_ABOVE)}",)


def _decide_letter(canal_type: CanalType) -> tuple[str, ...]:
    letter = canal_type.letter
    if letter is None or canal_type.letter_probabilities[letter] >= SURE_FROM:
        return ()
    return (_NO_LETTER,)
