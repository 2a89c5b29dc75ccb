"""The lesser trochanter: the most prominent postero-medial bump along the shaft.

In words, so that a person can mark it: look along the shaft from medial to posterior; in each of
these directions follow how far the bone's outer surface stands out, from the head down the shaft.
The lesser trochanter is the local peak of that height which rises most over the higher of its two
neighbouring saddles, in the direction in which it does so most. Its apex is the mean of the
surface of the bump's top, its highest 1 mm, so that noise does not move it.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.align.settings import AlignSettings
from canalmorph.errors import LesserTrochanterError
from canalmorph.geometry.ridges import find_prominent_peaks
from canalmorph.model.femur import LesserTrochanter

#: Steps over the directions. [deg]
STEP_DEG = 5.0
#: Lower peaks are the surface's roughness. [mm]
SMALLEST_PEAK_MM = 0.3
#: The bump's top. [mm]
TOP_MM = 1.0
#: The level is never known better than this. [mm]
LEAST_U_MM = 0.65
#: A second candidate at another level than this far away counts. [mm]
OTHER_LEVEL_MM = 12.0


def find_lesser_trochanter(
    coordinates_mm: NDArray[np.float64],
    points_lps_mm: NDArray[np.float64],
    head_height_mm: float,
    *,
    ring_step_mm: float,
    side: str,
    settings: AlignSettings,
) -> LesserTrochanter:
    """Return the apex of the lesser trochanter.

    Parameters
    ----------
    coordinates_mm : (n, m, 3) float array
        Outer surface by rings, as (medial, posterior, height along the shaft axis). [mm]
    points_lps_mm : (n, m, 3) float array
        The same points in patient space. [mm]
    head_height_mm : float
        Height of the head's centre. [mm]
    ring_step_mm : float
        Distance of the rings. [mm]
    side : str
        For the refusal.
    settings : AlignSettings
        Where to look.

    Raises
    ------
    LesserTrochanterError
        If no bump stands out enough, or the scan shows too little of where it would be.
    """
    middle = np.full(len(coordinates_mm), np.nan)
    seen = np.isfinite(coordinates_mm[..., 2]).any(axis=1)
    middle[seen] = np.nanmedian(coordinates_mm[seen, :, 2], axis=1)
    near, far = settings.trochanter_below_head_mm
    rows = np.flatnonzero((middle > head_height_mm - far) & (middle < head_height_mm - near))
    if len(rows) * ring_step_mm < 20.0:
        raise LesserTrochanterError(side=side, prominence_mm=0.0)
    part = coordinates_mm[rows]
    candidates = []
    low, high = settings.trochanter_directions_deg
    for direction_deg in np.arange(low, high + 0.1, STEP_DEG):
        height = _height_along(part, direction_deg)
        ridge = _smoothed_ridge(height, ring_step_mm)
        candidates += [
            (prominence, float(direction_deg), peak)
            for peak, prominence in find_prominent_peaks(ridge, SMALLEST_PEAK_MM)
            if np.isfinite(height[peak]).any()
        ]
    if not candidates or max(candidates)[0] < settings.least_prominence_mm:
        raise LesserTrochanterError(
            side=side, prominence_mm=max(candidates)[0] if candidates else 0.0
        )
    prominence, direction_deg, peak = max(candidates)
    height = _height_along(part, direction_deg)
    ridge = _smoothed_ridge(height, ring_step_mm)
    top = _top_of_bump(height, peak, ridge[peak])
    area = _point_areas(part)[top]
    apex = (points_lps_mm[rows][top] * area[:, None]).sum(0) / area.sum()
    others = [
        c[0] for c in candidates if abs(middle[rows[c[2]]] - middle[rows[peak]]) > OTHER_LEVEL_MM
    ]
    return LesserTrochanter(
        apex_lps_mm=apex,
        level_u_mm=_level_uncertainty(ridge, peak, ring_step_mm),
        prominence_mm=prominence,
        direction_deg=direction_deg,
        second_prominence_mm=max(others, default=0.0),
    )


def _height_along(part: NDArray[np.float64], direction_deg: float) -> NDArray[np.float64]:
    angle = np.radians(direction_deg)
    return np.asarray(part[..., 0] * np.cos(angle) + part[..., 1] * np.sin(angle))


def _smoothed_ridge(height: NDArray[np.float64], ring_step_mm: float) -> NDArray[np.float64]:
    ridge = np.where(np.isfinite(height), height, -np.inf).max(axis=1)
    known = np.isfinite(ridge)
    rows = np.arange(len(ridge))
    ridge = np.interp(rows, rows[known], ridge[known]) if known.any() else np.zeros(len(ridge))
    return np.asarray(ndimage.gaussian_filter1d(ridge, 1.0 / ring_step_mm))


def _top_of_bump(height: NDArray[np.float64], peak: int, peak_height: float) -> NDArray[np.bool_]:
    """Return which points belong to the connected top of the bump around its peak."""
    with np.errstate(invalid="ignore"):
        high = height > peak_height - TOP_MM
    wrapped = np.concatenate([high, high], axis=1)  # a bump may lie across the seam of the rings
    labels, _ = ndimage.label(wrapped)
    row = np.where(np.isfinite(height[peak]), height[peak], -np.inf)
    best = int(np.argmax(row))
    m = height.shape[1]
    if not high[peak, best]:
        high[peak, best] = True
        labels, _ = ndimage.label(np.concatenate([high, high], axis=1))
    mine = (labels == labels[peak, best]) | (labels == labels[peak, best + m])
    return np.asarray((mine[:, :m] | mine[:, m:]) & high)


def _point_areas(part: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the surface area that each point stands for [mm2]."""
    along_ring = np.roll(part, -1, axis=1) - np.roll(part, 1, axis=1)
    along_axis = np.gradient(part, axis=0)
    area = 0.5 * np.linalg.norm(np.cross(along_ring, along_axis), axis=-1)
    return np.where(np.isfinite(area), area, 1e-6)


def _level_uncertainty(ridge: NDArray[np.float64], peak: int, ring_step_mm: float) -> float:
    """Return the standard uncertainty of the level: a flat top is known less well [mm].

    0.015 of error in the surface's slope over the top moves its peak by that over the curvature.
    The floor is what real surfaces showed (SD 0.76 mm over nine); phantoms show a third of it.
    """
    reach = max(2, round(4.0 / ring_step_mm))
    part = ridge[max(0, peak - reach) : peak + reach + 1]
    heights = ring_step_mm * (np.arange(len(part)) - min(peak, reach))
    bend = -2.0 * np.polyfit(heights, part, 2)[0] if len(part) > 3 else 0.0
    return float(np.clip(np.hypot(LEAST_U_MM, 0.015 / max(bend, 1e-3)), LEAST_U_MM, 3.0))
