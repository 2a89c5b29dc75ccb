"""What would decide a class that is not probable enough, with the number that it takes."""

from statistics import NormalDist

from canalmorph.model.certainty import SURE_FROM
from canalmorph.model.results import CanalIndices, CanalType, Measurement
from canalmorph.published import FLUTE_ABOVE, STOVEPIPE_BELOW
from canalmorph.report.numbers import format_measurement

#: A number this near to its bound will not be told from it by any scan: the uncertainty of the
#: flare index in the best scans of the phantom catalogue.
BEST_FLARE_U = 0.02
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

    Examples
    --------
    >>> unknown = CanalType(shape=None, shape_probabilities={})
    >>> list_deciding(unknown, CanalIndices(values={}))[0]
    'Canal shape: a scan from which the flare index can be measured, from LT+20 past the isthmus.'
    """
    return (*_decide_shape(canal_type, indices), *_decide_letter(canal_type))


def _decide_shape(canal_type: CanalType, indices: CanalIndices) -> tuple[str, ...]:
    index = indices.values.get("cfi_ml", Measurement())
    if index.value is None or index.u is None:
        return () if canal_type.shape_from_bound else (_NO_INDEX,)
    if canal_type.shape is None or canal_type.shape_probabilities[canal_type.shape] >= SURE_FROM:
        return ()
    value = index.value
    bound = min((STOVEPIPE_BELOW, FLUTE_ABOVE), key=lambda one: abs(value - one))
    needed = abs(value - bound) / NormalDist().inv_cdf(SURE_FROM)
    words = format_measurement(index, "1")
    start = f"Canal shape: the flare index {words} lies at the bound {bound:g}"
    if needed < BEST_FLARE_U:
        return (f"{start}, so near that no scan would tell the two shapes apart.",)
    better = f"known to ± {needed:.2f} or better it would lie on one side with {_SHARE}"
    return (f"{start}; {better}: thinner slices or less noise.",)


def _decide_letter(canal_type: CanalType) -> tuple[str, ...]:
    letter = canal_type.letter
    if letter is None or canal_type.letter_probabilities[letter] >= SURE_FROM:
        return ()
    return (_NO_LETTER,)
