"""Voxel grids: turned towards the patient's axes, cropped, and averaged to coarse blocks."""

from itertools import permutations

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


def turn_towards_patient(
    voxels: NDArray[np.int16], index_to_lps_mm: NDArray[np.float64]
) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Return a view whose k axis runs up, j to the back and i to the left, and its affine.

    Nothing is resampled: axes are swapped and flipped, whichever fits the patient's axes best.

    Examples
    --------
    >>> flipped = np.diag([-1.0, -1.0, -1.0, 1.0])
    >>> _, turned = turn_towards_patient(np.zeros((2, 3, 4), np.int16), flipped)
    >>> np.sign(turned[:3, :3]).tolist()
    [[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]]
    """
    directions = index_to_lps_mm[:3, :3] / np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    wanted = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
    fit = wanted @ directions
    order = max(permutations(range(3)), key=lambda p: sum(abs(fit[n, p[n]]) for n in range(3)))
    turned = voxels.transpose(order)
    affine = index_to_lps_mm.copy()
    affine[:3, :3] = index_to_lps_mm[:3, list(order)]
    for axis in range(3):
        if fit[axis, order[axis]] < 0:
            affine[:3, 3] += affine[:3, axis] * (turned.shape[axis] - 1)
            affine[:3, axis] *= -1
            turned = np.flip(turned, axis)
    return turned, affine


def crop_grid(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    points_lps_mm: NDArray[np.float64],
) -> tuple[NDArray[np.int16], NDArray[np.float64]]:
    """Return the smallest contiguous part of the grid that holds all points, and its affine.

    Parameters
    ----------
    voxels, index_to_lps_mm
        The grid.
    points_lps_mm : (n, 3) float array
        Patient points; those outside the grid are cut to it. [mm]
    """
    homogeneous = np.c_[points_lps_mm, np.ones(len(points_lps_mm))]
    index = (np.linalg.inv(index_to_lps_mm) @ homogeneous.T)[:3].T
    top = np.array(voxels.shape) - 1
    low = np.clip(np.floor(index.min(0)), 0, top).astype(int)
    high = np.clip(np.ceil(index.max(0)), 0, top).astype(int)
    part = np.ascontiguousarray(
        voxels[low[0] : high[0] + 1, low[1] : high[1] + 1, low[2] : high[2] + 1]
    )
    affine = index_to_lps_mm.copy()
    affine[:3, 3] += affine[:3, :3] @ low
    return part, affine


@njit(parallel=True, cache=True, nogil=True)
def _average_blocks(voxels, fk, fj, fi, out):  # type: ignore[no-untyped-def]  # compiled
    for k in prange(out.shape[0]):
        for j in range(out.shape[1]):
            for i in range(out.shape[2]):
                total = 0.0
                for a in range(fk):
                    for b in range(fj):
                        for c in range(fi):
                            total += voxels[k * fk + a, j * fj + b, i * fi + c]
                out[k, j, i] = total / (fk * fj * fi)


def average_blocks(
    voxels: NDArray[np.int16], index_to_lps_mm: NDArray[np.float64], *, block_mm: float
) -> tuple[NDArray[np.float32], NDArray[np.float64]]:
    """Return the means of blocks of about `block_mm` edge length, and their affine.

    Voxels at the far ends that fill no whole block are left out.
    """
    spacing = np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    wanted = np.maximum(1, np.round(block_mm / spacing)).astype(int)
    factors = np.minimum(wanted, voxels.shape)
    out = np.empty(tuple(np.array(voxels.shape) // factors), dtype=np.float32)
    fk, fj, fi = (int(factor) for factor in factors)
    _average_blocks(voxels, fk, fj, fi, out)
    affine = index_to_lps_mm.copy()
    affine[:3, 3] += affine[:3, :3] @ ((factors - 1) / 2)
    affine[:3, :3] = affine[:3, :3] * factors
    return out, affine
