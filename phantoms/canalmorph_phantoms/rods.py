"""The widest straight rod in the true canal, by trying lines: no programme, no derivative.

Lines between the planes of the two end levels are tried on a grid, then lines at random around the
best of them, nearer and nearer. The distances are those to points on the exact canal.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.section import sample_section

#: Sections of the canal are this far apart. [mm]
STEP_MM = 1.0
#: The first grid's half-width and step. [mm]
_REACH_MM, _FIRST_MM = 4.0, 1.0
#: How many lines are refined; the random moves' last size [mm], and how many of each size.
_KEPT, _LAST_MM, _N_MOVES = 6, 0.002, 4000


@dataclass(frozen=True, slots=True, kw_only=True)
class TrueRod:
    """The widest rod between two levels.

    Attributes
    ----------
    diameter_mm : float
        [mm]
    top_mm, bottom_mm : (2,) tuple of float
        Where its axis meets both planes, as (medial, posterior) from the shaft axis. [mm]
    """

    diameter_mm: float
    top_mm: tuple[float, float]
    bottom_mm: tuple[float, float]


@njit(cache=True)
def _measure_line(
    ends: NDArray[np.float64], points: NDArray[np.float64], length: float, enough: float
) -> float:
    """Return the smallest distance of points (n, 3) to a line, or less than `enough` early.

    The points' heights count from 0 at the upper end to -1 at the lower.
    """
    du, dv = ends[0] - ends[2], ends[1] - ends[3]
    scale = 1.0 / (length * length + du * du + dv * dv)
    best = 1e30
    for i in range(points.shape[0]):
        down = points[i, 2]
        x = points[i, 0] - ends[0] - du * down
        y = points[i, 1] - ends[1] - dv * down
        lean = x * du + y * dv
        best = min(best, x * x + y * y - lean * lean * scale)
        if best < enough * enough:
            return float(np.sqrt(best))
    return float(np.sqrt(best))


@njit(cache=True)
def _try_lines(
    centre: NDArray[np.float64],
    moves: NDArray[np.float64],
    points: NDArray[np.float64],
    length: float,
    kept: int,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the `kept` best lines of a grid around one, (kept, 4), and their distances."""
    lines = np.repeat(centre, kept).reshape(4, kept).T.copy()
    found = np.full(kept, -1.0)
    n = moves.size
    ends = np.empty(4)
    for code in range(n**4):
        rest = code
        for axis in range(4):
            ends[axis] = centre[axis] + moves[rest % n]
            rest //= n
        worst = int(np.argmin(found))
        distance = _measure_line(ends, points, length, found[worst])
        if distance > found[worst]:
            found[worst] = distance
            lines[worst] = ends
    return lines, found


@njit(cache=True)
def _wander(
    line: NDArray[np.float64],
    distance: float,
    moves: NDArray[np.float64],
    points: NDArray[np.float64],
    length: float,
) -> float:
    """Move a line, in place, by every move that widens its rod; return the last distance."""
    for number in range(moves.shape[0]):
        moved = line + moves[number]
        there = _measure_line(moved, points, length, distance)
        if there > distance:
            line[:] = moved
            distance = there
    return distance


def find_widest_rod(
    solid: FemurSolid, lt_mm: float, *, bottom_mm: float, top_mm: float = 0.0
) -> TrueRod:
    """Return the widest straight rod in the true canal between two levels.

    Parameters
    ----------
    solid : FemurSolid
        The femur.
    lt_mm : float
        Nominal level of its lesser trochanter. [mm]
    bottom_mm, top_mm : float
        Levels above the lesser trochanter. [mm]
    """
    levels = np.arange(top_mm, bottom_mm - STEP_MM / 2, -STEP_MM)
    sections = [sample_section(solid, float(level) + lt_mm)[1] for level in levels]
    points = np.vstack(
        [
            np.column_stack([one.points_mm, np.full(len(one.points_mm), level)])
            for one, level in zip(sections, levels, strict=True)
        ]
    )
    return search_rod(points, sections[0].centroid_mm, sections[-1].centroid_mm)


def search_rod(
    points_mm: NDArray[np.float64], top_mm: NDArray[np.float64], bottom_mm: NDArray[np.float64]
) -> TrueRod:
    """Return the widest rod among points (n, 3) that descend, from a line between two points."""
    steps = np.arange(-_REACH_MM, _REACH_MM + _FIRST_MM / 2, _FIRST_MM)
    start = np.concatenate([top_mm, bottom_mm])
    generator = np.random.default_rng(1)
    top, length = points_mm[0, 2], float(points_mm[0, 2] - points_mm[-1, 2])
    # In any order a line that cuts the canal is soon found out.
    points = generator.permutation((points_mm - [0.0, 0.0, top]) / [1.0, 1.0, length])
    lines, found = _try_lines(start, steps, points, length, _KEPT)
    size = _FIRST_MM
    while size > _LAST_MM:
        moves = size * generator.standard_normal((_N_MOVES, 4))
        for number in range(_KEPT):
            found[number] = _wander(lines[number], found[number], moves, points, length)
        size *= 0.6
    best = lines[int(np.argmax(found))]
    return TrueRod(
        diameter_mm=2 * float(found.max()),
        top_mm=(float(best[0]), float(best[1])),
        bottom_mm=(float(best[2]), float(best[3])),
    )
