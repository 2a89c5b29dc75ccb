"""The lesser trochanter: the most prominent postero-medial bump along the shaft, and its top.

In words, so that a person can mark it. Look at the bone's outer surface from a direction between
medial and posterior, across the shaft axis, and follow how far it stands out from the axis, from
22 mm below the head's centre down the shaft. A bump is a place that stands out farther than what
lies above and below it; its prominence is its height over the higher of the two valleys beside
it. Turn until the bump's prominence is largest: that is its direction. Of all bumps the one of
the largest prominence is the lesser trochanter. Its top is the patch of surface around the
farthest point that lies less than 1 mm behind it, in that direction. The apex is the middle of
the top: the mean of its surface, each square millimetre counting the same.

The farthest single point is no good mark: real trochanters are so flat there that 0.05 mm of
height are 2 mm of level. A peak of its own on the same trochanter, parted from the top by a valley
deeper than 1 mm, does not move the apex; it is a second candidate.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter_top import TOP_MM, DenseSurface, Top, find_top, point_across
from canalmorph.align.trochanter_u import Rival, state_level_uncertainty
from canalmorph.femur_errors import LesserTrochanterError
from canalmorph.geometry.densify import close_small_gaps, densify_rings, measure_cell_areas
from canalmorph.geometry.ridges import Peak, find_vertex, list_peaks
from canalmorph.model.femur import FemurFrame, LesserTrochanter

#: Points put between measured ones, each way, so that single points do not count.
DENSER = 4
#: Directions are tried in steps of the first, then over the second around the best. [deg]
STEP_DEG, NEAR_DEG = 5.0, 6.0
#: Heights along the shaft are smoothed by this, and lower peaks are roughness. [mm]
SMOOTH_MM, SMALLEST_PEAK_MM = 0.5, 0.3
#: Peaks this near in level are the same bump seen from two directions. [mm]
SAME_BUMP_MM = 6.0
#: Unknown points this far from known ones are put in smoothly, so that a small hole is no valley.
CLOSED_GAP = 2
#: Rings beyond the window that may reach into it, because they lie oblique.
MARGIN = 12
#: Less of the place where the trochanter would be shows nothing. [mm]
LEAST_IN_VIEW_MM = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Surface:
    """The dense outer surface, and its points by level for quick heights of the bone."""

    dense: DenseSurface
    by_level_mm: NDArray[np.float64]
    starts: NDArray[np.int64]
    levels_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Candidate:
    """A bump in one direction."""

    direction_deg: float
    level_mm: float
    peak: Peak


def find_lesser_trochanter(
    points_lps_mm: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    frame: FemurFrame,
    head_lps_mm: NDArray[np.float64],
    *,
    axis_u_deg: float,
    side: str,
    settings: AlignSettings,
) -> LesserTrochanter:
    """Return the apex of the lesser trochanter.

    Parameters
    ----------
    points_lps_mm : (n, m, 3) float array
        Outer surface by rings in patient space; NaN where unknown. [mm]
    u_mm : (n, m) float array
        Standard uncertainty of each point across the surface. [mm]
    frame : FemurFrame
        The shaft axis, and the directions of medial and posterior.
    head_lps_mm : (3,) float array
        The head's centre. [mm]
    axis_u_deg : float
        Standard uncertainty of the shaft axis. [deg]
    side : str
        For the refusal.
    settings : AlignSettings
        Where to look.

    Raises
    ------
    LesserTrochanterError
        If no bump stands out enough, or the scan shows too little of where it would be.
    """
    head_mm = float(frame.lps_to_frame_mm(head_lps_mm)[2])
    near, far = settings.trochanter_below_head_mm
    surface = _prepare_surface(
        frame.lps_to_frame_mm(points_lps_mm), u_mm, (head_mm - far, head_mm - near)
    )
    candidates = [] if surface is None else _find_candidates(surface, settings)
    best = max(candidates, key=lambda one: one.peak.prominence_mm, default=None)
    if surface is None or best is None or best.peak.prominence_mm < settings.least_prominence_mm:
        raise LesserTrochanterError(
            side=side, prominence_mm=0.0 if best is None else best.peak.prominence_mm
        )
    best, bend = _turn_to_best(surface, best, settings)
    top = find_top(surface.dense, point_across(best.direction_deg), best.level_mm)
    second, second_level_mm = _find_second(surface, candidates, best, top)
    rival = Rival(
        behind_mm=best.peak.prominence_mm - second,
        apart_mm=abs(second_level_mm - float(top.apex_mm[2])) if second else 0.0,
    )
    return LesserTrochanter(
        apex_lps_mm=frame.frame_to_lps_mm(top.apex_mm),
        level_u_mm=state_level_uncertainty(
            surface.dense, top, axis_u_deg=axis_u_deg, bend_per_deg2=bend, rival=rival
        ),
        prominence_mm=best.peak.prominence_mm,
        direction_deg=best.direction_deg,
        second_prominence_mm=second,
        confidence=best.peak.prominence_mm / (best.peak.prominence_mm + second),
    )


def _prepare_surface(
    coordinates_mm: NDArray[np.float64], u_mm: NDArray[np.float64], window: tuple[float, float]
) -> _Surface | None:
    """Return the dense surface in the window, or None where too little of it is in view."""
    levels = coordinates_mm[..., 2]
    with np.errstate(invalid="ignore"):
        inside = ((levels > window[0]) & (levels < window[1])).any(axis=1)
    rows = np.flatnonzero(inside)
    if len(rows) < 4:
        return None
    rows = np.arange(max(0, rows[0] - MARGIN), min(len(levels), rows[-1] + 1 + MARGIN))
    filled, near = close_small_gaps(coordinates_mm[rows], CLOSED_GAP)
    points = densify_rings(filled, DENSER)
    nearest = _nearest(near.shape, points.shape)
    spread = np.nan_to_num(u_mm[rows], nan=float(np.nanmedian(u_mm)))[nearest]
    dense_near = near[nearest]
    # An oblique ring at the end of the scan shows only a part of its levels.
    low = float(max(window[0], points[0, :, 2].max()))
    high = float(min(window[1], points[-1, :, 2].min()))
    if high - low < LEAST_IN_VIEW_MM:
        return None
    step = float(np.median(np.abs(np.diff(points[..., 2], axis=0))))
    place = np.floor((points[..., 2] - low) / step).astype(np.int64)
    n_levels = int((high - low) / step)  # the rest of a step at the end would be seen in part
    used = np.flatnonzero(dense_near & (place >= 0) & (place < n_levels))
    order = used[np.argsort(place.ravel()[used], kind="stable")]
    filled_levels, starts = np.unique(place.ravel()[order], return_index=True)
    return _Surface(
        dense=DenseSurface(
            points_mm=points, areas_mm2=measure_cell_areas(points), u_mm=spread, near=dense_near
        ),
        by_level_mm=np.ascontiguousarray(points.reshape(-1, 3)[order, :2].T),
        starts=starts,
        levels_mm=np.asarray(low + (filled_levels + 0.5) * step),
    )


def _nearest(shape: tuple[int, int], dense: tuple[int, ...]) -> tuple[NDArray[np.int64], ...]:
    """Return for each dense point the indices of the nearest measured one."""
    rows = np.rint(np.arange(dense[0]) / DENSER).astype(np.int64)
    rays = np.rint(np.arange(dense[1]) / DENSER).astype(np.int64) % shape[1]
    return np.ix_(rows, rays)


def _profile(surface: _Surface, direction_deg: float) -> NDArray[np.float64]:
    """Return how far the bone stands out in a direction, by level [mm]."""
    heights = point_across(direction_deg)[:2] @ surface.by_level_mm
    heights = np.maximum.reduceat(heights, surface.starts)
    step = (surface.levels_mm[-1] - surface.levels_mm[0]) / max(1, len(surface.levels_mm) - 1)
    return np.asarray(ndimage.gaussian_filter1d(heights, SMOOTH_MM / step, mode="nearest"))


def _find_candidates(surface: _Surface, settings: AlignSettings) -> list[_Candidate]:
    low, high = settings.trochanter_directions_deg
    return [
        _Candidate(
            direction_deg=float(direction),
            level_mm=float(surface.levels_mm[peak.index]),
            peak=peak,
        )
        for direction in np.arange(low, high + 0.1, STEP_DEG)
        for peak in list_peaks(_profile(surface, direction), SMALLEST_PEAK_MM)
    ]


def _turn_to_best(
    surface: _Surface, best: _Candidate, settings: AlignSettings
) -> tuple[_Candidate, float]:
    """Return the bump in the direction of its largest prominence, and how fast that falls.

    The vertex of a parabola over several directions, so that no single one decides.
    """
    low, high = settings.trochanter_directions_deg
    directions = np.clip(best.direction_deg + np.linspace(-NEAR_DEG, NEAR_DEG, 9), low, high)
    seen = [_same_bump(surface, float(d), best.level_mm) for d in np.unique(directions)]
    known = [one for one in seen if one is not None]
    if len(known) < 4:
        return best, 0.0
    vertex, bend = find_vertex(
        np.array([one.direction_deg for one in known]),
        np.array([one.peak.prominence_mm for one in known]),
    )
    turned = _same_bump(surface, vertex, best.level_mm)
    return (best if turned is None else turned), bend


def _same_bump(surface: _Surface, direction_deg: float, level_mm: float) -> _Candidate | None:
    """Return the most prominent peak near a level, in a direction."""
    peaks = [
        peak
        for peak in list_peaks(_profile(surface, direction_deg), SMALLEST_PEAK_MM)
        if abs(surface.levels_mm[peak.index] - level_mm) < SAME_BUMP_MM
    ]
    if not peaks:
        return None
    peak = max(peaks, key=lambda one: one.prominence_mm)
    return _Candidate(
        direction_deg=direction_deg, level_mm=float(surface.levels_mm[peak.index]), peak=peak
    )


def _find_second(
    surface: _Surface, candidates: list[_Candidate], best: _Candidate, top: Top
) -> tuple[float, float]:
    """Return the prominence and level of the next best bump; 0 and the best's where none is [mm].

    A second hump on the same bump counts as if the best were not there: from the bump's own foot.
    """
    others = [
        (one.peak.prominence_mm, one.level_mm)
        for one in candidates
        if not top.lowest_mm - SAME_BUMP_MM < one.level_mm < top.highest_mm + SAME_BUMP_MM
    ]
    profile = _profile(surface, best.direction_deg)
    for peak in list_peaks(profile, SMALLEST_PEAK_MM):
        level = float(surface.levels_mm[peak.index])
        beside = best.peak.foot[0] < peak.index < best.peak.foot[1]
        # The valley between, not the hump's prominence: two equally high ones would have it all.
        first, last = sorted((peak.index, best.peak.index))
        apart = best.peak.height_mm - float(profile[first : last + 1].min()) > TOP_MM
        if beside and apart:
            rise = best.peak.prominence_mm - (best.peak.height_mm - peak.height_mm)
            others.append((rise, level))
    return max(others, default=(0.0, best.level_mm))
