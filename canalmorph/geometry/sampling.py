"""Sampling of a voxel grid at points given in patient space, compiled."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray


@njit(cache=True, nogil=True, inline="always")
def _trilinear(voxels, k, j, i):  # type: ignore[no-untyped-def]  # compiled
    """Interpolate at one fractional index; NaN outside the grid."""
    nk, nj, ni = voxels.shape
    if not (k >= 0.0 and j >= 0.0 and i >= 0.0 and k <= nk - 1 and j <= nj - 1 and i <= ni - 1):
        return np.nan
    k0 = min(int(k), nk - 2)
    j0 = min(int(j), nj - 2)
    i0 = min(int(i), ni - 2)
    a = k - k0
    b = j - j0
    c = i - i0
    low = (1 - b) * ((1 - c) * voxels[k0, j0, i0] + c * voxels[k0, j0, i0 + 1]) + b * (
        (1 - c) * voxels[k0, j0 + 1, i0] + c * voxels[k0, j0 + 1, i0 + 1]
    )
    high = (1 - b) * ((1 - c) * voxels[k0 + 1, j0, i0] + c * voxels[k0 + 1, j0, i0 + 1]) + b * (
        (1 - c) * voxels[k0 + 1, j0 + 1, i0] + c * voxels[k0 + 1, j0 + 1, i0 + 1]
    )
    return (1 - a) * low + a * high


@njit(parallel=True, cache=True, nogil=True)
def _sample_points(voxels, lps_to_index, points, out):  # type: ignore[no-untyped-def]  # compiled
    for n in prange(points.shape[0]):
        x, y, z = points[n, 0], points[n, 1], points[n, 2]
        out[n] = _trilinear(
            voxels,
            lps_to_index[0, 0] * x
            + lps_to_index[0, 1] * y
            + lps_to_index[0, 2] * z
            + lps_to_index[0, 3],
            lps_to_index[1, 0] * x
            + lps_to_index[1, 1] * y
            + lps_to_index[1, 2] * z
            + lps_to_index[1, 3],
            lps_to_index[2, 0] * x
            + lps_to_index[2, 1] * y
            + lps_to_index[2, 2] * z
            + lps_to_index[2, 3],
        )


@njit(parallel=True, cache=True, nogil=True)
def _sample_rays(voxels, lps_to_index, starts, steps, out):  # type: ignore[no-untyped-def]  # compiled
    n_samples = out.shape[1]
    for n in prange(starts.shape[0]):
        index = np.empty(3)
        step = np.empty(3)
        for r in range(3):
            index[r] = lps_to_index[r, 3]
            step[r] = 0.0
            for c in range(3):
                index[r] += lps_to_index[r, c] * starts[n, c]
                step[r] += lps_to_index[r, c] * steps[n, c]
        for s in range(n_samples):
            out[n, s] = _trilinear(
                voxels, index[0] + s * step[0], index[1] + s * step[1], index[2] + s * step[2]
            )


@njit(parallel=True, cache=True, nogil=True)
def _sample_planes(voxels, lps_to_index, origins, first, second, grid, out):  # type: ignore[no-untyped-def]  # compiled
    a = np.zeros(3)
    b = np.zeros(3)
    for r in range(3):
        for c in range(3):
            a[r] += lps_to_index[r, c] * first[c]
            b[r] += lps_to_index[r, c] * second[c]
    n = grid.shape[0]
    for job in prange(origins.shape[0] * n):
        plane = job // n
        row = job % n
        start = np.empty(3)
        for r in range(3):
            start[r] = lps_to_index[r, 3] + grid[row] * a[r]
            for c in range(3):
                start[r] += lps_to_index[r, c] * origins[plane, c]
        for column in range(n):
            g = grid[column]
            out[plane, row, column] = _trilinear(
                voxels, start[0] + g * b[0], start[1] + g * b[1], start[2] + g * b[2]
            )


def sample_planes(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    origins_lps_mm: NDArray[np.float64],
    first: NDArray[np.float64],
    second: NDArray[np.float64],
    grid_mm: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Return trilinear values on parallel square planes.

    Parameters
    ----------
    voxels, index_to_lps_mm
        As in `sample_points`.
    origins_lps_mm : (n, 3) float array
        Centre of each plane. [mm]
    first, second : (3,) float arrays
        Unit vectors that span the planes.
    grid_mm : (g,) float array
        Positions along both. [mm]

    Returns
    -------
    (n, g, g) float32 array
        By plane, position along `first`, position along `second`; NaN outside the grid. [HU]
    """
    out = np.empty((len(origins_lps_mm), len(grid_mm), len(grid_mm)), dtype=np.float32)
    _sample_planes(
        voxels,
        np.linalg.inv(index_to_lps_mm),
        np.ascontiguousarray(origins_lps_mm, dtype=np.float64),
        np.ascontiguousarray(first, dtype=np.float64),
        np.ascontiguousarray(second, dtype=np.float64),
        np.ascontiguousarray(grid_mm, dtype=np.float64),
        out,
    )
    return out


def sample_points(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    points_lps_mm: NDArray[np.float64],
) -> NDArray[np.float32]:
    """Return the trilinear value at each point.

    Parameters
    ----------
    voxels : (k, j, i) int16 array
        The grid; its memory should be contiguous. [HU]
    index_to_lps_mm : (4, 4) float array
        From index to patient space. [mm]
    points_lps_mm : (..., 3) float array
        Where to sample. [mm]

    Returns
    -------
    (...) float32 array
        NaN outside the grid. [HU]
    """
    points = np.ascontiguousarray(points_lps_mm, dtype=np.float64).reshape(-1, 3)
    out = np.empty(len(points), dtype=np.float32)
    _sample_points(voxels, np.linalg.inv(index_to_lps_mm), points, out)
    return out.reshape(points_lps_mm.shape[:-1])


def sample_rays(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    starts_lps_mm: NDArray[np.float64],
    directions: NDArray[np.float64],
    *,
    step_mm: float,
    n_samples: int,
) -> NDArray[np.float32]:
    """Return trilinear profiles along rays.

    Parameters
    ----------
    voxels, index_to_lps_mm
        As in `sample_points`.
    starts_lps_mm, directions : (..., 3) float arrays
        First sample of each ray, and its unit direction. [mm]
    step_mm : float
        Distance of the samples. [mm]
    n_samples : int
        Samples on each ray.

    Returns
    -------
    (..., n_samples) float32 array
        NaN outside the grid. [HU]
    """
    starts = np.ascontiguousarray(starts_lps_mm, dtype=np.float64).reshape(-1, 3)
    steps = np.ascontiguousarray(directions, dtype=np.float64).reshape(-1, 3) * step_mm
    out = np.empty((len(starts), n_samples), dtype=np.float32)
    _sample_rays(voxels, np.linalg.inv(index_to_lps_mm), starts, steps, out)
    return out.reshape((*starts_lps_mm.shape[:-1], n_samples))
