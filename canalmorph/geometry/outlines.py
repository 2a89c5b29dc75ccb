"""Closed outlines in a plane: calipers, areas, inscribed circles, distances."""

import numpy as np
from numba import njit
from numpy.typing import NDArray


def find_centroids(rings_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the area centroid of each ring in space, NaN for a ring with a missing point.

    Parameters
    ----------
    rings_mm : (n, m, 3) float array
        Nearly plane, closed rings. [mm]

    Returns
    -------
    (n, 3) float array
        Centroids of the fans of triangles around each ring's mean. [mm]
    """
    middle = rings_mm.mean(axis=1, keepdims=True)
    a = rings_mm - middle
    b = np.roll(a, -1, axis=1)
    doubled = np.cross(a, b)
    normal = doubled.sum(axis=1, keepdims=True)
    signed = (doubled * normal).sum(-1)
    shift = ((a + b) / 3 * signed[..., None]).sum(axis=1) / signed.sum(axis=1)[:, None]
    return np.asarray(middle[:, 0] + shift)


@njit(cache=True)
def _distance_to_outline(x, y, outline):  # type: ignore[no-untyped-def]
    """Distance of a point to the nearest segment of a closed outline."""
    best = np.inf
    n = outline.shape[0]
    for p in range(n):
        ax, ay = outline[p, 0], outline[p, 1]
        q = p + 1 if p + 1 < n else 0
        dx, dy = outline[q, 0] - ax, outline[q, 1] - ay
        length = dx * dx + dy * dy
        t = 0.0
        if length > 0:
            t = min(max(((x - ax) * dx + (y - ay) * dy) / length, 0.0), 1.0)
        ex, ey = x - ax - t * dx, y - ay - t * dy
        best = min(best, ex * ex + ey * ey)
    return np.sqrt(best)


@njit(cache=True)
def _inside(x, y, outline):  # type: ignore[no-untyped-def]
    inside = False
    n = outline.shape[0]
    q = n - 1
    for p in range(n):
        if (outline[p, 1] > y) != (outline[q, 1] > y):
            t = (y - outline[p, 1]) / (outline[q, 1] - outline[p, 1])
            if x < outline[p, 0] + t * (outline[q, 0] - outline[p, 0]):
                inside = not inside
        q = p
    return inside


@njit(cache=True)
def _inscribed_diameter(outline):  # type: ignore[no-untyped-def]
    """Largest circle in an outline, by a pattern search from five starts."""
    cx, cy = outline[:, 0].mean(), outline[:, 1].mean()
    best = 0.0
    for start in range(5):
        x = cx + (2.0 if start == 1 else -2.0 if start == 2 else 0.0)
        y = cy + (2.0 if start == 3 else -2.0 if start == 4 else 0.0)
        if not _inside(x, y, outline):
            continue
        here = _distance_to_outline(x, y, outline)
        step = 2.0
        while step > 0.002:
            moved = False
            for d in range(8):
                nx = x + step * np.cos(d * np.pi / 4)
                ny = y + step * np.sin(d * np.pi / 4)
                if _inside(nx, ny, outline):
                    there = _distance_to_outline(nx, ny, outline)
                    if there > here:
                        x, y, here, moved = nx, ny, there, True
            if not moved:
                step *= 0.5
        best = max(best, here)
    return 2.0 * best


def find_inscribed_diameter(outline_mm: NDArray[np.float64]) -> float:
    """Return the diameter of the largest circle within a closed outline (m, 2) [mm].

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    >>> round(find_inscribed_diameter(square), 2)
    4.0
    """
    return float(_inscribed_diameter(np.ascontiguousarray(outline_mm)))


@njit(cache=True)
def _distances(points, outline, out):  # type: ignore[no-untyped-def]
    for n in range(points.shape[0]):
        out[n] = _distance_to_outline(points[n, 0], points[n, 1], outline)


def find_distances(
    points_mm: NDArray[np.float64], outline_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the distance of each point (n, 2) to the nearest segment of an outline (m, 2) [mm]."""
    out = np.empty(len(points_mm))
    _distances(np.ascontiguousarray(points_mm), np.ascontiguousarray(outline_mm), out)
    return out


@njit(cache=True)
def _find_inside(points, outline, out):  # type: ignore[no-untyped-def]
    for n in range(points.shape[0]):
        out[n] = _inside(points[n, 0], points[n, 1], outline)


def find_inside(
    points_mm: NDArray[np.float64], outline_mm: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which points (n, 2) lie within a closed outline (m, 2).

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    >>> find_inside(np.array([[1.0, 1.0], [5.0, 1.0]]), square)
    array([ True, False])
    """
    out = np.empty(len(points_mm), dtype=np.bool_)
    _find_inside(np.ascontiguousarray(points_mm), np.ascontiguousarray(outline_mm), out)
    return out


def find_area(outline_mm: NDArray[np.float64]) -> tuple[float, NDArray[np.float64]]:
    """Return the area [mm2] and the centroid (2,) [mm] of a closed outline (m, 2).

    Examples
    --------
    >>> find_area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 3.0], [0.0, 3.0]]))
    (6.0, array([1. , 1.5]))
    """
    ahead = np.roll(outline_mm, -1, axis=0)
    cross = outline_mm[:, 0] * ahead[:, 1] - ahead[:, 0] * outline_mm[:, 1]
    doubled = float(cross.sum())
    centroid = ((outline_mm + ahead) * cross[:, None]).sum(axis=0) / (3 * doubled)
    return abs(doubled) / 2, centroid
