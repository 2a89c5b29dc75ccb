"""Whether a shaft's path is one bone: a displaced fracture or a missing piece ends it."""

from collections.abc import Iterable
from dataclasses import replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lines import fit_line
from canalmorph.locate.settings import LocateSettings
from canalmorph.locate.shafts import Chain
from canalmorph.model.femur import Femur

#: Straight lines through this much of the path above and below a place are compared there. [mm]
WINDOW_MM, FEWEST_POINTS = 30.0, 6
#: Where they miss each other by more, the bone has a step: bowed femora of real surfaces and of the
#: phantoms miss by up to 1.6. [mm]
STEP_MM = 4.0
#: Near the path a slice of a shaft has at least this share of the bone of the slices beside it.
LEAST_BONE_SHARE, NEAR_MM = 0.3, 20.0
#: A bone as long that begins so far below or above the path's end, and so far beside
#: it, is the other fragment; a kneecap is shorter, and a shin begins lower. [mm]
FRAGMENT_LENGTH_MM, FRAGMENT_ASIDE_MM = 55.0, 70.0
FRAGMENT_BELOW_MM, FRAGMENT_ABOVE_MM = 40.0, 60.0
#: So much above a break is left out with it: splinters and blur. [mm]
MARGIN_MM = 8.0
#: The shaft begins this far below its head's centre, or below the uppermost round section. [mm]
BELOW_HEAD_MM, BELOW_TOP_MM = 75.0, 50.0
#: The code of the warning.
NOT_CONTINUOUS = "shaft_not_continuous"


def end_at_break(
    femur: Femur,
    chains: Iterable[Chain],
    blocks_hu: NDArray[np.float32],
    index_to_lps_mm: NDArray[np.float64],
    settings: LocateSettings,
) -> Femur:
    """Return the femur down to where its shaft is broken, with a warning; whole as it is.

    Nothing is said about what lies below: no knee, no length, no torsion.
    """
    path, head = femur.shaft_path_lps_mm, femur.head
    top_mm = path[-1, 2] - BELOW_TOP_MM if head is None else head.centre_lps_mm[2] - BELOW_HEAD_MM
    height = find_break(path, float(top_mm), chains, blocks_hu, index_to_lps_mm, settings)
    if height is None:
        return femur
    return replace(
        femur,
        shaft_path_lps_mm=cut_path(path, height),
        shaft_leaves_scan=False,
        knee=None,
        warnings=(*femur.warnings, NOT_CONTINUOUS),
    )


def find_break(
    path_lps_mm: NDArray[np.float64],
    top_mm: float,
    chains: Iterable[Chain],
    blocks_hu: NDArray[np.float32],
    index_to_lps_mm: NDArray[np.float64],
    settings: LocateSettings,
) -> float | None:
    """Return the height of the uppermost place where a shaft is broken, or None [mm].

    Parameters
    ----------
    path_lps_mm : (n, 3) float array
        Centres of its sections, from below to above. [mm]
    top_mm : float
        Where the shaft begins below the trochanters: above, centres swing to the neck.
    chains : iterable of Chain
        All long bones of the scan.
    blocks_hu, index_to_lps_mm
        The coarse grid.
    settings : LocateSettings
        What counts as bone.
    """
    path = path_lps_mm[path_lps_mm[:, 2] < top_mm]
    if len(path) < FEWEST_POINTS:
        return None
    heights = [
        *_find_steps(path),
        *_find_gaps(path, blocks_hu > settings.bone_hu, index_to_lps_mm),
        *_find_fragments(path, chains),
    ]
    return max(heights, default=None)


def cut_path(path_lps_mm: NDArray[np.float64], break_mm: float) -> NDArray[np.float64]:
    """Return the part of a path that lies clear above a break, or all of it where none does."""
    above = path_lps_mm[path_lps_mm[:, 2] > break_mm + MARGIN_MM]
    return above if len(above) > 3 else path_lps_mm


def _find_steps(path: NDArray[np.float64]) -> list[float]:
    steps = []
    for height in 0.5 * (path[1:, 2] + path[:-1, 2]):
        away = path[:, 2] - height
        sides = [path[(away * sign > 0) & (away * sign < WINDOW_MM)] for sign in (1.0, -1.0)]
        if min(len(side) for side in sides) < FEWEST_POINTS:
            continue
        above, below = (_cross(side, height) for side in sides)
        if np.linalg.norm(above - below) > STEP_MM:
            steps.append(float(height))
    return steps


def _cross(points: NDArray[np.float64], height_mm: float) -> NDArray[np.float64]:
    """Return where the straight line through points crosses a height."""
    point, direction = fit_line(points)
    return np.asarray(point + direction * ((height_mm - point[2]) / direction[2]))


def _find_gaps(
    path: NDArray[np.float64], bone: NDArray[np.bool_], affine: NDArray[np.float64]
) -> list[float]:
    """Return the heights of slices that the path passes over and that hold no bone there."""
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    to_index = np.asarray(np.linalg.inv(affine), dtype=np.float64)
    gaps = []
    for below, above in pairwise(path):
        n_missing = round(float(above[2] - below[2]) / spacing[0]) - 1
        if n_missing < 1:
            continue
        beside = min(_count_near(bone, to_index, spacing, point) for point in (below, above))
        for share in (np.arange(n_missing) + 1) / (n_missing + 1):
            point = np.asarray(below + float(share) * (above - below), dtype=np.float64)
            if _count_near(bone, to_index, spacing, point) < LEAST_BONE_SHARE * beside:
                gaps.append(float(point[2]))
    return gaps


def _count_near(
    bone: NDArray[np.bool_],
    to_index: NDArray[np.float64],
    spacing_mm: NDArray[np.floating],
    point: NDArray[np.floating],
) -> int:
    """Return how many blocks of bone lie near a point in its slice."""
    k, j, i = (to_index @ np.append(point, 1.0))[:3]
    plane = bone[int(np.clip(np.rint(k), 0, len(bone) - 1))]
    rows, columns = np.nonzero(plane)
    away = np.hypot((rows - j) * spacing_mm[1], (columns - i) * spacing_mm[2])
    return int((away < NEAR_MM).sum())


def _find_fragments(path: NDArray[np.float64], chains: Iterable[Chain]) -> list[float]:
    """Return the path's end where another long bone begins beside it."""
    end = path[0]
    lower = path[path[:, 2] < end[2] + WINDOW_MM]
    for chain in chains:
        top = chain.centres_lps_mm[-1]
        if chain.length_mm < FRAGMENT_LENGTH_MM or (path == chain.centres_lps_mm[0]).all(1).any():
            continue
        begins = -FRAGMENT_BELOW_MM < top[2] - end[2] < FRAGMENT_ABOVE_MM
        goes_on = chain.centres_lps_mm[0, 2] < end[2] - WINDOW_MM
        beside = float(np.linalg.norm(_cross(lower, float(top[2])) - top))
        if begins and goes_on and STEP_MM < beside < FRAGMENT_ASIDE_MM:
            return [float(max(end[2], top[2]))]
    return []
