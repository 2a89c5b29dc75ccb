"""True density of a phantom's cancellous bone, averaged over regions that are defined in words.

Metaphysis: the canal between 10 and 20 mm above the lesser trochanter. Neck: 10 mm of it, about its
smallest section between 0.8 and 1.6 radii from the head's centre. Both less what lies near cortex.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph_phantoms import solid as sd
from canalmorph_phantoms.spec import PlacedFemur, Tissue
from canalmorph_phantoms.tissue import flatten_tissue, sample_interior
from canalmorph_phantoms.truth import solve_solid

_STEP_MM = 0.5
_HALF_MM = 32.0
_NECK_SEARCH_RADII = (0.8, 1.6)


@njit(cache=True)
def _average(points, erosion_mm, p, table, t):  # type: ignore[no-untyped-def]  # compiled
    total, count = 0.0, 0
    for n in range(points.shape[0]):
        u, v, s = points[n, 0], points[n, 1], points[n, 2]
        if sd.evaluate_femur(u, v, s, p, table)[1] < -erosion_mm:
            total += sample_interior(u, v, s, p, t)
            count += 1
    return total / count if count else np.nan


@njit(cache=True)
def _count_bone(points, p, table):  # type: ignore[no-untyped-def]  # compiled
    count = 0
    for n in range(points.shape[0]):
        u, v, s = points[n, 0], points[n, 1], points[n, 2]
        if sd.evaluate_femur(u, v, s, p, table)[0] < 0.0:
            count += 1
    return count


def average_cancellous_hu(
    tissue: Tissue, femur: PlacedFemur, *, erosion_mm: float
) -> dict[str, float]:
    """Return the mean density of neck and metaphysis before any blur and noise.

    Parameters
    ----------
    tissue : Tissue
        Of the scan.
    femur : PlacedFemur
        One of its femora.
    erosion_mm : float
        How far the regions keep from the cortex, by the canal's implicit value. [mm]

    Returns
    -------
    dict of str to float
        ``cancellous_metaphysis_hu`` and ``cancellous_neck_hu``; NaN where nothing is left. [HU]
    """
    solid, top = solve_solid(femur.shape)
    p, table, t = solid.parameters, solid.table, flatten_tissue(tissue, (femur,))
    line = np.arange(-_HALF_MM, _HALF_MM + 0.1, _STEP_MM)
    heights = float(top.point_mm[2]) + np.arange(10.0, 20.1, _STEP_MM)
    u, v, s = np.meshgrid(line, line, heights, indexing="ij")
    shaft = np.stack([u.ravel(), v.ravel(), s.ravel()], axis=1)
    along = np.arange(-5.0, 5.1, _STEP_MM) + _find_narrowest_mm(p, table)
    neck = _place_neck(p, line, along)
    return {
        "cancellous_metaphysis_hu": float(_average(shaft, erosion_mm, p, table, t)),
        "cancellous_neck_hu": float(_average(neck, erosion_mm, p, table, t)),
    }


def _place_neck(
    p: NDArray[np.float64], line: NDArray[np.float64], along: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return points of a cylinder of the neck in the femur's frame; `along` from the head [mm]."""
    up, v, a = (x.ravel() for x in np.meshgrid(line, line, along, indexing="ij"))
    # Beyond this lie trochanter and shaft, and no neck.
    keep = np.hypot(up, v) < 20.0
    sine, cosine = p[sd.P_NECK_SIN], p[sd.P_NECK_COS]
    return np.stack(
        [
            p[sd.P_HEAD_U] - sine * a - cosine * up,
            p[sd.P_HEAD_V] + v,
            p[sd.P_HEAD_S] - cosine * a + sine * up,
        ],
        axis=1,
    )[keep]


def _find_narrowest_mm(p: NDArray[np.float64], table: NDArray[np.float64]) -> float:
    """Return how far from the head's centre the neck's section is smallest [mm]."""
    low, high = (share * p[sd.P_HEAD_R] for share in _NECK_SEARCH_RADII)
    line = np.arange(-20.0, 20.1, _STEP_MM)
    places = np.arange(low, high, 1.0)
    areas = [_count_bone(_place_neck(p, line, np.array([a])), p, table) for a in places]
    return float(places[int(np.argmin(areas))])
