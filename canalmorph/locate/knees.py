"""The neighbourhood of each femur's knee, from the same scan or from a second block of it."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.grids import average_blocks, crop_grid, turn_towards_patient
from canalmorph.geometry.lines import fit_line
from canalmorph.locate.continuity import NOT_CONTINUOUS
from canalmorph.locate.metal import find_metal
from canalmorph.locate.settings import LocateSettings
from canalmorph.model.femur import Femur, KneeView, Side
from canalmorph.model.volume import CtVolume, SliceGap

#: The knee lies within this of the shaft's straight continuation, and this far below the last
#: round section: condyles of long femora end 100 mm below it. [mm]
ASIDE_MM, BELOW_MM, ABOVE_MM = 66.0, 150.0, 6.0
#: The shaft's direction at its lower end is taken over this. [mm]
END_MM = 50.0
#: A femur's section in a second block is at least this large. [mm2]
LEAST_AREA_MM2 = 300.0
#: Two femora of a second block lie this far apart at least; one lies this near to where the shaft
#: of its side points. [mm]
APART_MM, LARGEST_MISS_MM = 60.0, 60.0
#: The block's first slices are looked at for femora over this. [mm]
TOP_MM = 10.0


def crop_knee(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    path_lps_mm: NDArray[np.float64],
    scan: CtVolume,
) -> KneeView:
    """Return the part of the scan below a shaft's lowest round section.

    Parameters
    ----------
    voxels, index_to_lps_mm
        The turned grid of the scan.
    path_lps_mm : (n, 3) float array
        Centres of the shaft's sections, from below to above. [mm]
    scan : CtVolume
        For its provenance and its gaps.
    """
    end = path_lps_mm[path_lps_mm[:, 2] < path_lps_mm[0, 2] + END_MM]
    _, upward = fit_line(end if len(end) > 3 else path_lps_mm)
    top = path_lps_mm[0]
    bottom = top - upward * (BELOW_MM / upward[2])
    reach = np.array([ASIDE_MM, ASIDE_MM, 0.0])
    box = np.array([top - reach, top + reach, bottom - reach, bottom + reach])
    box[:2, 2] += ABOVE_MM
    part, affine = crop_grid(voxels, index_to_lps_mm, box)
    crop = CtVolume(voxels_hu=part, index_to_lps_mm=affine, facts=scan.facts)
    crop = replace(crop, gaps=_gaps_inside(scan.gaps, crop))
    return KneeView(crop=crop, seed_lps_mm=top, second_block=False)


def _gaps_inside(gaps: tuple[SliceGap, ...], crop: CtVolume) -> tuple[SliceGap, ...]:
    """Return the gaps that cross a crop: only they matter for what is seen in it."""
    middle = np.array([*(np.array(crop.voxels_hu.shape) - 1) / 2, 1.0])
    steps = np.arange(crop.voxels_hu.shape[0], dtype=float)
    column = np.stack([steps, *[np.full(len(steps), m) for m in middle[1:]]])
    points = (crop.index_to_lps_mm @ column)[:3].T
    return tuple(gap for gap in gaps if gap.covers(points).any())


def add_knees(
    block: CtVolume, femurs: tuple[Femur, ...], settings: LocateSettings
) -> tuple[Femur, ...]:
    """Return the femora with their knees from a second block, where the first shows none.

    Parameters
    ----------
    block, femurs, settings
        As in `find_knees`.
    """
    lacking = tuple(femur for femur in femurs if _may_have_knee(femur))
    if not lacking:
        return femurs
    views = find_knees(block, femurs, settings)
    metal = find_metal(block.voxels_hu, block.index_to_lps_mm, settings)
    return tuple(
        replace(
            femur,
            knee=views.get(femur.side),
            metal_lps_mm=np.concatenate([femur.metal_lps_mm, metal]),
        )
        if _may_have_knee(femur)
        else femur
        for femur in femurs
    )


def _may_have_knee(femur: Femur) -> bool:
    """Whether a second block's knee belongs to a femur: not across a break of its shaft."""
    return femur.knee is None and NOT_CONTINUOUS not in femur.warnings


def find_knees(
    block: CtVolume, femurs: tuple[Femur, ...], settings: LocateSettings
) -> Mapping[Side, KneeView]:
    """Return the knees of a second block in the same frame of reference, by side.

    Nothing is said about the shaft between the blocks. Of two femora in the block the right one
    is the right leg's; a single one belongs to the side whose shaft points to it.

    Parameters
    ----------
    block : CtVolume
        The second block; any orientation of the grid.
    femurs : tuple of Femur
        Those of the first block.
    settings : LocateSettings
        What counts as bone.
    """
    voxels, affine = turn_towards_patient(block.voxels_hu, block.index_to_lps_mm)
    seeds = _find_sections_at_top(voxels, affine, settings)
    views = {}
    for side, seed in _assign_sides(seeds, femurs).items():
        reach = np.array([ASIDE_MM, ASIDE_MM, 0.0])
        box = np.array([seed - reach, seed + reach])
        box[:, 2] = [seed[2] + TOP_MM, seed[2] - 2 * BELOW_MM]
        part, part_affine = crop_grid(voxels, affine, box)
        crop = CtVolume(voxels_hu=part, index_to_lps_mm=part_affine, facts=block.facts)
        crop = replace(crop, gaps=_gaps_inside(block.gaps, crop))
        views[side] = KneeView(crop=crop, seed_lps_mm=seed, second_block=True)
    return views


def _find_sections_at_top(
    voxels: NDArray[np.int16], affine: NDArray[np.float64], settings: LocateSettings
) -> list[NDArray[np.float64]]:
    """Return the centres of the one or two largest, separate bones in the block's top [mm]."""
    blocks, block_affine = average_blocks(voxels, affine, block_mm=settings.block_mm)
    spacing = np.linalg.norm(block_affine[:3, :3], axis=0)
    k = blocks.shape[0] - 1 - int(min(TOP_MM / spacing[0] / 2, blocks.shape[0] - 1))
    filled = ndimage.binary_fill_holes(blocks[k] > settings.bone_hu)
    labels, count = ndimage.label(filled)
    areas = ndimage.sum_labels(filled, labels, range(1, count + 1)) * spacing[1] * spacing[2]
    found: list[NDArray[np.float64]] = []
    for number in np.argsort(-np.asarray(areas)):
        if areas[number] < LEAST_AREA_MM2 or len(found) == 2:
            break
        row, column = ndimage.center_of_mass(labels == number + 1)
        centre = (block_affine @ np.array([k, row, column, 1.0]))[:3]
        if all(abs(centre[0] - other[0]) > APART_MM for other in found):
            found.append(centre)
    return found


def _assign_sides(
    seeds: list[NDArray[np.float64]], femurs: tuple[Femur, ...]
) -> dict[Side, NDArray[np.float64]]:
    if len(seeds) == 2:
        right, left = sorted(seeds, key=lambda seed: float(seed[0]))
        both = {Side.RIGHT: right, Side.LEFT: left}
        return {femur.side: both[femur.side] for femur in femurs}
    if len(seeds) != 1:
        return {}
    misses = {femur.side: _miss_mm(femur, seeds[0]) for femur in femurs}
    side = min(misses, key=lambda name: misses[name])
    return {side: seeds[0]} if misses[side] < LARGEST_MISS_MM else {}


def _miss_mm(femur: Femur, seed: NDArray[np.float64]) -> float:
    """Return how far, from side to side, the shaft's continuation passes a point [mm]."""
    point, upward = fit_line(femur.shaft_path_lps_mm)
    ahead = point + upward * ((seed[2] - point[2]) / upward[2])
    return abs(float(ahead[0] - seed[0]))
