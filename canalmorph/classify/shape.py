"""The canal's shape from its flare index, with the probability of every class."""

from canalmorph.classify.letter import estimate_letter
from canalmorph.model.certainty import SURE_FROM, get_chance_below
from canalmorph.model.results import CanalIndices, CanalShape, CanalType, Measurement
from canalmorph.published import FLUTE_ABOVE, FLUTE_PUBLISHED_UP_TO, STOVEPIPE_BELOW


def classify_canal(indices: CanalIndices) -> CanalType:
    """Return the canal's shape by its flare index and its estimated letter.

    Parameters
    ----------
    indices : CanalIndices
        Of one femur. The shape uses ``cfi_ml``, or else ``cfi_ml_lower_bound``; the letter uses
        the numbers named in `canalmorph.classify.letter.LETTER_INPUTS`.

    Returns
    -------
    CanalType
        Shape None where the index is blank and no bound decides; letter None where one of its
        inputs is blank.

    Raises
    ------
    ValueError
        If an index is impossible: a flare index not above 0, a cortical index outside [0, 1), a
        canal ratio outside (0, 1.5), or a value without its uncertainty.

    Notes
    -----
    Below 3 a stovepipe, 3 to 4.7 normal with both ends, above 4.7 a champagne flute
    (``noble_1988``); above 6.5 still a flute, marked as outside the published range. The
    probability of a class is that of a normal error of the index falling into it. A lower bound
    of the index decides only where the index lies above 4.7 with at least 80 %: above 3 both
    normal and flute remain open, and below 3 all three do.
    """
    shape, chances, from_bound, above_range = _classify_shape(indices)
    letter = estimate_letter(indices)
    return CanalType(
        shape=shape,
        shape_probabilities=chances,
        shape_from_bound=from_bound,
        outside_published_range=above_range,
        letter=letter.letter,
        letter_probabilities=letter.probabilities,
        letter_inputs=letter.inputs,
        letter_voices=letter.voices,
    )


def _classify_shape(
    indices: CanalIndices,
) -> tuple[CanalShape | None, dict[CanalShape, float], bool, bool]:
    """Return shape, probabilities, whether a bound decided, and whether it is out of range."""
    index = _get_flare(indices, "cfi_ml")
    if index.value is not None:
        return _shape_of(index.value), _shape_chances(index), False, _is_above_range(index.value)
    bound = _get_flare(indices, "cfi_ml_lower_bound")
    if bound.value is not None:
        chance = 1 - get_chance_below(bound, FLUTE_ABOVE)
        if chance >= SURE_FROM:
            chances = {CanalShape.CHAMPAGNE_FLUTE: chance}
            return CanalShape.CHAMPAGNE_FLUTE, chances, True, _is_above_range(bound.value)
    return None, {}, False, False


def _get_flare(indices: CanalIndices, name: str) -> Measurement:
    index = indices.values.get(name, Measurement())
    if index.value is not None and not index.value > 0:
        raise ValueError(f"'{name}' must be above 0, got {index.value:g}.")
    return index


def _shape_of(index: float) -> CanalShape:
    """Return the class that owns an index; both bounds belong to normal."""
    if index < STOVEPIPE_BELOW:
        return CanalShape.STOVEPIPE
    return CanalShape.CHAMPAGNE_FLUTE if index > FLUTE_ABOVE else CanalShape.NORMAL


def _shape_chances(index: Measurement) -> dict[CanalShape, float]:
    """Return the probability of each class; without any uncertainty the class is certain."""
    if index.u == 0 and index.value is not None:
        return {shape: float(shape is _shape_of(index.value)) for shape in CanalShape}
    below = get_chance_below(index, STOVEPIPE_BELOW)
    up_to = get_chance_below(index, FLUTE_ABOVE)
    return {
        CanalShape.STOVEPIPE: below,
        CanalShape.NORMAL: up_to - below,
        CanalShape.CHAMPAGNE_FLUTE: 1 - up_to,
    }


def _is_above_range(index: float) -> bool:
    return index > FLUTE_PUBLISHED_UP_TO
