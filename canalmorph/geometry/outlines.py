"""Closed outlines in a plane: calipers, areas, inscribed circles, distances."""

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy.spatial import Voronoi

#: Points on each side of an outline among which the largest circle is sought.
BETWEEN = 2
#: Of the usual options, and with the last one for points on one circle, whose cells all meet in its
#: middle: without it the library gives up on some.
ON_CIRCLES = "Qbb Qc Qz Q12"


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


@njit(cache=True, nogil=True)
def _distance_to_outline(x, y, outline):  # type: ignore[no-untyped-def]  # compiled
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


@njit(cache=True, nogil=True)
def _inside(x, y, outline):  # type: ignore[no-untyped-def]  # compiled
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


def find_inscribed_diameter(outline_mm: NDArray[np.float64]) -> float:
    """Return the diameter of the largest circle within a closed outline (m, 2) [mm].

    The circle that touches points and holds none has its centre on a vertex of their Voronoi
    diagram, so that no search can end in a smaller one. Points are added along the outline's
    sides; what lies between two of them changes the diameter by less than their distance squared
    over four radii.

    Examples
    --------
    >>> square = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]])
    >>> round(find_inscribed_diameter(square), 2)
    4.0
    """
    between = np.arange(BETWEEN)[:, None] / BETWEEN
    sides = np.roll(outline_mm, -1, axis=0) - outline_mm
    points = (outline_mm[:, None] + between * sides[:, None]).reshape(-1, 2)
    middle = points.mean(axis=0)  # far from the origin the diagram would lose digits
    centres = Voronoi(points - middle, qhull_options=ON_CIRCLES).vertices + middle
    centres = centres[find_inside(centres, outline_mm)]
    return 2.0 * float(find_distances(centres, outline_mm).max())


@njit(cache=True, nogil=True)
def _distances(points, outline, out):  # type: ignore[no-untyped-def]  # compiled
    for n in range(points.shape[0]):
        out[n] = _distance_to_outline(points[n, 0], points[n, 1], outline)


def find_distances(
    points_mm: NDArray[np.float64], outline_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the distance of each point (n, 2) to the nearest segment of an outline (m, 2) [mm]."""
    out = np.empty(len(points_mm))
    _distances(np.ascontiguousarray(points_mm), np.ascontiguousarray(outline_mm), out)
    return out


@njit(cache=True, nogil=True)
def _find_inside(points, outline, out):  # type: ignore[no-untyped-def]  # compiled
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
