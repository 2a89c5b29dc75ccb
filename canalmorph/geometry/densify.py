"""Rings of points joined to a smooth surface and read finer than they were measured."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.interpolate import CubicSpline


def close_small_gaps(
    points_mm: NDArray[np.float64], reach: int
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return rings whose unknown points near known ones are put in smoothly, and which are known.

    A gap is filled as a soap film would, from its rim inwards, up to `reach` points from it; the
    middle of a wider gap stays unknown.

    Parameters
    ----------
    points_mm : (n, m, c) float array
        Closed rings; NaN where unknown. [mm]
    reach : int
        How many points from a known one are filled.

    Returns
    -------
    filled : (n, m, c) float array
        The points without NaN; outside `near` they mean nothing. [mm]
    near : (n, m) bool array
        Known points, and those that were filled.
    """
    m = points_mm.shape[1]
    known: NDArray[np.bool_] = np.asarray(np.isfinite(points_mm).all(axis=-1))
    if known.all():
        return points_mm, known
    pad = min(m, 4 * reach + 4)
    wide = np.pad(points_mm, ((0, 0), (pad, pad), (0, 0)), mode="wrap")
    seen = np.pad(known, ((0, 0), (pad, pad)), mode="wrap")
    nearest = ndimage.distance_transform_edt(~seen, return_distances=False, return_indices=True)
    film = wide[tuple(nearest)]
    for _ in range(20 * reach):
        film = np.where(seen[..., None], wide, _mean_of_neighbours(film))
    inner = slice(pad, pad + m)
    near: NDArray[np.bool_] = np.asarray(ndimage.binary_dilation(seen, iterations=reach))
    return film[:, inner], near[:, inner]


def _mean_of_neighbours(values: NDArray[np.float64]) -> NDArray[np.float64]:
    edge = np.pad(values, ((1, 1), (1, 1), (0, 0)), mode="edge")
    return np.asarray(
        (edge[:-2, 1:-1] + edge[2:, 1:-1] + edge[1:-1, :-2] + edge[1:-1, 2:]) / 4.0,
    )


def densify_rings(points_mm: NDArray[np.float64], factor: int) -> NDArray[np.float64]:
    """Return closed rings joined by cubic splines along and around, `factor` times as dense.

    Parameters
    ----------
    points_mm : (n, m, c) float array
        Closed rings without NaN, n at least 2. [mm]
    factor : int
        Points for one, both ways.

    Returns
    -------
    (factor * (n - 1) + 1, factor * m, c) float array
        [mm]
    """
    n, m = points_mm.shape[:2]
    along = CubicSpline(np.arange(n), points_mm, axis=0)(
        np.arange(factor * (n - 1) + 1) / factor,
    )
    closed = np.concatenate([along, along[:, :1]], axis=1)
    around = CubicSpline(np.arange(m + 1), closed, axis=1, bc_type="periodic")
    return np.asarray(around(np.arange(factor * m) / factor))


def measure_cell_areas(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the surface area that each point of closed rings stands for, shape (n, m) [mm2]."""
    along_ring = (np.roll(points_mm, -1, axis=1) - np.roll(points_mm, 1, axis=1)) / 2.0
    along_axis = np.gradient(points_mm, axis=0)
    return np.asarray(np.linalg.norm(np.cross(along_ring, along_axis), axis=-1))
