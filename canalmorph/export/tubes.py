"""Fills a tube of rings on a voxel grid, compiled; only the tube's own box is touched."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from canalmorph.geometry.vectors import ANY_ORDER
from canalmorph.model.femur import Cortex


def fill_tube(
    labels: NDArray[np.uint8],
    index_to_lps_mm: NDArray[np.float64],
    cortex: Cortex,
    *,
    cortex_label: int,
    canal_label: int,
) -> None:
    """Label, in place, the voxels whose centres lie in the cortex or in the canal.

    Parameters
    ----------
    labels : (k, j, i) uint8 array
        Changed in place.
    index_to_lps_mm : (4, 4) float array
        From the index of a voxel to the place of its centre. [mm]
    cortex : Cortex
        Rings in planes perpendicular to ``axis_direction``. Between two whole rings the outlines
        are interpolated point by point; a slab with a broken ring at either end stays empty.
    cortex_label, canal_label : int
        What to write.
    """
    rings, whole = _flatten_rings(cortex)
    if whole.sum() < 2:
        return
    basis = _make_basis(cortex.axis_direction)
    # Voxel index -> (across, across, height) from the rough axis.
    to_ring = basis @ index_to_lps_mm[:3]
    to_ring[:, 3] -= basis @ cortex.axis_point_lps_mm
    low, high = _find_box(labels.shape, index_to_lps_mm, cortex.outer_lps_mm[whole])
    _fill_box(
        labels,
        low,
        high,
        to_ring,
        np.ascontiguousarray(cortex.heights_mm, dtype=np.float64),
        rings,
        whole,
        np.uint8(cortex_label),
        np.uint8(canal_label),
    )


def _make_basis(direction: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return three orthonormal rows, the last of which is `direction`."""
    across = np.eye(3)[np.argmin(np.abs(direction))]
    first = np.cross(direction, across)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(direction, first), direction])


def _flatten_rings(cortex: Cortex) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return (n, 2, 2, m + 1) in-plane outlines, closed, and which rings are whole [mm].

    The axes are ring, outer or canal, coordinate, point.
    """
    points = np.stack([cortex.outer_lps_mm, cortex.canal_lps_mm], axis=1)
    across = _make_basis(cortex.axis_direction)[:2]
    rings = np.moveaxis((points - cortex.axis_point_lps_mm) @ across.T, -1, -2)
    rings = np.concatenate([rings, rings[..., :1]], axis=-1)
    return np.ascontiguousarray(rings), np.asarray(np.isfinite(rings).all(axis=(1, 2, 3)))


def _find_box(
    shape: tuple[int, ...],
    index_to_lps_mm: NDArray[np.float64],
    points_lps_mm: NDArray[np.float64],
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Return the first and one past the last index that the points can reach, within the grid."""
    lps_to_index = np.linalg.inv(index_to_lps_mm)
    index = points_lps_mm.reshape(-1, 3) @ lps_to_index[:3, :3].T + lps_to_index[:3, 3]
    low = np.clip(np.floor(index.min(axis=0)), 0, shape).astype(np.int64)
    high = np.clip(np.ceil(index.max(axis=0)) + 1, 0, shape).astype(np.int64)
    return low, high


@njit(cache=True, nogil=True, fastmath=ANY_ORDER)
def _is_inside(ring_a, ring_b, share, x, y):  # type: ignore[no-untyped-def]  # compiled
    """Tell whether (x, y) lies inside the outline between two rings, by crossings.

    Rings are (2, m + 1), the first point again at the end.
    """
    crossings = 0
    keep = 1.0 - share
    for m in range(ring_a.shape[1] - 1):
        x0 = keep * ring_a[0, m] + share * ring_b[0, m] - x
        y0 = keep * ring_a[1, m] + share * ring_b[1, m] - y
        x1 = keep * ring_a[0, m + 1] + share * ring_b[0, m + 1] - x
        y1 = keep * ring_a[1, m + 1] + share * ring_b[1, m + 1] - y
        # The side crosses the height of the point, ahead of it.
        crossings += ((y0 > 0.0) != (y1 > 0.0)) & ((x0 * y1 < x1 * y0) == (y0 > y1))
    return crossings % 2 == 1


@njit(cache=True, nogil=True)
def _find_outer_box(rings):  # type: ignore[no-untyped-def]  # compiled
    """Return for each ring the smallest and largest coordinates of its outer outline."""
    box = np.empty((rings.shape[0], 4))
    for n in range(rings.shape[0]):
        box[n, 0] = rings[n, 0, 0].min()
        box[n, 1] = rings[n, 0, 0].max()
        box[n, 2] = rings[n, 0, 1].min()
        box[n, 3] = rings[n, 0, 1].max()
    return box


@njit(parallel=True, cache=True, nogil=True)
def _fill_box(  # type: ignore[no-untyped-def]  # compiled
    labels, low, high, to_ring, heights, rings, whole, cortex_label, canal_label
):
    box = _find_outer_box(rings)
    n_rings = heights.shape[0]
    for k in prange(low[0], high[0]):
        for j in range(low[1], high[1]):
            for i in range(low[2], high[2]):
                height = to_ring[2, 0] * k + to_ring[2, 1] * j + to_ring[2, 2] * i + to_ring[2, 3]
                if height < heights[0] or height > heights[n_rings - 1]:
                    continue
                a = min(np.searchsorted(heights, height, side="right") - 1, n_rings - 2)
                b = a + 1
                if not (whole[a] and whole[b]):
                    continue
                x = to_ring[0, 0] * k + to_ring[0, 1] * j + to_ring[0, 2] * i + to_ring[0, 3]
                y = to_ring[1, 0] * k + to_ring[1, 1] * j + to_ring[1, 2] * i + to_ring[1, 3]
                if (
                    x < min(box[a, 0], box[b, 0])
                    or x > max(box[a, 1], box[b, 1])
                    or y < min(box[a, 2], box[b, 2])
                    or y > max(box[a, 3], box[b, 3])
                ):
                    continue
                share = (height - heights[a]) / (heights[b] - heights[a])
                if _is_inside(rings[a, 0], rings[b, 0], share, x, y):
                    canal = _is_inside(rings[a, 1], rings[b, 1], share, x, y)
                    labels[k, j, i] = canal_label if canal else cortex_label
