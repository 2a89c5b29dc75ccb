"""The isthmus: the narrowest place of a profile below LT-40, smoothed along the shaft."""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.shaft import ISTHMUS_ABOVE_MM, ISTHMUS_BELOW_MM

#: Reach to each side of the local quartics that smooth the profile: a canal widens by a tenth of a
#: millimetre in 10 mm, five times the noise of one section, and not as much above as below. [mm]
SMOOTHED_MM, SMOOTHED_ORDER = 18.0, 4
#: Reach to each side of the parabola that the width is read from. [mm]
REACH_MM = 4.0
#: A person sets the level on a picture to about this, where the canal is flat. [mm]
MARKED_LEVEL_U_MM = 3.0
#: Sections 1 mm apart share their noise with this many neighbours.
SHARED_SECTIONS = 3.0
#: What is left of the level's error on shafts whose widths are known exactly. [mm]
LEAST_LEVEL_U_MM = 1.0
#: A level with fewer sections within reach has no smoothed width.
LEAST_SECTIONS = 5
#: Reach of the two half parabolas that place the vertex, how far they may move it from where the
#: smoothed profile is smallest, and the steps that are tried. [mm]
VERTEX_REACH_MM, VERTEX_MOVE_MM, VERTEX_STEP_MM = 26.0, 5.0, 0.25
#: Within a longer gap the narrowest place may lie, unseen; and within one that is longer than the
#: second beside it, unless the canal is clearly wider again at its border: by this share and this
#: much, over so many sections. [mm, mm, 1, mm]
LONGEST_GAP_MM, HIDING_GAP_MM = 4.0, 10.0
WIDER_SHARE, WIDER_MM, BORDER_SECTIONS = 0.02, 0.05, 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Narrowest:
    """The narrowest place of one column.

    Attributes
    ----------
    level_mm, level_u_mm : float
        Where, and its standard uncertainty. [mm]
    width_mm, width_u_mm : float
        How wide. [mm]
    """

    level_mm: float
    level_u_mm: float
    width_mm: float
    width_u_mm: float


def find_narrowest(
    levels_mm: NDArray[np.float64],
    widths_mm: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    marked_mm: float | None = None,
) -> Narrowest | None:
    """Return the narrowest place below LT-40, or None where none was measured or a gap hides it.

    Where the smoothed profile is smallest, by a quartic through the sections within 18 mm of each
    level, no single section decides. There two half parabolas with one vertex are fitted, since a
    canal does not widen as fast below as above; the level is their vertex. Its uncertainty is
    that of the smoothed slope over the bend, at most the stretch within which widths do not
    differ by more than their noise.

    Parameters
    ----------
    levels_mm, widths_mm, u_mm : (n,) float arrays
        A profile; NaN where not measurable. [mm]
    marked_mm : float, optional
        The level that a person set: the width is read there, and nothing is looked for. [mm]
    """
    usable = (
        np.isfinite(widths_mm) & (levels_mm < ISTHMUS_BELOW_MM) & (levels_mm > ISTHMUS_ABOVE_MM)
    )
    if usable.sum() < LEAST_SECTIONS:
        return None
    levels, widths, us = levels_mm[usable], widths_mm[usable], u_mm[usable]
    if marked_mm is not None:
        level, level_u = marked_mm, MARKED_LEVEL_U_MM
        if np.abs(levels - level).min() > LONGEST_GAP_MM:
            return None
    else:
        level, level_u = _find_level(levels, widths)
        if _may_lie_in_gap(levels, widths, level):
            return None
    nearest = int(np.argmin(np.abs(levels - level)))
    near = np.abs(levels - level) <= REACH_MM
    width = float(widths[nearest])
    if near.sum() >= 4:
        width = float(np.polyfit(levels[near] - level, widths[near], 2)[-1])
    return Narrowest(
        level_mm=level, level_u_mm=level_u, width_mm=width, width_u_mm=float(us[nearest])
    )


def _find_level(
    levels_mm: NDArray[np.float64], widths_mm: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the level at which the smoothed profile is smallest, and its uncertainty [mm]."""
    fits = [_fit_near(levels_mm, widths_mm, level) for level in levels_mm]
    smooth = np.array([np.inf if fit is None else fit[0][0] for fit in fits])
    smallest = int(np.argmin(smooth))
    fit = fits[smallest]
    level = float(levels_mm[smallest])
    if fit is None:
        return level, float(np.hypot(LEAST_LEVEL_U_MM, np.ptp(levels_mm) / np.sqrt(12.0)))
    _, slope_u, noise = fit
    level = _place_vertex(levels_mm, widths_mm, level)
    # A parabola's bend: that of the quartic is largest where noise made the level the smallest.
    near = np.abs(levels_mm - level) < SMOOTHED_MM
    bend = 2 * float(np.polyfit(levels_mm[near] - level, widths_mm[near], 2)[0])
    flat = float(np.ptp(levels_mm[smooth <= smooth.min() + noise])) / np.sqrt(12.0)
    spread = min(flat, slope_u / bend) if bend > 0 else flat
    return level, float(np.hypot(LEAST_LEVEL_U_MM, spread))


def _place_vertex(
    levels_mm: NDArray[np.float64], widths_mm: NDArray[np.float64], start_mm: float
) -> float:
    """Return the vertex of two half parabolas near a level [mm]."""
    steps = round(VERTEX_MOVE_MM / VERTEX_STEP_MM)
    tried = start_mm + VERTEX_STEP_MM * np.arange(-steps, steps + 1)
    misfits = _find_misfits(levels_mm, widths_mm, np.asarray(tried, dtype=np.float64))
    best = int(np.argmin(misfits))
    if not np.isfinite(misfits[best]):
        return start_mm
    vertex = float(tried[best])
    around = misfits[max(0, best - 1) : best + 2]
    if len(around) == 3 and np.isfinite(around).all():
        left, middle, right = around
        bend = left - 2 * middle + right
        if bend > 0:
            vertex += 0.5 * VERTEX_STEP_MM * float((left - right) / bend)
    # A vertex beyond the last section would be narrower than anything that was seen.
    return float(np.clip(vertex, levels_mm.min(), levels_mm.max()))


def _find_misfits(
    levels_mm: NDArray[np.float64], widths_mm: NDArray[np.float64], vertices_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the mean square misfit of half parabolas that open from each vertex, else infinity."""
    away = (levels_mm - vertices_mm[:, None]) / VERTEX_REACH_MM
    weights = np.maximum(1.0 - away**2, 0.0)
    sides = np.stack([weights * (away > 0), weights * (away < 0)])
    misfits = np.full(len(vertices_mm), np.inf)
    rows = np.flatnonzero(np.count_nonzero(sides, axis=2).min(axis=0) >= LEAST_SECTIONS)
    if not len(rows):
        return misfits
    away, weights = away[rows], weights[rows]
    shape = np.stack([np.ones_like(away), away**2 * (away > 0), away**2 * (away < 0)], axis=1)
    weighted = shape * weights[:, None]
    solved = np.linalg.solve(weighted @ shape.swapaxes(1, 2), weighted @ widths_mm[:, None])
    left = widths_mm - (solved.swapaxes(1, 2) @ shape)[:, 0]
    misfit = (weights * left**2).sum(axis=1) / weights.sum(axis=1)
    opens = (solved[:, 1:, 0] > 0).all(axis=1)
    misfits[rows[opens]] = misfit[opens]
    return misfits


@lru_cache(maxsize=512)
def _make_smoother(
    away_mm: tuple[float, ...], order: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the powers of sections' distances from a level, and what makes coefficients of widths.

    Sections lie evenly, so that most levels share theirs.
    """
    away = np.array(away_mm)
    weights = np.sqrt(1.0 - (away / SMOOTHED_MM) ** 2)
    powers = np.vander(away, order + 1, increasing=True)
    return powers, np.linalg.pinv(powers * weights[:, None]) * weights


def _fit_near(
    levels_mm: NDArray[np.float64], widths_mm: NDArray[np.float64], level_mm: float
) -> tuple[NDArray[np.float64], float, float] | None:
    """Return the polynomial around a level, its slope's uncertainty, and the sections' noise."""
    away = levels_mm - level_mm
    near = np.abs(away) < SMOOTHED_MM
    if near.sum() < LEAST_SECTIONS:
        return None
    order = min(SMOOTHED_ORDER, int(near.sum()) - 3)
    powers, solve = _make_smoother(tuple(away[near].tolist()), order)
    coefficients = solve @ widths_mm[near]
    left = widths_mm[near] - powers @ coefficients
    noise = float(np.sqrt((left @ left) / (near.sum() - order - 1)))
    slope_u = noise * float(np.sqrt(SHARED_SECTIONS) * np.linalg.norm(solve[1]))
    return coefficients, slope_u, noise


def _may_lie_in_gap(
    levels_mm: NDArray[np.float64], widths_mm: NDArray[np.float64], level_mm: float
) -> bool:
    """Whether a gap near a narrow level may hide a narrower one; a profile's ends are no gaps."""
    order = np.argsort(levels_mm)
    levels, widths = levels_mm[order], widths_mm[order]
    least = float(widths[int(np.argmin(np.abs(levels - level_mm)))])
    wider = (1 + WIDER_SHARE) * least + WIDER_MM
    for end in (int(row) for row in np.flatnonzero(np.diff(levels) > LONGEST_GAP_MM)):
        if levels[end] < level_mm:
            border = slice(end + 1, end + 1 + BORDER_SECTIONS)
        else:
            border = slice(max(0, end + 1 - BORDER_SECTIONS), end + 1)
        within = levels[end] <= level_mm <= levels[end + 1]
        long = levels[end + 1] - levels[end] > HIDING_GAP_MM
        near = long and np.abs(levels[border] - level_mm).min() < VERTEX_REACH_MM
        if within or (near and float(np.median(widths[border])) < wider):
            return True
    return False
