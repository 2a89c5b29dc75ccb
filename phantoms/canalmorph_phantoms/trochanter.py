"""The true lesser trochanter of an implicit femur: its bump's top, in words and numbers.

Among the postero-medial directions perpendicular to the shaft axis (15 to 95 degrees from medial
toward posterior), take the one in which the outer surface has the most prominent local peak along
the shaft (topographic prominence of the support function along ``s``, from 95 to 22 mm below the
head centre). The lesser trochanter is
the area-weighted mean of the surface points whose height in that direction is within 1 mm of that
peak.
"""

from dataclasses import dataclass
from math import cos, radians, sin

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.signal import find_peaks

from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.solid import evaluate_femur

DIRECTIONS_DEG = (15.0, 95.0)
#: Depth of the bump's top. [mm]
TOP_DEPTH_MM = 1.0
#: The support function is taken over these levels below the head centre, and the peak's saddles
#: are sought between them. [mm]
PROFILE_BELOW_HEAD_MM = (95.0, 22.0)
_REACH_MM = 75.0
#: The longest tops, flat ridges that run up to the neck, end within this across and along. [mm]
_TOP_REACH_MM = (18.0, 32.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrochanterTop:
    """The lesser trochanter in the femur's frame.

    Attributes
    ----------
    point_mm, apex_mm : (3,) float array
        The bump's top and the single farthest point, ``(u, v, s)`` from the nominal level. [mm]
    direction_deg : float
        Direction of greatest prominence, from medial toward posterior. [deg]
    prominence_mm : float
        Height of the peak over the higher of its two saddles. [mm]
    """

    point_mm: NDArray[np.float64]
    apex_mm: NDArray[np.float64]
    direction_deg: float
    prominence_mm: float


@njit(cache=True)
def _cast_ray(
    cos_d: float,
    sin_d: float,
    w: float,
    s: float,
    reach: float,
    p: NDArray[np.float64],
    table: NDArray[np.float64],
) -> float:
    """Return the outermost height of the outer surface on one line, or -1000 where it misses."""
    out = reach
    f_out = evaluate_femur(out * cos_d - w * sin_d, out * sin_d + w * cos_d, s, p, table)[0]
    if f_out <= 0.0:
        return out
    inside = out
    f_in = f_out
    while f_in > 0.0:
        out, f_out = inside, f_in
        inside = out - max(0.75 * f_out, 0.05)
        if inside < -20.0:
            return -1e3
        f_in = evaluate_femur(inside * cos_d - w * sin_d, inside * sin_d + w * cos_d, s, p, table)[
            0
        ]
    side = 0
    for _ in range(40):  # the Illinois form of regula falsi
        r = (inside * f_out - out * f_in) / (f_out - f_in)
        f = evaluate_femur(r * cos_d - w * sin_d, r * sin_d + w * cos_d, s, p, table)[0]
        if f > 0.0:
            out, f_out = r, f
            f_in *= 0.5 if side == 1 else 1.0
            side = 1
        else:
            inside, f_in = r, f
            f_out *= 0.5 if side == -1 else 1.0
            side = -1
        if abs(f) < 1e-8 or abs(out - inside) < 1e-8:
            break
    return 0.5 * (inside + out) if abs(out - inside) < 1e-6 else r


@njit(cache=True, parallel=True)
def cast_heights(
    cos_d: float,
    sin_d: float,
    across: NDArray[np.float64],
    levels: NDArray[np.float64],
    reach: float,
    p: NDArray[np.float64],
    table: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the outermost height of the outer surface along a direction, (level, across) [mm]."""
    heights = np.empty((levels.size, across.size))
    for i in prange(levels.size):
        for j in range(across.size):
            heights[i, j] = _cast_ray(cos_d, sin_d, across[j], levels[i], reach, p, table)
    return heights


def _find_peak(
    solid: FemurSolid, direction_deg: float, step_mm: float
) -> tuple[float, float, float]:
    """Return prominence, level and height of the most prominent peak in a direction [mm]."""
    head = solid.shape.head_height_mm
    levels = np.arange(
        head - PROFILE_BELOW_HEAD_MM[0], head - PROFILE_BELOW_HEAD_MM[1] + step_mm / 2, step_mm
    )
    across = np.arange(-26.0, 26.0, step_mm)
    angle = radians(direction_deg)
    heights = cast_heights(
        cos(angle), sin(angle), across, levels, _REACH_MM, solid.parameters, solid.table
    ).max(axis=1)
    peaks, found = find_peaks(heights, prominence=1e-6)
    if len(peaks) == 0:
        return 0.0, 0.0, 0.0
    best = int(np.argmax(found["prominences"]))
    at = peaks[best]
    return float(found["prominences"][best]), float(levels[at]), float(heights[at])


def _find_direction(solid: FemurSolid, step_mm: float) -> tuple[float, float]:
    """Return the direction of greatest prominence [deg] and the level of its peak [mm]."""
    angles = np.arange(DIRECTIONS_DEG[0], DIRECTIONS_DEG[1] + 1, 4.0)
    peaks = [_find_peak(solid, float(a), 1.5) for a in angles]
    best = int(np.argmax([peak[0] for peak in peaks]))
    if peaks[best][0] <= 0:
        raise ValueError("'shape' has no lesser trochanter: no peak in any direction.")
    direction = float(angles[best])
    width = 5.0
    angles = np.clip(direction + np.linspace(-width, width, 7), *DIRECTIONS_DEG)
    prominence = [_find_peak(solid, float(a), step_mm)[0] for a in angles]
    # The vertex of a parabola: the sampling's ripple does not move it.
    a2, a1, _ = np.polyfit(angles - direction, prominence, 2)
    shift = -a1 / (2 * a2) if a2 < 0 else width * np.sign(a1)
    direction = float(np.clip(direction + np.clip(shift, -width, width), *DIRECTIONS_DEG))
    return direction, _find_peak(solid, direction, step_mm)[1]


def find_lesser_trochanter(solid: FemurSolid, *, step_mm: float = 0.25) -> TrochanterTop:
    """Return the lesser trochanter of a femur.

    Parameters
    ----------
    solid : FemurSolid
        The femur.
    step_mm : float
        Sampling of the surface; the result is converged to 0.05 mm at the default. [mm]

    Raises
    ------
    ValueError
        If no direction has a local peak.
    """
    direction, level = _find_direction(solid, 4 * step_mm)
    angle = radians(direction)
    rough = np.arange(-34.0, 34.0, 0.5)
    coarse = cast_heights(
        cos(angle), sin(angle), rough, np.array([level]), _REACH_MM, solid.parameters, solid.table
    )[0]
    centre = float(rough[int(np.argmax(coarse))])
    fine = step_mm / 2
    across = centre + np.arange(-_TOP_REACH_MM[0], _TOP_REACH_MM[0] + fine / 2, fine)
    levels = level + np.arange(-_TOP_REACH_MM[1], _TOP_REACH_MM[1] + fine / 2, fine)
    heights = cast_heights(
        cos(angle), sin(angle), across, levels, _REACH_MM, solid.parameters, solid.table
    )
    near = np.abs(levels - level) <= 2.0
    row, column = np.unravel_index(np.argmax(np.where(near[:, None], heights, -1e3)), heights.shape)
    parts, _ = label(heights > heights[row, column] - TOP_DEPTH_MM)
    top = parts == parts[row, column]
    slope_s, slope_w = np.gradient(heights, fine)
    # A cell at the rim counts in part, so that the sum is smooth in the step.
    share = np.clip((heights - heights[row, column] + TOP_DEPTH_MM) / 0.05, 0, 1)
    weight = np.where(top, share * np.sqrt(1 + slope_s**2 + slope_w**2), 0.0)
    mean = [
        float((weight * values).sum() / weight.sum())
        for values in (heights, across[None, :] + 0 * heights, levels[:, None] + 0 * heights)
    ]
    apex = (float(heights[row, column]), float(across[column]), float(levels[row]))
    prominence, _, _ = _find_peak(solid, direction, 2 * step_mm)
    return TrochanterTop(
        point_mm=_to_frame(mean[0], mean[1], mean[2], angle),
        apex_mm=_to_frame(*apex, angle),
        direction_deg=direction,
        prominence_mm=prominence,
    )


def _to_frame(height: float, across: float, level: float, angle: float) -> NDArray[np.float64]:
    return np.array(
        [
            height * cos(angle) - across * sin(angle),
            height * sin(angle) + across * cos(angle),
            level,
        ]
    )
