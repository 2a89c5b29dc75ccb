"""Numbers outside the bands in which nearly all adults lie: they are flagged, never hidden."""

from collections.abc import Mapping

from canalmorph.model.results import Measurement
from canalmorph.published import POPULATION_BANDS

#: A number is unusual from this many of its uncertainties beyond its band on.
BEYOND_BAND = 1.0


def find_unusual(values: Mapping[str, Measurement]) -> tuple[str, ...]:
    """Return the codes of the numbers that lie outside their population's band.

    Parameters
    ----------
    values : mapping of str to Measurement
        By femur column name.
    """
    return tuple(
        band.code
        for band in POPULATION_BANDS
        if _lies_beyond(values.get(band.column, Measurement()), band.low, band.high)
    )


def _lies_beyond(found: Measurement, low: float, high: float) -> bool:
    if found.value is None or found.u is None:
        return False
    return max(low - found.value, found.value - high) > BEYOND_BAND * found.u
