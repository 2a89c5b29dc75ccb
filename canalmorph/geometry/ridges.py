"""Peaks of a curve and how far they stand out."""

import numpy as np
from numpy.typing import NDArray


def find_prominent_peaks(
    heights_mm: NDArray[np.float64], least_prominence_mm: float
) -> list[tuple[int, float]]:
    """Return the local peaks of a curve with their topographic prominence.

    A peak's prominence is its height over the higher of the two lowest points that part it from
    higher ground, or from the curve's end, on either side.

    Parameters
    ----------
    heights_mm : (n,) float array
        The curve. [mm]
    least_prominence_mm : float
        Peaks that stand out less are left out. [mm]

    Returns
    -------
    list of (int, float)
        Index and prominence [mm], in the order of the curve; the middle of a flat peak.

    Examples
    --------
    >>> find_prominent_peaks(np.array([0.0, 2.0, 1.0, 5.0, 0.0]), 0.5)
    [(1, 1.0), (3, 5.0)]
    """
    found = []
    start = 1
    while start < len(heights_mm) - 1:
        stop = start
        while stop < len(heights_mm) - 1 and heights_mm[stop + 1] == heights_mm[start]:
            stop += 1
        is_peak = stop < len(heights_mm) - 1 and heights_mm[stop + 1] < heights_mm[start]
        if heights_mm[start - 1] < heights_mm[start] and is_peak:
            saddles = (
                _lowest_before_higher(heights_mm[start::-1]),
                _lowest_before_higher(heights_mm[start:]),
            )
            prominence = float(heights_mm[start] - max(saddles))
            if prominence >= least_prominence_mm:
                found.append(((start + stop) // 2, prominence))
        start = stop + 1
    return found


def _lowest_before_higher(heights_mm: NDArray[np.float64]) -> float:
    """Return the lowest height from the first point to where the curve rises above it."""
    higher = np.flatnonzero(heights_mm > heights_mm[0])
    return float(heights_mm[: higher[0] if len(higher) else None].min())
