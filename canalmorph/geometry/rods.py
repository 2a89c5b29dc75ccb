"""The widest straight cylinder within a tube of sections.

Distances of a point to a moving line are convex, so that each step's linear programme
underestimates them: the radius never falls from step to step. The first line solves the
programme of the sections' convex hulls, which has one optimum and bounds the radius from above;
where the bound is not met, the search starts from other lines too.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

#: Directions in which the convex hulls are supported.
N_DIRECTIONS = 72
#: A step moves neither end of the axis by more than this. [mm]
LONGEST_STEP_MM = 2.0
SHORTEST_STEP_MM = 1e-4
#: A programme that promises less has found the top; and no search takes more steps. [mm]
SMALLEST_GAIN_MM, MOST_STEPS = 1e-8, 60
#: Where only an uncertainty hangs on it: in radius, and in place of an axis. [mm]
ROUGH_GAIN_MM, ROUGH_PLACE_MM = 1e-3, 1e-2
#: So many rows of a programme are solved at first, and as many of those broken are added.
N_ROWS = 80
#: How exactly a programme is solved: mirror images shall agree to rounding.
EXACTLY = {"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10}
#: A rod this much thinner than the hulls' bound might be a local optimum. [mm]
CLOSE_TO_BOUND_MM = 0.02
#: Other starts shift or turn the axis by this share of the radius.
START_SHARE = 0.5
#: A contact bears at least this share of the rod's hold.
SMALLEST_WEIGHT = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rod:
    """A straight cylinder between the first and the last section of a tube.

    Attributes
    ----------
    radius_mm : float
        [mm]
    ends_mm : (2, 2) float array
        Where its axis meets the planes of the first and the last section. [mm]
    heights_mm : (2,) float array
        Heights of these planes. [mm]
    contacts : (c,) int array
        Which of the tube's points, counted through, hold it: a rod cannot widen without cutting
        through them.
    weights : (c,) float array
        How much the radius follows an outward move of each of these points; sum 1.
    bound_mm : float
        No rod is wider than this in radius, up to the directions' number. [mm]
    """

    radius_mm: float
    ends_mm: NDArray[np.float64]
    heights_mm: NDArray[np.float64]
    contacts: NDArray[np.intp]
    weights: NDArray[np.float64]
    bound_mm: float

    @property
    def slopes(self) -> NDArray[np.float64]:
        """Move of the axis across the planes per height, upwards, shape (2,)."""
        run = float(self.heights_mm[0] - self.heights_mm[1])
        return np.asarray((self.ends_mm[0] - self.ends_mm[1]) / run)


def find_widest_rod(sections_mm: NDArray[np.float64], heights_mm: NDArray[np.float64]) -> Rod:
    """Return the widest straight cylinder within a tube, between its first and last section.

    The cylinder is cut by the planes of the two outer sections; its radius is the smallest
    distance of its axis to any point of the tube. Sections must be dense: the surface between
    points is not looked at.

    Parameters
    ----------
    sections_mm : (n, m, 2) float array
        Closed outlines around the tube, without NaN. [mm]
    heights_mm : (n,) float array
        Heights of their planes, descending or ascending. [mm]

    Raises
    ------
    ValueError
        If there are fewer than two sections or a point is unknown.
    """
    _check(sections_mm, heights_mm)
    tube = _Tube(sections_mm, heights_mm)
    first, bound = _solve_hulls(sections_mm, tube.share)
    best = tube.climb(first)
    if best[1] < bound - CLOSE_TO_BOUND_MM:
        reach = START_SHARE * max(best[1], 1.0)
        for across, turn in product(np.concatenate([np.eye(2), -np.eye(2)]), (-1.0, 1.0)):
            start = first + reach * np.stack([across, turn * across])
            if tube.is_inside(start):
                best = max(best, tube.climb(start), key=lambda found: found[1])
    ends, radius, contacts, weights = best
    return Rod(
        radius_mm=radius,
        ends_mm=ends,
        heights_mm=np.array([heights_mm[0], heights_mm[-1]]),
        contacts=contacts,
        weights=weights,
        bound_mm=bound,
    )


def follow_rod(
    rod: Rod, sections_mm: NDArray[np.float64], heights_mm: NDArray[np.float64]
) -> float:
    """Return the radius of the widest rod in another part of a tube, sought near a known one [mm].

    It is within some 0.001 mm, for how the radius changes from part to part.

    Parameters
    ----------
    rod : Rod
        The widest in a part a little higher or lower.
    sections_mm, heights_mm
        As for `find_widest_rod`.
    """
    _check(sections_mm, heights_mm)
    ends = rod.ends_mm + (heights_mm[[0, -1]] - rod.heights_mm)[:, None] * rod.slopes
    return _Tube(sections_mm, heights_mm).climb(ends, ROUGH_GAIN_MM)[1]


def find_axis_ranges(
    sections_mm: NDArray[np.float64],
    heights_mm: NDArray[np.float64],
    rod: Rod,
    slack_mm: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return how far the axis of a rod thinner by `slack_mm` may lie and lean.

    Parameters
    ----------
    sections_mm, heights_mm
        As for `find_widest_rod`.
    rod : Rod
        The widest.
    slack_mm : float
        By how much the radius may be smaller. [mm]

    Returns
    -------
    ends, slopes : (2, 2) float arrays
        Smallest and largest coordinates of the axis in the plane of the first section [mm], and
        of its slopes; row 0 the smallest.
    """
    tube = _Tube(sections_mm, heights_mm)
    run = float(heights_mm[0] - heights_mm[-1])
    found = np.array(
        [
            [
                sign * tube.reach(rod.ends_mm, rod.radius_mm - slack_mm, sign * goal)
                for sign in (-1, 1)
            ]
            for goal in (
                np.array([1.0, 0.0, 0.0, 0.0]),
                np.array([0.0, 1.0, 0.0, 0.0]),
                np.array([1.0, 0.0, -1.0, 0.0]) / run,
                np.array([0.0, 1.0, 0.0, -1.0]) / run,
            )
        ]
    ).T
    return found[:, :2], found[:, 2:]


def _check(sections_mm: NDArray[np.float64], heights_mm: NDArray[np.float64]) -> None:
    if len(sections_mm) < 2 or len(heights_mm) != len(sections_mm):
        raise ValueError(
            f"'sections_mm' must hold two sections at least and a height for each, got "
            f"{len(sections_mm)} and {len(heights_mm)}."
        )
    if not (np.isfinite(sections_mm).all() and np.isfinite(heights_mm).all()):
        raise ValueError("'sections_mm' and 'heights_mm' must be known everywhere, got NaN.")


class _Tube:
    """The points of a tube, and the distances of lines to them."""

    def __init__(self, sections_mm: NDArray[np.float64], heights_mm: NDArray[np.float64]) -> None:
        m = sections_mm.shape[1]
        self.run = float(heights_mm[0] - heights_mm[-1])
        self.share = (heights_mm[0] - heights_mm) / self.run
        self.sections = sections_mm
        self.points = sections_mm.reshape(-1, 2)
        self.down = np.repeat(self.share, m)

    def measure(
        self, ends: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Return each point's distance to the line, its arm (n, 2), and the arm's lean (n,)."""
        slope = (ends[0] - ends[1]) / self.run
        arms = self.points - (ends[0] + self.down[:, None] * (ends[1] - ends[0]))
        lean = arms @ slope / (1 + slope @ slope)
        return np.sqrt((arms**2).sum(1) - lean**2 * (1 + slope @ slope)), arms, lean

    def is_inside(self, ends: NDArray[np.float64]) -> bool:
        """Whether the line runs within every section: each is seen all around from it."""
        centres = ends[0] + self.share[:, None] * (ends[1] - ends[0])
        arms = self.sections - centres[:, None]
        angles = np.arctan2(arms[..., 1], arms[..., 0])
        turns = (np.roll(angles, -1, axis=1) - angles + np.pi) % (2 * np.pi) - np.pi
        return bool((np.abs(turns.sum(axis=1)) > np.pi).all())

    def climb(
        self, ends: NDArray[np.float64], smallest_gain_mm: float = SMALLEST_GAIN_MM
    ) -> tuple[NDArray[np.float64], float, NDArray[np.intp], NDArray[np.float64]]:
        """Return ends, radius, contacts and weights of the widest rod uphill from a line."""
        radius = float(self.measure(ends)[0].min())
        contacts, weights = np.empty(0, np.intp), np.empty(0)
        reach = LONGEST_STEP_MM
        for _ in range(MOST_STEPS):
            move, hoped, contacts, weights = self._step(ends, radius, reach)
            if hoped < radius + smallest_gain_mm:
                break
            new = float(self.measure(ends + move)[0].min())
            if new > radius:
                ends, radius = ends + move, new
            elif reach < SHORTEST_STEP_MM:
                break
            else:
                # Turning a line is not quite convex: nearer by, the programme is right.
                reach /= 4
        return ends, radius, contacts, weights

    def _linearise(
        self, ends: NDArray[np.float64], reach_mm: float
    ) -> tuple[NDArray[np.intp], NDArray[np.float64], NDArray[np.float64]]:
        """Return the points nearer than `reach_mm`, their distances, and those' slopes (n, 4)."""
        distances, arms, lean = self.measure(ends)
        near = np.flatnonzero(distances < reach_mm)
        slope = (ends[0] - ends[1]) / self.run
        far, arm, lean, down = distances[near], arms[near], lean[near], self.down[near]
        across = arm - lean[:, None] * slope
        turning = lean[:, None] * across / self.run
        by_top = -((1 - down)[:, None] * across + turning) / far[:, None]
        by_bottom = -(down[:, None] * across - turning) / far[:, None]
        return near, far, np.hstack([by_top, by_bottom])

    def _step(
        self, ends: NDArray[np.float64], radius: float, reach: float
    ) -> tuple[NDArray[np.float64], float, NDArray[np.intp], NDArray[np.float64]]:
        """Return the ends' best move within `reach`, the radius it promises, contacts, weights."""
        near, far, slopes = self._linearise(ends, radius + 2 * reach)
        rows = np.column_stack([-slopes, np.ones(len(near))])
        bounds = [(-reach, reach)] * 4 + [(None, None)]
        solved = _solve_programme(_WIDEST, rows, far, bounds)
        if solved is None:
            return np.zeros((2, 2)), radius, np.empty(0, np.intp), np.empty(0)
        found, weights = solved
        holding = weights > SMALLEST_WEIGHT
        return (
            np.reshape(found[:4], (2, 2)),
            float(found[4]),
            near[holding],
            np.asarray(weights[holding] / weights[holding].sum()),
        )

    def reach(self, ends: NDArray[np.float64], radius: float, goal: NDArray[np.float64]) -> float:
        """Return the largest ``goal @ ends`` of a rod of this radius."""
        value = float(goal @ ends.ravel())
        for _ in range(MOST_STEPS):
            _, far, slopes = self._linearise(ends, radius + 2 * LONGEST_STEP_MM)
            bounds = [(-LONGEST_STEP_MM, LONGEST_STEP_MM)] * 4
            solved = _solve_programme(-goal, -slopes, far - radius, bounds)
            if solved is None:
                break
            ends = ends + np.reshape(solved[0], (2, 2))
            gain, value = float(goal @ ends.ravel()) - value, float(goal @ ends.ravel())
            if gain < ROUGH_PLACE_MM * np.abs(goal).max():
                break
        return value


def _solve_hulls(
    sections_mm: NDArray[np.float64], share: NDArray[np.float64]
) -> tuple[NDArray[np.float64], float]:
    """Return the axis' ends, and the radius, of the widest rod within the convex hulls."""
    angles = 2 * np.pi * np.arange(N_DIRECTIONS) / N_DIRECTIONS
    normals = np.stack([np.cos(angles), np.sin(angles)], axis=1)
    reach = (sections_mm @ normals.T).max(axis=1)
    top = (1 - share)[:, None, None] * normals
    bottom = share[:, None, None] * normals
    rows = np.concatenate([top, bottom, np.ones((*reach.shape, 1))], axis=-1)
    solved = _solve_programme(_WIDEST, rows.reshape(-1, 5), reach.ravel(), [(None, None)] * 5)
    if solved is None:
        raise ValueError("'sections_mm' must be closed outlines that no line can leave.")
    return np.reshape(solved[0][:4], (2, 2)), float(solved[0][4])


#: Cost of the programmes whose last unknown is the radius.
_WIDEST = np.array([0.0, 0.0, 0.0, 0.0, -1.0])


def _solve_programme(
    cost: NDArray[np.float64],
    rows: NDArray[np.float64],
    limits: NDArray[np.float64],
    bounds: Sequence[tuple[float | None, float | None]],
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return the smallest ``cost @ x`` with ``rows @ x <= limits``, and each row's weight.

    Few rows hold the optimum: it is sought on some, and those that it breaks are added until
    none is broken. None where there is no optimum.
    """
    active = np.unique(np.r_[np.argsort(limits, kind="stable")[:N_ROWS], 0 : len(rows) : 37])
    while True:
        solved = linprog(
            cost,
            A_ub=rows[active],
            b_ub=limits[active],
            bounds=bounds,
            method="highs",
            options=EXACTLY,
        )
        if solved.x is None:
            return None
        broken = rows @ solved.x - limits
        worst = np.argsort(broken, kind="stable")[::-1][:N_ROWS]
        worst = np.setdiff1d(worst[broken[worst] > 1e-9], active)
        if not len(worst):
            weights = np.zeros(len(rows))
            weights[active] = -np.asarray(solved.ineqlin.marginals)
            return np.asarray(solved.x), weights
        active = np.union1d(active, worst)
