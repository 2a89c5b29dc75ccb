"""Measures of one section: calipers, areas, inscribed circle and walls, with uncertainty."""

import math
from typing import NamedTuple

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph.geometry.outlines import (
    find_area,
    find_distances,
    find_inscribed_diameter,
)

#: A caliper whose jaw rests this near a gap of the outline is not trusted. [points]
GAP_REACH = 2
#: An outline with more unknown points than this share has no area.
LARGEST_GAP_SHARE = 0.05
#: A quarter with a longer gap, as seen from the canal's middle, has no wall. [deg]
LONGEST_WALL_GAP_DEG = 20.0
#: Directions of the smallest and largest caliper.
CALIPER_ANGLES = np.radians(np.arange(0.0, 180.0, 2.0))
#: Parts of an outline whose edges err independently.
INDEPENDENT_PARTS = 8.0
QUARTERS = ("medial", "posterior", "lateral", "anterior")


class SectionMeasures(NamedTuple):
    """Measures of a section by column name, and their standard uncertainties [mm, mm2].

    The shared part moves all of its points together: scan-wide density, blur and kernel do.
    """

    values: dict[str, float]
    uncertainties: dict[str, float]
    shared: dict[str, float]

    def add(self, name: str, value: float, u: float, shared_u: float) -> None:
        """Add a measure."""
        self.values[name], self.uncertainties[name] = value, u
        self.shared[name] = shared_u

    def merge(self, other: "SectionMeasures") -> None:
        """Add those of another part of the section."""
        for mine, others in zip(self, other, strict=True):
            mine.update(others)


def measure_outline(
    outline_mm: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    shared_u_mm: NDArray[np.float64] | None = None,
    *,
    medial_limit_mm: float,
    medial_limit_u_mm: float = 0.0,
    plane_u_deg: float = 0.0,
    prefix: str,
    calipers_only: bool = False,
) -> SectionMeasures:
    """Return the measures of one outline and their uncertainties; what is unknown is left out.

    Parameters
    ----------
    outline_mm : (m, 2) float array
        As (medial, posterior); NaN where unknown. [mm]
    u_mm : (m,) float array
        Uncertainty of each point across the wall, its own. [mm]
    shared_u_mm : (m,) float array or None
        The part that moves all points outwards or inwards together. [mm]
    medial_limit_mm : float
        Where the head's circle ends the section medially; infinite without. [mm]
    medial_limit_u_mm : float
        Its standard uncertainty. [mm]
    plane_u_deg : float
        Standard uncertainty of the ML direction about the section's normal. [deg]
    prefix : str
        ``outer`` or ``canal``.
    calipers_only : bool
        Whether only the ML and the AP width are wanted.
    """
    found = SectionMeasures({}, {}, {})
    shared = np.zeros(len(u_mm)) if shared_u_mm is None else shared_u_mm
    outline_mm, u_mm, shared = map(np.ascontiguousarray, (outline_mm, u_mm, shared))
    known = np.asarray(np.isfinite(outline_mm).all(axis=1))
    if known.sum() < 0.5 * len(outline_mm):
        return found
    cut = np.isfinite(medial_limit_mm) and bool((outline_mm[known, 0] >= medial_limit_mm).any())
    solid = np.logical_or(known, _beyond_limit(outline_mm, known, medial_limit_mm, cut))
    for name, direction in (("ml", np.array([1.0, 0.0])), ("ap", np.array([0.0, 1.0]))):
        limit = medial_limit_mm if cut else np.inf
        width = _caliper(outline_mm, u_mm, shared, solid, direction, (limit, medial_limit_u_mm))
        if width is not None:
            turned = _turning_u_mm(outline_mm, direction, limit, plane_u_deg)
            u = float(np.hypot(width[1], turned))
            found.add(f"{prefix}_{name}_mm", width[0], u, width[2])
    # Where the head ends the section only ML widths are defined: an area would hang on the cut.
    if calipers_only or cut or (~solid).mean() > LARGEST_GAP_SHARE:
        return found
    polygon = outline_mm[known]
    u_edge = _find_rms(u_mm[known])
    area, _ = find_area(polygon)
    perimeter = float(np.linalg.norm(np.roll(polygon, -1, axis=0) - polygon, axis=1).sum())
    spans = np.ptp(polygon @ np.stack([np.cos(CALIPER_ANGLES), np.sin(CALIPER_ANGLES)]), axis=0)
    # Edges err together over a few millimetres: that many parts of the outline are independent.
    together = float(np.nanmean(shared[known]))
    u_area = perimeter * float(np.hypot(u_edge / np.sqrt(INDEPENDENT_PARTS), together))
    equivalent = 2 * float(np.sqrt(area / np.pi))
    for name, span in (("min", int(spans.argmin())), ("max", int(spans.argmax()))):
        angle = CALIPER_ANGLES[span]
        direction = np.array([np.cos(angle), np.sin(angle)])
        width = _caliper(outline_mm, u_mm, shared, solid, direction, (np.inf, 0.0))
        if width is not None:
            found.add(f"{prefix}_{name}_mm", *width)
    found.add(f"{prefix}_area_mm2", area, u_area, perimeter * together)
    by_area = 2 / (np.pi * equivalent)
    found.add(
        f"{prefix}_equivalent_mm", equivalent, by_area * u_area, by_area * perimeter * together
    )
    if prefix == "canal":
        u = float(np.hypot(np.sqrt(2.0) * u_edge, 2 * together))
        found.add("canal_inscribed_mm", find_inscribed_diameter(polygon), u, 2 * together)
    return found


def _beyond_limit(
    outline_mm: NDArray[np.float64], known: NDArray[np.bool_], limit_mm: float, cut: bool
) -> NDArray[np.bool_]:
    """Return the unknown points that lie between known ones beyond the medial limit."""
    beyond = np.zeros(len(known), dtype=bool)
    if not cut:
        return beyond
    rows = np.flatnonzero(known)
    for start, stop in zip(rows, np.roll(rows, -1), strict=True):
        gap = np.arange(start + 1, stop if stop > start else stop + len(known)) % len(known)
        if len(gap) and min(outline_mm[start, 0], outline_mm[stop, 0]) >= limit_mm:
            beyond[gap] = True
    return beyond


def _caliper(
    outline_mm: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    shared_u_mm: NDArray[np.float64],
    solid: NDArray[np.bool_],
    direction: NDArray[np.float64],
    medial_limit: tuple[float, float],
) -> tuple[float, float, float] | None:
    """Return width between two jaws, its uncertainty and what of it all points share.

    None where a jaw rests beside a gap.

    `medial_limit` is the head's line and its uncertainty; the line is infinite where not met.
    """
    x, y = direction
    found = _close_caliper(outline_mm, u_mm, shared_u_mm, solid, x, y, *medial_limit)
    return None if math.isnan(found[0]) else found


@njit(cache=True, nogil=True)
def _close_caliper(outline, u, shared, solid, x, y, limit, limit_u):  # type: ignore[no-untyped-def]  # compiled
    """Return a caliper's width, uncertainty and what of it is shared; NaN beside a gap.

    Where a jaw rests, the mean of what is known of its neighbours' uncertainties counts, and how
    far the curve through them may rise over their sides: on a circle the sagitta of a side is an
    eighth of its length times its turn.
    """
    count = len(outline)
    ends = np.empty(2)
    variance = together = bulge = 0.0
    for side in range(2):
        sign = 1.0 - 2.0 * side
        if side == 0 and x > 0.5:
            variance += limit_u**2
            if math.isfinite(limit):
                ends[0] = limit
                continue
        jaw, highest = 0, -math.inf
        for n in range(count):
            height = sign * (outline[n, 0] * x + outline[n, 1] * y)
            if outline[n, 0] <= limit and math.isfinite(height) and height > highest:
                jaw, highest = n, height
        own, others, rise = np.zeros(2), np.zeros(2), np.zeros(2)
        for k in range(-GAP_REACH, GAP_REACH + 1):
            n = (jaw + k) % count
            if not solid[n]:
                return math.nan, math.nan, math.nan
            _add_known(own, u[n])
            _add_known(others, shared[n])
            if -GAP_REACH < k < GAP_REACH:
                _add_known(rise, _find_sagitta_mm(outline, (n - 1) % count, n, (n + 1) % count))
        if own[1] == 0.0:
            return math.nan, math.nan, math.nan
        ends[side] = sign * highest
        variance += (own[0] / own[1]) ** 2
        bulge += (rise[0] / rise[1]) ** 2 if rise[1] > 0.0 else 0.0
        together += others[0] / others[1] if others[1] > 0.0 else math.nan
    common = bulge + together**2
    return ends[0] - ends[1], math.sqrt(variance + common), math.sqrt(common)


@njit(cache=True, nogil=True)
def _add_known(total, value):  # type: ignore[no-untyped-def]  # compiled
    if math.isfinite(value):
        total[0] += value
        total[1] += 1.0


@njit(cache=True, nogil=True)
def _find_sagitta_mm(outline, before, at, after):  # type: ignore[no-untyped-def]  # compiled
    """Return how far a curve may rise over the two sides that meet at a point [mm]."""
    ax, ay = outline[at, 0] - outline[before, 0], outline[at, 1] - outline[before, 1]
    bx, by = outline[after, 0] - outline[at, 0], outline[after, 1] - outline[at, 1]
    turn = math.atan2(ax * by - ay * bx, ax * bx + ay * by)
    return abs(turn) * (math.hypot(ax, ay) + math.hypot(bx, by)) / 16


def _turning_u_mm(
    outline_mm: NDArray[np.float64],
    direction: NDArray[np.float64],
    medial_limit_mm: float,
    plane_u_deg: float,
) -> float:
    """Return half the change of a caliper over a turn by the plane's uncertainty both ways [mm]."""
    if plane_u_deg == 0.0:
        return 0.0
    x, y = direction
    angle = math.radians(plane_u_deg)
    cosine, sine = math.cos(angle), math.sin(angle)
    one, other = (
        _find_span_mm(
            outline_mm, cosine * x - sign * sine * y, cosine * y + sign * sine * x, medial_limit_mm
        )
        for sign in (1.0, -1.0)
    )
    return float(abs(one - other)) / 2


@njit(cache=True, nogil=True)
def _find_span_mm(outline, x, y, limit):  # type: ignore[no-untyped-def]  # compiled
    """Return the extent along a direction of what is known within the limit; 0 of under three."""
    low, high, count = math.inf, -math.inf, 0
    for n in range(len(outline)):
        along = outline[n, 0] * x + outline[n, 1] * y
        if outline[n, 0] <= limit and math.isfinite(along):
            low, high, count = min(low, along), max(high, along), count + 1
    return high - low if count > 2 else 0.0


def measure_walls(
    outer_mm: NDArray[np.float64],
    canal_mm: NDArray[np.float64],
    outer_u_mm: NDArray[np.float64],
    canal_u_mm: NDArray[np.float64],
    shared_u_mm: NDArray[np.float64] | None = None,
) -> SectionMeasures:
    """Return cortical thickness by quarters: distance of canal points to the outer outline.

    A quarter is 90 degrees about the canal's centroid, around the medial, posterior, lateral and
    anterior direction. Means weigh points by the length of canal outline that they stand for. A
    quarter with a gap is left out: what is known beside it may be another thickness.

    Parameters
    ----------
    outer_mm, canal_mm : (m, 2) float arrays
        Outlines as (medial, posterior); NaN where unknown. [mm]
    outer_u_mm, canal_u_mm : (m,) float arrays
        Uncertainty of each point. [mm]
    shared_u_mm : (m,) float array or None
        By how much both surfaces together may thicken or thin the wall everywhere. [mm]
    """
    found = SectionMeasures({}, {}, {})
    outer_known = np.isfinite(outer_mm).all(axis=1)
    known = np.isfinite(canal_mm).all(axis=1)
    if outer_known.mean() < 1 - LARGEST_GAP_SHARE or known.mean() < 0.5:
        return found
    arms = canal_mm - find_area(canal_mm[known])[1]
    angles = np.degrees(np.arctan2(arms[:, 1], arms[:, 0]))
    quarter = np.round(angles / 90.0) % 4
    broken = _broken_quarters(angles[known])
    walls = np.full(len(canal_mm), np.nan)
    walls[known] = find_distances(canal_mm[known], outer_mm[outer_known])
    ahead = np.linalg.norm(np.roll(canal_mm, -1, axis=0) - canal_mm, axis=1)
    lengths = np.nan_to_num(ahead) + np.nan_to_num(np.roll(ahead, 1))
    u_points = np.hypot(np.nanmean(outer_u_mm), canal_u_mm)
    shared = np.zeros(len(canal_mm)) if shared_u_mm is None else shared_u_mm
    for number, name in enumerate(QUARTERS):
        here = known & (quarter == number)
        if number in broken or here.sum() < 3 or lengths[here].sum() == 0:
            continue
        wall = float(np.average(walls[here], weights=lengths[here]))
        together = float(np.nanmean(shared[here]))
        own = _find_rms(u_points[here]) / np.sqrt(INDEPENDENT_PARTS / 4)
        found.add(f"cortex_{name}_mm", wall, float(np.hypot(own, together)), together)
    if known.mean() >= 1 - LARGEST_GAP_SHARE and len(found.values) == len(QUARTERS):
        own, together = _find_rms(u_points), float(np.nanmean(shared[known]))
        least = float(walls[known].min())
        found.add("cortex_min_mm", least, float(np.hypot(own, together)), together)
        mean = float(np.average(walls[known], weights=lengths[known]))
        u = float(np.hypot(own / np.sqrt(INDEPENDENT_PARTS), together))
        found.add("cortex_mean_mm", mean, u, together)
    return found


def _find_rms(values: NDArray[np.float64]) -> float:
    """Return the root of the mean square of what is known: a patch that is known badly weighs."""
    return float(np.sqrt(np.nanmean(np.square(values))))


def _broken_quarters(angles_deg: NDArray[np.float64]) -> set[int]:
    """Return the quarters that hold a long gap between neighbouring known points."""
    turns = (np.roll(angles_deg, -1) - angles_deg + 180.0) % 360.0 - 180.0
    way = float(np.sign(np.median(turns)))  # outlines run either way round
    broken: set[int] = set()
    for start, turn in zip(angles_deg, (way * turns + 90.0) % 360.0 - 90.0, strict=True):
        if turn > LONGEST_WALL_GAP_DEG:
            gap = start + way * np.arange(1.0, turn)
            broken |= {int(quarter) for quarter in np.round(gap / 90.0) % 4}
    return broken
