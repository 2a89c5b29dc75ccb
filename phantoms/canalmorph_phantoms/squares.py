"""One slice of a phantom as squares of water and cortical bone, small ones only at borders.

The densities come from the same scene as those of `canalmorph_phantoms.raster`, each half of the
slice's thickness averaged by itself.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph_phantoms.raster import fill_voxels

#: Edges of squares at borders of bone, and of the lattice over the whole body. [mm]
FINE_MM, _COARSE_MM = 0.25, 2.0
#: Shares are exact along x, by three lines across a pixel along y: so many pixels are stacked.
_SUB_ROWS = 3
#: A block of pixels becomes one square where its densities differ by less than this. [HU]
_BORDER_RANGE_HU, _SOFT_RANGE_HU = 60.0, 60.0
#: Bone is where the coarse lattice reads more than this. [HU]
_BONE_HU = 150.0
#: Water with dissolved salts up to this reading, a mixture with bone mineral above it. [HU]
_WATER_LIKE_HU = 100.0
#: Half extents of the field that the projections hold, about the isocentre. [mm]
_HALF_X_MM, _HALF_Y_MM = 212.0, 148.0
_NOWHERE = (0.0, 0.0, 0.0, 0.0)


@njit(cache=True)
def _merge(
    image: NDArray[np.float32],
    first: NDArray[np.float64],
    pixel: float,
    levels: int,
    most_hu: float,
    hole: NDArray[np.float64],
    bone_hu: float,
) -> NDArray[np.float64]:
    """Return squares ``(x, y, edge, water, bone)`` of an image, alike pixels made one square."""
    block = 2**levels
    out = np.empty((image.size, 5))
    n = 0
    for j0 in range(0, image.shape[0], block):
        for i0 in range(0, image.shape[1], block):
            y0, x0 = first[0] + (j0 - 0.5) * pixel, first[1] + (i0 - 0.5) * pixel
            if hole[0] - 0.01 <= y0 < hole[1] - 0.01 and hole[2] - 0.01 <= x0 < hole[3] - 0.01:
                continue
            done = np.zeros((block, block), dtype=np.bool_)
            size = block
            while size >= 1:
                for j in range(0, block, size):
                    for i in range(0, block, size):
                        if done[j, i]:
                            continue
                        part = image[j0 + j : j0 + j + size, i0 + i : i0 + i + size]
                        if size > 1 and part.max() - part.min() > most_hu:
                            continue
                        done[j : j + size, i : i + size] = True
                        hu = 0.0
                        for value in part.flat:
                            hu += float(value)
                        hu /= size * size
                        if hu <= -999.0:
                            continue
                        out[n, 0] = x0 + (i + 0.5 * size) * pixel
                        out[n, 1] = y0 + (j + 0.5 * size) * pixel
                        out[n, 2] = size * pixel
                        out[n, 3], out[n, 4] = _split(hu, bone_hu)
                        n += 1
                size //= 2
    return out[:n].copy()


@njit(cache=True)
def _split(hu: float, bone_hu: float) -> tuple[float, float]:
    """Return water and bone, as shares of their table densities, that together read `hu`."""
    if hu <= _WATER_LIKE_HU:
        return 1.0 + 0.001 * hu, 0.0
    if hu >= bone_hu:
        return 0.0, (1000.0 + hu) / (1000.0 + bone_hu)
    bone = (hu - _WATER_LIKE_HU) / (bone_hu - _WATER_LIKE_HU)
    return (1.0 - bone) * (1.0 + 0.001 * _WATER_LIKE_HU), bone


def _fill(
    box: tuple[float, float, float, float],
    edge_mm: float,
    z_mm: float,
    thickness_mm: float,
    scene: tuple[NDArray[np.float64], ...],
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return the densities of both halves of a slice in a box, and the first pixel's centre."""
    y0, y1, x0, x1 = box
    rows, columns, half = round((y1 - y0) / edge_mm), round((x1 - x0) / edge_mm), 0.5 * thickness_mm
    size = np.array([half, edge_mm / _SUB_ROWS, edge_mm])
    first = np.array([z_mm - 0.5 * half, y0 + 0.5 * size[1], x0 + 0.5 * edge_mm])
    parts = fill_voxels((2, _SUB_ROWS * rows, columns), first, size, size, scene)
    image = parts.reshape(2, rows, _SUB_ROWS, columns).mean(axis=2)
    return image, np.array([y0 + 0.5 * edge_mm, x0 + 0.5 * edge_mm])


def _bound_bone(coarse: NDArray[np.float32]) -> tuple[float, float, float, float] | None:
    """Return the box around all bone, on the lattice of the largest squares, or None [mm]."""
    rows, columns = np.nonzero((coarse > _BONE_HU).any(axis=0))
    if not len(rows):
        return None
    edges = []
    for places, start in ((rows, -_HALF_Y_MM), (columns, -_HALF_X_MM)):
        # One coarse pixel more on either side.
        edges.append(start + 2 * _COARSE_MM * int((places.min() - 1) // 2))
        edges.append(start + 2 * _COARSE_MM * int((places.max() + 3) // 2))
    return edges[0], edges[1], edges[2], edges[3]


def list_squares(
    z_mm: float, thickness_mm: float, scene: tuple[NDArray[np.float64], ...], bone_hu: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what lies in the lower and the upper half of a slice, as squares.

    Parameters
    ----------
    z_mm, thickness_mm : float
        Middle and thickness of the slice, in scanner space. [mm]
    scene : tuple of arrays
        See `canalmorph_phantoms.build.make_scene`.
    bone_hu : float
        Reading of pure cortical bone. [HU]

    Returns
    -------
    lower, upper : (n, 5) float array
        x, y and edge [mm]; shares of water and of cortical bone.

    Raises
    ------
    ValueError
        If the body reaches the border of the field that the projections hold.
    """
    field = (-_HALF_Y_MM, _HALF_Y_MM, -_HALF_X_MM, _HALF_X_MM)
    coarse, first = _fill(field, _COARSE_MM, z_mm, thickness_mm, scene)
    rim = float(max(coarse[:, :, [0, -1]].max(), coarse[:, [0, -1]].max()))
    if rim > -950.0:
        raise ValueError(
            f"'spec' must leave the body within {2 * _HALF_X_MM:g} x {2 * _HALF_Y_MM:g} mm about "
            f"the isocentre, without table, got {rim:.0f} HU at the rim at z = {z_mm:g} mm."
        )
    hole = _bound_bone(coarse)
    fine = None if hole is None else _fill(hole, FINE_MM, z_mm, thickness_mm, scene)
    halves = []
    for n in range(2):
        soft = _merge(
            coarse[n], first, _COARSE_MM, 1, _SOFT_RANGE_HU, np.array(hole or _NOWHERE), bone_hu
        )
        if fine is None:
            halves.append(soft)
            continue
        image, start = fine
        bone = _merge(image[n], start, FINE_MM, 3, _BORDER_RANGE_HU, np.array(_NOWHERE), bone_hu)
        halves.append(np.concatenate([soft, bone]))
    return halves[0], halves[1]
