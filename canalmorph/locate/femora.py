"""Femora from shafts and heads: a femur is a round shaft with a head above it, beside its axis."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.femur_errors import (
    NoFemurError,
    RegistrationContradictionError,
    SideContradictionError,
)
from canalmorph.geometry.grids import average_blocks, crop_grid, turn_towards_patient
from canalmorph.geometry.lines import fit_line
from canalmorph.locate.bend import BENT, is_bent
from canalmorph.locate.continuity import end_at_break
from canalmorph.locate.field import refuse_cut_bone
from canalmorph.locate.headless import find_headless_shafts
from canalmorph.locate.heads import find_heads
from canalmorph.locate.knees import crop_knee
from canalmorph.locate.metal import find_metal
from canalmorph.locate.settings import LocateSettings
from canalmorph.locate.shafts import Chain, find_shafts
from canalmorph.locate.streaks import STREAKS, is_streaked
from canalmorph.locate.table import TABLE_CONTRADICTS, contradicts_position, find_table
from canalmorph.model.femur import Femur, HeadSphere, Side
from canalmorph.model.volume import CtVolume

#: The head's centre lies this far from the shaft axis; published offsets run from 20 to 65 mm.
HEAD_OFFSET_MM = (18.0, 80.0)
#: The shaft's axis for judging the head is taken this far below the head's centre. [mm]
BELOW_HEAD_MM = 60.0
#: The box in which a shaft's head is looked for, around its upper end. [mm]
BOX_ASIDE_MM, BOX_BELOW_MM, BOX_ABOVE_MM = 95.0, 15.0, 125.0
#: Bone around the shaft's path and the head that the crop keeps. [mm]
CROP_SHAFT_MM, CROP_HEAD_MM = 65.0, 50.0
#: The other femur's shaft lies this far from a found one, and beside it over this much. [mm]
OTHER_SHAFT_MM, OTHER_OVERLAP_MM = (60.0, 420.0), 40.0
#: Two spheres this far apart, at one height within the second and as large within the third, are
#: the condyles of a knee: common anatomy, no source. [mm]
TWIN_APART_MM, TWIN_HEIGHT_MM, TWIN_RADIUS_MM = (30.0, 75.0), 20.0, 4.0
#: A sphere at the lower end that shows this much more of its surface than the one at the upper end
#: is the head. Single condyles of the phantoms show 0.2 less than a head. [share]
MORE_OF_A_HEAD = 0.1
#: A shaft that ends this near the scan's lowest slice runs out of the scan. [mm]
LEAVES_SCAN_MM = 8.0


def locate_femurs(volume: CtVolume, settings: LocateSettings) -> tuple[Femur, ...]:
    """Return the femora of a scan, right before left; sides come from coordinates alone.

    A shaft beside a found femur whose own head was not found is returned without one. Where no
    head is in view, as on a scan of the thighs, a pair of shafts that may be femora is returned.

    Parameters
    ----------
    volume : CtVolume
        Any orientation of the grid.
    settings : LocateSettings
        Thresholds.

    Raises
    ------
    NoFemurError
        If no shaft is in view that has a femoral head or may be a femur's without it in view.
    FieldOfViewError
        If that is so because the field of view cuts the bone.
    SideContradictionError
        If two femora claim one side, or the right one lies to the left.
    RegistrationContradictionError
        If the femoral heads lie below the knees.
    """
    voxels, affine = turn_towards_patient(volume.voxels_hu, volume.index_to_lps_mm)
    source = volume.facts.source
    blocks, block_affine = average_blocks(voxels, affine, block_mm=settings.block_mm)
    chains = find_shafts(blocks, block_affine, settings)
    found = _search_heads(chains, voxels, affine, settings, source)
    bottom_mm = _lowest_slice_mm(voxels.shape, affine)
    try:
        _refuse_upside_down(found, volume, settings, bottom_mm)
    except RegistrationContradictionError:
        refuse_cut_bone(voxels, affine, chains, source)  # a shaft without its upper end has none
        raise
    headless = {} if found else find_headless_shafts(chains, blocks, block_affine, settings)
    if not found and not headless:
        refuse_cut_bone(voxels, affine, chains, source)
        raise NoFemurError(source=source, n_long_bones=len(chains))
    metal = find_metal(voxels, affine, settings)
    table = find_table(blocks, block_affine)
    contradicts = contradicts_position(table, volume.facts.patient_position)
    warnings = (TABLE_CONTRADICTS,) if contradicts else ()
    shafts: dict[Side, tuple[HeadSphere | None, Chain]] = {**found}
    shafts |= {side: (None, chain) for side, chain in headless.items()}
    if len(found) == 1:
        shafts |= _other_shaft(next(iter(found)), found, chains)
    femurs = (
        replace(
            _make_femur(volume, voxels, affine, side, *shafts[side], chains, bottom_mm),
            metal_lps_mm=metal,
            warnings=warnings,
        )
        for side in (Side.RIGHT, Side.LEFT)
        if side in shafts
    )
    ended = (end_at_break(one, chains, blocks, block_affine, settings) for one in femurs)
    return tuple(_warn_of_shape_and_streaks(one, blocks, block_affine) for one in ended)


def _warn_of_shape_and_streaks(
    femur: Femur, blocks_hu: NDArray[np.float32], index_to_lps_mm: NDArray[np.float64]
) -> Femur:
    """Return the femur with the warnings of a bent shaft and of streaks across it."""
    path, head, warnings = femur.shaft_path_lps_mm, femur.head, femur.warnings
    if head is not None and is_bent(path, float(head.centre_lps_mm[2])):
        warnings = (*warnings, BENT)
    axis = path if head is None else np.concatenate([path, head.centre_lps_mm[None]])
    if is_streaked(blocks_hu, index_to_lps_mm, axis, femur.metal_lps_mm):
        warnings = (*warnings, STREAKS)
    return replace(femur, warnings=warnings)


def _search_heads(
    chains: list[Chain],
    voxels: NDArray[np.int16],
    affine: NDArray[np.float64],
    settings: LocateSettings,
    source: str,
) -> dict[Side, tuple[HeadSphere, Chain]]:
    """Return head and shaft of each side."""
    found: dict[Side, tuple[HeadSphere, Chain]] = {}
    for chain in chains:
        if any(_share_sections(chain, other) for _, other in found.values()):
            continue
        head = _head_of(chain, voxels, affine, settings)
        if head is None:
            continue
        side = _side_of(chain, head)
        if side in found:
            if np.linalg.norm(found[side][0].centre_lps_mm - head.centre_lps_mm) < head.radius_mm:
                continue
            raise SideContradictionError(source=source)
        found[side] = (head, chain)
    if len(found) == 2:
        right, left = found[Side.RIGHT][0], found[Side.LEFT][0]
        if right.centre_lps_mm[0] > left.centre_lps_mm[0]:
            raise SideContradictionError(source=source)
    return found


def _refuse_upside_down(
    found: dict[Side, tuple[HeadSphere, Chain]],
    volume: CtVolume,
    settings: LocateSettings,
    bottom_mm: float,
) -> None:
    """Refuse a scan whose femoral heads lie at the lower ends of the shafts.

    Where every found shaft runs out of the scan, nothing can be seen at its lower end.
    """
    shares = [
        head.inlier_share
        for head, chain in found.values()
        if chain.centres_lps_mm[0, 2] > bottom_mm + LEAVES_SCAN_MM
    ]
    if found and not shares:
        return
    # Turned about the axis from front to back, as by a wrong entry of head or feet first.
    turn = np.diag([-1.0, 1.0, -1.0, 1.0])
    voxels, affine = turn_towards_patient(volume.voxels_hu, turn @ volume.index_to_lps_mm)
    blocks, block_affine = average_blocks(voxels, affine, block_mm=settings.block_mm)
    chains = find_shafts(blocks, block_affine, settings)
    try:
        below = _search_heads(chains, voxels, affine, settings, volume.facts.source)
    except SideContradictionError:
        return
    more = max(shares, default=settings.least_head_inliers - MORE_OF_A_HEAD) + MORE_OF_A_HEAD
    if any(head.inlier_share >= more for head, _ in below.values()):
        raise RegistrationContradictionError(
            source=volume.facts.source,
            finding="a femoral head lies below the knee's end of a femur",
        )


def _other_shaft(
    side: Side, found: dict[Side, tuple[HeadSphere, Chain]], chains: list[Chain]
) -> dict[Side, tuple[HeadSphere | None, Chain]]:
    """Return the shaft beside a found femur whose head was not found, so that it is not lost.

    It lies on the other side of the body, at the same height, and is about as thick: a forearm
    beside the thigh is not.
    """
    _, mine = found[side]
    opposite = Side.LEFT if side is Side.RIGHT else Side.RIGHT
    for chain in chains:
        away_mm = float(np.median(chain.centres_lps_mm[:, 0] - mine.centres_lps_mm[:, 0].mean()))
        beside = OTHER_SHAFT_MM[0] < away_mm * side.medial_x_sign < OTHER_SHAFT_MM[1]
        low = max(chain.centres_lps_mm[0, 2], mine.centres_lps_mm[0, 2])
        high = min(chain.centres_lps_mm[-1, 2], mine.centres_lps_mm[-1, 2])
        as_thick = np.median(chain.areas_mm2) > 0.6 * np.median(mine.areas_mm2)
        if beside and as_thick and high - low > OTHER_OVERLAP_MM:
            return {opposite: (None, chain)}
    return {}


def _head_of(
    chain: Chain,
    voxels: NDArray[np.int16],
    affine: NDArray[np.float64],
    settings: LocateSettings,
) -> HeadSphere | None:
    """Return the best sphere that lies where this shaft's head must lie, or None."""
    top = chain.centres_lps_mm[-1]
    aside = np.array([BOX_ASIDE_MM, BOX_ASIDE_MM, 0.0])
    box = np.stack([top - aside - [0, 0, BOX_BELOW_MM], top + aside + [0, 0, BOX_ABOVE_MM]])
    heads = [
        head
        for head in find_heads(voxels, affine, box, settings.head_radius_mm)
        if head.inlier_share >= settings.least_head_inliers
    ]
    for head in heads:
        if any(_are_condyles(head, other) for other in heads):
            continue
        point, direction = _axis_below(chain, head)
        arm = head.centre_lps_mm - point
        offset_mm = float(np.linalg.norm(arm - (arm @ direction) * direction))
        if HEAD_OFFSET_MM[0] <= offset_mm <= HEAD_OFFSET_MM[1]:
            return head
    return None


def _are_condyles(one: HeadSphere, other: HeadSphere) -> bool:
    """Whether two spheres lie beside each other as the condyles of one knee do."""
    arm = one.centre_lps_mm - other.centre_lps_mm
    low, high = TWIN_APART_MM
    return bool(
        low < np.linalg.norm(arm) < high
        and abs(arm[2]) < TWIN_HEIGHT_MM
        and abs(one.radius_mm - other.radius_mm) < TWIN_RADIUS_MM
    )


def _axis_below(chain: Chain, head: HeadSphere) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the line through the shaft's sections well below the head, or all if none are."""
    centres = chain.centres_lps_mm
    drop = head.centre_lps_mm[2] - centres[:, 2]
    below = centres[(drop > BELOW_HEAD_MM) & (drop < BELOW_HEAD_MM + 100)]
    return fit_line(below if len(below) > 4 else centres)


def _side_of(chain: Chain, head: HeadSphere) -> Side:
    """Return the side: the head lies medially, and +x is the patient's left."""
    point, direction = _axis_below(chain, head)
    at_head = point + direction * ((head.centre_lps_mm - point) @ direction)
    return Side.RIGHT if head.centre_lps_mm[0] > at_head[0] else Side.LEFT


def _share_sections(chain: Chain, other: Chain) -> bool:
    """Whether two chains lie over each other along one bone."""
    point, direction = fit_line(other.centres_lps_mm)
    arm = chain.centres_lps_mm - point
    aside = np.linalg.norm(arm - (arm @ direction)[:, None] * direction, axis=1)
    return bool(np.median(aside) < 15.0)


def _lowest_slice_mm(shape: tuple[int, ...], affine: NDArray[np.float64]) -> float:
    corners = np.array([[0, j, i, 1] for j in (0, shape[1] - 1) for i in (0, shape[2] - 1)])
    return float((corners @ affine.T)[:, 2].max())


def _joined_path(chain: Chain, chains: list[Chain]) -> NDArray[np.float64]:
    """Return the shaft's centres with those of chains that go on below it in line."""
    path = chain.centres_lps_mm
    for other in sorted(chains, key=lambda c: -float(c.centres_lps_mm[-1, 2])):
        gap_mm = path[0, 2] - other.centres_lps_mm[-1, 2]
        if other is chain or not 0 < gap_mm < 40:
            continue
        point, direction = fit_line(path[: max(10, len(path) // 3)])
        ahead = point + direction * ((other.centres_lps_mm[-1, 2] - point[2]) / direction[2])
        if np.linalg.norm(ahead - other.centres_lps_mm[-1]) < 10:
            path = np.concatenate([other.centres_lps_mm, path])
    return path


def _make_femur(
    volume: CtVolume,
    voxels: NDArray[np.int16],
    affine: NDArray[np.float64],
    side: Side,
    head: HeadSphere | None,
    chain: Chain,
    chains: list[Chain],
    bottom_mm: float,
) -> Femur:
    path = _joined_path(chain, chains)
    reach = np.array([CROP_SHAFT_MM, CROP_SHAFT_MM, 10.0])
    corner = np.full(3, CROP_HEAD_MM)
    middle = path[-1] if head is None else head.centre_lps_mm
    box = np.concatenate([path - reach, path + reach, [middle - corner, middle + corner]])
    part, part_affine = crop_grid(voxels, affine, box)
    crop = CtVolume(
        voxels_hu=part, index_to_lps_mm=part_affine, facts=volume.facts, gaps=volume.gaps
    )
    leaves_scan = bool(path[0, 2] < bottom_mm + LEAVES_SCAN_MM)
    return Femur(
        side=side,
        crop=crop,
        shaft_path_lps_mm=path,
        head=head,
        shaft_leaves_scan=leaves_scan,
        knee=None if leaves_scan else crop_knee(voxels, affine, path, volume),
    )
