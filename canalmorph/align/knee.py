"""The distal femur on a coarse grid, apart from tibia and patella."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.grids import average_blocks
from canalmorph.model.femur import KneeView, Side
from canalmorph.model.volume import CtVolume

#: Edge length of the coarse grid. [mm]
BLOCK_MM = 1.2
#: What counts as bone on it: above muscle, cartilage and contrast's rim, below a thin shell that is
#: averaged over a block. [HU]
BONE_HU = 220.0
#: Bridges across the joint up to twice this are cut, thinner ones first. [mm]
EROSIONS_MM = (0.0, 0.8, 1.5, 2.5, 4.0, 6.0)
#: Where bone runs on below the condyles, its section shrinks to this share of the largest and
#: grows again; there the joint is taken to lie.
WAIST_SHARE, GROWS_AGAIN = 0.75, 1.15


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DistalFemur:
    """The femur's lower end as points of a coarse grid.

    Attributes
    ----------
    points_lps_mm : (n, 3) float array
        Centres of its blocks. [mm]
    ends_in_view : bool
        False where the bone runs out of the scan or into the next bone.
    """

    points_lps_mm: NDArray[np.float64]
    ends_in_view: bool


def find_distal_femur(knee: KneeView, side: Side) -> DistalFemur | None:
    """Return the bone that goes on below the shaft's lowest section, or None where there is none.

    Bone is thresholded and filled slice by slice. Where it runs on out of the crop, bridges to the
    tibia are cut by growing erosions; a waist of the section's area is the last resort.

    Parameters
    ----------
    knee : KneeView
        The neighbourhood, k upwards, and a point of the shaft in it.
    side : Side
        Blocks are counted from lateral, so that left and right are mirror images.
    """
    voxels, affine = _count_from_lateral(knee.crop, side)
    blocks, affine = average_blocks(voxels, affine, block_mm=BLOCK_MM)
    if min(blocks.shape) < 4:
        return None
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    bone = np.stack([ndimage.binary_fill_holes(part > BONE_HU) for part in blocks])
    seed = _find_seed(bone, affine, knee.seed_lps_mm)
    if seed is None:
        return None
    bone = bone[: seed[0] + 1]
    depth = ndimage.distance_transform_edt(bone, sampling=spacing)
    whole = _keep_component(bone, seed)
    ends = False
    for erosion_mm in EROSIONS_MM:
        core = _keep_component(depth > erosion_mm, seed)
        if not core.any():
            break
        if not _touches_faces(core):
            whole, ends = _grow_back(core, bone, spacing, erosion_mm), True
            break
    if not ends:
        whole, ends = _cut_at_waist(whole)
    index = np.argwhere(whole)
    points = (np.c_[index, np.ones(len(index))] @ affine.T)[:, :3]
    return DistalFemur(points_lps_mm=points, ends_in_view=ends)


def _count_from_lateral(
    crop: CtVolume, side: Side
) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Return the grid with i from lateral to medial, and its affine."""
    voxels, affine = crop.voxels_hu, crop.index_to_lps_mm
    if affine[0, 2] * side.medial_x_sign > 0:
        return voxels, affine
    flipped = affine.copy()
    flipped[:3, 3] += affine[:3, 2] * (voxels.shape[2] - 1)
    flipped[:3, 2] *= -1
    return np.ascontiguousarray(voxels[:, :, ::-1]), flipped


def _find_seed(
    bone: NDArray[np.bool_], affine: NDArray[np.float64], seed_lps_mm: NDArray[np.float64]
) -> tuple[int, int, int] | None:
    """Return the deepest block of the section nearest the seed, in the seed's slice."""
    index = (np.linalg.inv(affine) @ np.append(seed_lps_mm, 1.0))[:3]
    k = int(np.clip(round(float(index[0])), 0, bone.shape[0] - 1))
    labels, count = ndimage.label(bone[k])
    if count == 0:
        return None
    rows, columns = np.nonzero(labels)
    nearest = int(np.argmin(np.hypot(rows - index[1], columns - index[2])))
    part = labels == labels[rows[nearest], columns[nearest]]
    inner = ndimage.distance_transform_edt(part)
    j, i = np.unravel_index(int(np.argmax(inner)), inner.shape)
    return k, int(j), int(i)


def _keep_component(mask: NDArray[np.bool_], seed: tuple[int, int, int]) -> NDArray[np.bool_]:
    labels, _ = ndimage.label(mask)
    return np.asarray((labels == labels[seed]) & mask)


def _touches_faces(mask: NDArray[np.bool_]) -> bool:
    """Whether a component reaches any face of the crop but the upper one."""
    faces = (mask[0], mask[:, 0], mask[:, -1], mask[:, :, 0], mask[:, :, -1])
    return any(bool(face.any()) for face in faces)


def _grow_back(
    core: NDArray[np.bool_],
    bone: NDArray[np.bool_],
    spacing_mm: NDArray[np.float64],
    erosion_mm: float,
) -> NDArray[np.bool_]:
    if erosion_mm == 0.0:
        return core
    away = ndimage.distance_transform_edt(~core, sampling=spacing_mm)
    return np.asarray(bone & (away <= erosion_mm + 0.5 * float(spacing_mm.min())))


def _cut_at_waist(mask: NDArray[np.bool_]) -> tuple[NDArray[np.bool_], bool]:
    """Return the bone above the narrowest section below the largest, and whether there is one."""
    areas = ndimage.gaussian_filter1d(mask.sum(axis=(1, 2)).astype(float), 1.0)
    largest = _highest_maximum(areas)
    below = areas[:largest]
    if len(below) < 3:
        return mask, False
    waist = int(np.argmin(below))
    if below[waist] > WAIST_SHARE * areas[largest]:
        return mask, False
    if waist > 0 and below[:waist].max() < GROWS_AGAIN * below[waist]:
        return mask, False
    cut = mask.copy()
    cut[: waist + 1] = False
    return cut, True


def _highest_maximum(areas: NDArray[np.float64]) -> int:
    """Return the uppermost slice from which the area falls by a quarter again: the condyles."""
    best = len(areas) - 1
    for k in range(len(areas) - 1, -1, -1):
        if areas[k] > areas[best]:
            best = k
        elif areas[k] < WAIST_SHARE * areas[best] and areas[best] > 1.5 * areas[-1]:
            return best
    return int(np.argmax(areas))
