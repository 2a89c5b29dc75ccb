"""The top of a bump: the patch of surface less than 1 mm behind its farthest point."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

#: Depth of the top, and the half-width over which its rim fades, so that no point jumps in. [mm]
TOP_MM, RIM_MM = 1.0, 0.05
#: The farthest point is the height of a smooth cap over this around it. [mm]
CAP_MM = 2.5
#: The farthest point lies this near the peak's level. [mm]
PEAK_REACH_MM = 2.0
#: A sharp tip, which a smooth cap would cut, is taken as it is but for this. [mm]
MOST_BELOW_MM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DenseSurface:
    """An outer surface in the femur's frame, read densely.

    Attributes
    ----------
    points_mm : (n, m, 3) float array
        As (medial, posterior, height along the shaft axis). [mm]
    areas_mm2, u_mm : (n, m) float array
        What each point stands for, and its standard uncertainty across the surface. [mm2, mm]
    near : (n, m) bool array
        Points that are known; the others mean nothing.
    """

    points_mm: NDArray[np.float64]
    areas_mm2: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    near: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Top:
    """The top of a bump, as points of the dense surface.

    Attributes
    ----------
    apex_mm, farthest_mm : (3,) float array
        Its middle, and its farthest point. [mm]
    direction : (3,) float array
        Unit vector in which it stands out.
    height_mm : float
        How far. [mm]
    cells : (n, m) bool array
        Points of the top, its fading rim included.
    lowest_mm, highest_mm : float
        Its extent along the shaft. [mm]
    """

    apex_mm: NDArray[np.float64]
    farthest_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    height_mm: float
    cells: NDArray[np.bool_]
    lowest_mm: float
    highest_mm: float


def point_across(direction_deg: float) -> NDArray[np.float64]:
    """Return the unit vector across the shaft from medial towards posterior, shape (3,)."""
    angle = np.radians(direction_deg)
    return np.array([np.cos(angle), np.sin(angle), 0.0])


def find_top(
    surface: DenseSurface,
    direction: NDArray[np.float64],
    level_mm: float,
    *,
    depth_mm: float = TOP_MM,
) -> Top:
    """Return the top of the bump at a level.

    Parameters
    ----------
    surface : DenseSurface
        The bone.
    direction : (3,) float array
        In which it stands out, a unit vector of the frame.
    level_mm : float
        Of the bump's peak. [mm]
    depth_mm : float
        How far behind the farthest point the top reaches. [mm]
    """
    points_mm = surface.points_mm
    heights = np.where(surface.near, points_mm @ direction, -np.inf)
    at_level = np.abs(points_mm[..., 2] - level_mm) <= PEAK_REACH_MM
    first = np.unravel_index(np.argmax(np.where(at_level, heights, -np.inf)), heights.shape)
    farthest = points_mm[first]
    height = _cap_height(points_mm, heights, farthest, float(heights[first]))
    cells = _connected(heights > height - depth_mm - RIM_MM, (int(first[0]), int(first[1])))
    weights = top_weights(heights[cells], height, depth_mm) * surface.areas_mm2[cells]
    part = points_mm[cells]
    return Top(
        apex_mm=(part * weights[:, None]).sum(0) / weights.sum(),
        farthest_mm=farthest,
        direction=direction,
        height_mm=height,
        cells=cells,
        lowest_mm=float(part[:, 2].min()),
        highest_mm=float(part[:, 2].max()),
    )


def top_weights(
    heights_mm: NDArray[np.float64], height_mm: float, depth_mm: float = TOP_MM
) -> NDArray[np.float64]:
    """Return how much points of these heights belong to a top of that height, 0 to 1."""
    above = heights_mm - (height_mm - depth_mm)
    return np.asarray(np.clip((above + RIM_MM) / (2 * RIM_MM), 0.0, 1.0))


def _cap_height(
    points_mm: NDArray[np.float64],
    heights_mm: NDArray[np.float64],
    farthest_mm: NDArray[np.float64],
    highest_mm: float,
) -> float:
    """Return the height of a smooth cap at its top, which noise lifts less than a single point."""
    near = np.isfinite(heights_mm)
    near &= ((points_mm - farthest_mm) ** 2).sum(-1) < CAP_MM**2
    away = points_mm[near] - farthest_mm
    side = away[:, :2] @ np.array([-farthest_mm[1], farthest_mm[0]])
    side = side / max(float(np.hypot(*farthest_mm[:2])), 1.0)
    along = away[:, 2]
    terms = np.c_[np.ones(len(away)), along, side, along**2, side**2, along * side]
    if len(away) < 4 * terms.shape[1]:
        return highest_mm
    cap, *_ = np.linalg.lstsq(terms, heights_mm[near], rcond=None)
    fitted = float((terms @ cap).max())
    return float(np.clip(fitted, highest_mm - MOST_BELOW_MM, highest_mm))


def _connected(high: NDArray[np.bool_], start: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the patch that holds a point; rings are closed."""
    m = high.shape[1]
    labels, _ = ndimage.label(np.concatenate([high, high], axis=1))
    row, ray = start
    mine = (labels == labels[row, ray]) | (labels == labels[row, ray + m])
    return np.asarray((mine[:, :m] | mine[:, m:]) & high)
