"""Tubes of rings cut by planes."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


@njit(parallel=True, cache=True, nogil=True)
def _cut(rings, levels, out):  # type: ignore[no-untyped-def]  # compiled
    n, m = rings.shape[0], rings.shape[1]
    for row in prange(levels.shape[0]):
        level = levels[row]
        for ray in range(m):
            for ring in range(n - 1):
                low = rings[ring, ray, 2]
                high = rings[ring + 1, ray, 2]
                if low <= level < high:
                    t = (level - low) / (high - low)
                    for axis in range(out.shape[2]):
                        a = rings[ring, ray, axis]
                        out[row, ray, axis] = a + t * (rings[ring + 1, ray, axis] - a)
                    break


def cut_tube(
    rings_mm: NDArray[np.float64],
    levels_mm: NDArray[np.float64],
    *values: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return where planes of constant height cut a tube of rings.

    Point ``m`` of neighbouring rings is joined by a straight line, which the plane cuts: rings
    1 mm apart on a wall of 13 mm radius err by at most 0.01 mm so.

    Parameters
    ----------
    rings_mm : (n, m, 3) float array
        Rings from below to above; the third coordinate is the height. NaN where unknown. [mm]
    levels_mm : (l,) float array
        Heights of the planes. [mm]
    *values : (n, m) float arrays
        Carried along and interpolated as the coordinates are.

    Returns
    -------
    (l, m, 3 + number of values) float array
        NaN where the tube is unknown at that level.
    """
    stacked = np.concatenate([rings_mm, *(value[..., None] for value in values)], axis=-1)
    levels = np.asarray(levels_mm, dtype=np.float64)
    out = np.full((len(levels), stacked.shape[1], stacked.shape[2]), np.nan)
    _cut(np.ascontiguousarray(stacked), levels, out)
    return out
