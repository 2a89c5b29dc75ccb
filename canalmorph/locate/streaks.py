"""Streaks that metal elsewhere throws over a femur: they lie in the slices that hold the metal."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

#: A femur's surroundings: so far around its shaft's path and its head's centre. [mm]
AROUND_MM = 45.0
#: So far within the skin nothing is partly air. [mm]
UNDER_SKIN_MM = 8.0
#: Fat is the darkest tissue, at -130 HU at most; streaks make dark bands in it. [HU]
TOO_DARK_HU, AIR_HU = -200.0, -500.0
#: Where more of the surroundings, in any slice, is too dark for tissue, edges have moved. Fans of
#: +-400 HU moved a head by 0.4 mm and have 0.2; of +-100 HU by less than its uncertainty.
LEAST_DARK_SHARE = 0.03
#: The code of the warning.
STREAKS = "metal_streaks"


def is_streaked(
    blocks_hu: NDArray[np.float32],
    index_to_lps_mm: NDArray[np.float64],
    axis_lps_mm: NDArray[np.float64],
    metal_lps_mm: NDArray[np.float64],
) -> bool:
    """Return whether dark bands cross a femur's surroundings in slices that hold metal.

    Parameters
    ----------
    blocks_hu : (k, j, i) float32 array
        Coarse grid, k upwards: noise is averaged away on it. [HU]
    index_to_lps_mm : (4, 4) float array
        Its affine. [mm]
    axis_lps_mm : (n, 3) float array
        Points of the femur: its shaft's path and its head's centre. [mm]
    metal_lps_mm : (m, 3) float array
        Points in metal. [mm]
    """
    if not len(metal_lps_mm):
        return False
    to_index = np.linalg.inv(index_to_lps_mm)
    spacing = np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    metal = to_index[:3, :3] @ metal_lps_mm.T + to_index[:3, 3:]
    axis = (to_index[:3, :3] @ axis_lps_mm.T + to_index[:3, 3:]).T
    rows, columns = np.indices(blocks_hu.shape[1:])
    for k in np.unique(np.clip(np.rint(metal[0]), 0, len(blocks_hu) - 1).astype(int)):
        nearest = axis[np.argmin(np.abs(axis[:, 0] - k))]
        if abs(nearest[0] - k) * spacing[0] > AROUND_MM:
            continue
        away = np.hypot((rows - nearest[1]) * spacing[1], (columns - nearest[2]) * spacing[2])
        around = _find_inside(blocks_hu[k], spacing) & (away < AROUND_MM)
        if around.any() and np.mean(blocks_hu[k][around] < TOO_DARK_HU) > LEAST_DARK_SHARE:
            return True
    return False


def _find_inside(
    plane_hu: NDArray[np.float32], spacing_mm: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return what lies well under the skin, dark bands of it included."""
    body = ndimage.binary_fill_holes(plane_hu > AIR_HU)
    depth_mm = ndimage.distance_transform_edt(body, sampling=tuple(spacing_mm[1:]))
    return np.asarray(depth_mm > UNDER_SKIN_MM)
