"""Peaks of a curve and how far they stand out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, kw_only=True)
class Peak:
    """A local peak of a curve.

    Attributes
    ----------
    index : int
        Where it is; the middle of a flat peak.
    height_mm, prominence_mm : float
        Its height, and that over the higher of its two feet. [mm]
    foot : (int, int)
        The lowest points that part it from higher ground, or from the curve's ends.
    """

    index: int
    height_mm: float
    prominence_mm: float
    foot: tuple[int, int]


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
    found = list_peaks(heights_mm, least_prominence_mm)
    return [(peak.index, peak.prominence_mm) for peak in found]


def list_peaks(heights_mm: NDArray[np.float64], least_prominence_mm: float) -> list[Peak]:
    """Return the peaks of `find_prominent_peaks` with their height and their feet."""
    found = []
    start = 1
    while start < len(heights_mm) - 1:
        stop = start
        while stop < len(heights_mm) - 1 and heights_mm[stop + 1] == heights_mm[start]:
            stop += 1
        is_peak = stop < len(heights_mm) - 1 and heights_mm[stop + 1] < heights_mm[start]
        if heights_mm[start - 1] < heights_mm[start] and is_peak:
            foot = (
                start - _lowest_before_higher(heights_mm[start::-1]),
                start + _lowest_before_higher(heights_mm[start:]),
            )
            height = float(heights_mm[start])
            prominence = height - float(max(heights_mm[foot[0]], heights_mm[foot[1]]))
            if prominence >= least_prominence_mm:
                found.append(
                    Peak(
                        index=(start + stop) // 2,
                        height_mm=height,
                        prominence_mm=prominence,
                        foot=foot,
                    )
                )
        start = stop + 1
    return found


def _lowest_before_higher(heights_mm: NDArray[np.float64]) -> int:
    """Return where the curve is lowest between its first point and where it rises above it."""
    higher = np.flatnonzero(heights_mm > heights_mm[0])
    return int(np.argmin(heights_mm[: higher[0] if len(higher) else None]))


def find_vertex(x: NDArray[np.float64], y: NDArray[np.float64]) -> tuple[float, float]:
    """Return where the least-squares parabola through points is highest, and how it bends there.

    Parameters
    ----------
    x, y : (n,) float array
        At least three points.

    Returns
    -------
    vertex : float
        Within the range of `x`; its higher end where the parabola opens upwards.
    bend : float
        Twice the fall from the vertex over the square of the distance; 0 where it does not fall.

    Examples
    --------
    >>> vertex, bend = find_vertex(np.array([0.0, 1.0, 3.0]), np.array([-4.0, -1.0, -1.0]))
    >>> round(vertex, 6), round(bend, 6)
    (2.0, 2.0)
    """
    middle = float(x.mean())
    second, first, _ = np.polyfit(x - middle, y, 2)
    if second >= 0:
        return float(x.max() if first > 0 else x.min()), 0.0
    return float(np.clip(middle - first / (2 * second), x.min(), x.max())), float(-2 * second)
