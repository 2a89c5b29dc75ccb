"""True numbers of one section, from dense sampling of the implicit solids, never from voxels."""

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.ndimage import label
from scipy.spatial import Voronoi, cKDTree

from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.solid import CANAL_U, CANAL_V, evaluate_femur

QUADRANTS = ("medial", "posterior", "lateral", "anterior")
_MARGIN_MM = 4.0
_ANGLES_RAD = np.radians(np.arange(0.0, 180.0, 0.5))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """One closed outline of a section.

    Attributes
    ----------
    points_mm : (n, 2) float array
        Points on the exact outline, ``(u, v)``. [mm]
    weights_mm : (n,) float array
        Length of outline that each point stands for. [mm]
    area_mm2 : float
        Enclosed area. [mm2]
    centroid_mm : (2,) float array
        Centroid of the area. [mm]
    inside : (nv, nu) bool array
        Grid cells inside.
    u_mm, v_mm : (n,) float array
        The grid. [mm]
    """

    points_mm: NDArray[np.float64]
    weights_mm: NDArray[np.float64]
    area_mm2: float
    centroid_mm: NDArray[np.float64]
    inside: NDArray[np.bool_]
    u_mm: NDArray[np.float64]
    v_mm: NDArray[np.float64]


@njit(cache=True, parallel=True)
def _sample_grid(
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    s: float,
    p: NDArray[np.float64],
    table: NDArray[np.float64],
) -> NDArray[np.float64]:
    values = np.empty((2, v.size, u.size))
    for i in prange(v.size):
        for j in range(u.size):
            values[0, i, j], values[1, i, j] = evaluate_femur(u[j], v[i], s, p, table)
    return values


@njit(cache=True)
def _refine_crossings(
    starts: NDArray[np.float64],
    ends: NDArray[np.float64],
    s: float,
    which: int,
    p: NDArray[np.float64],
    table: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the exact crossings between inside `starts` and outside `ends`, and the normals."""
    points = np.empty_like(starts)
    normals = np.empty_like(starts)
    h = 1e-4
    for i in range(starts.shape[0]):
        lo, hi = 0.0, 1.0
        for _ in range(36):
            mid = 0.5 * (lo + hi)
            u = starts[i, 0] + mid * (ends[i, 0] - starts[i, 0])
            v = starts[i, 1] + mid * (ends[i, 1] - starts[i, 1])
            if evaluate_femur(u, v, s, p, table)[which] < 0.0:
                lo = mid
            else:
                hi = mid
        points[i, 0] = starts[i, 0] + lo * (ends[i, 0] - starts[i, 0])
        points[i, 1] = starts[i, 1] + lo * (ends[i, 1] - starts[i, 1])
        u, v = points[i, 0], points[i, 1]
        du = (
            evaluate_femur(u + h, v, s, p, table)[which]
            - evaluate_femur(u - h, v, s, p, table)[which]
        )
        dv = (
            evaluate_femur(u, v + h, s, p, table)[which]
            - evaluate_femur(u, v - h, s, p, table)[which]
        )
        norm = max((du * du + dv * dv) ** 0.5, 1e-12)
        normals[i, 0], normals[i, 1] = du / norm, dv / norm
    return points, normals


def _find_outline(
    values: NDArray[np.float64],
    u: NDArray[np.float64],
    v: NDArray[np.float64],
    s_mm: float,
    which: int,
    solid: FemurSolid,
) -> Outline:
    """Return the outline of the part that holds the shaft's centre."""
    parts, _ = label(values < 0)
    centre = solid.section_at(s_mm)
    i = int(np.argmin(np.abs(v - centre[CANAL_V])))
    j = int(np.argmin(np.abs(u - centre[CANAL_U])))
    if parts[i, j] == 0:
        raise ValueError(f"'s_mm' {s_mm:g} lies outside the femur's shaft.")
    inside = parts == parts[i, j]
    step = float(u[1] - u[0])
    points, weights = [], []
    area, moment = 0.0, np.zeros(2)
    for axis in (1, 0):
        change = np.diff(inside.astype(np.int8), axis=axis)
        a, b = np.nonzero(change)
        first = np.column_stack([u[b], v[a]])
        second = np.column_stack([u[b + 1], v[a]] if axis == 1 else [u[b], v[a + 1]])
        entering = (change[a, b] > 0)[:, None]
        found, normals = _refine_crossings(
            np.where(entering, second, first),
            np.where(entering, first, second),
            s_mm,
            which,
            solid.parameters,
            solid.table,
        )
        points.append(found)
        weights.append(step / (np.abs(normals).sum(axis=1)))
        sign = np.where(change[a, b] > 0, -1.0, 1.0)
        if axis == 1:
            area = float(step * (sign * found[:, 0]).sum())
            moment[0] = step * (sign * found[:, 0] ** 2 / 2).sum()
        else:
            moment[1] = step * (sign * found[:, 1] ** 2 / 2).sum()
    return Outline(
        points_mm=np.vstack(points),
        weights_mm=np.concatenate(weights),
        area_mm2=area,
        centroid_mm=moment / area,
        inside=inside,
        u_mm=u,
        v_mm=v,
    )


def sample_section(
    solid: FemurSolid, s_mm: float, *, step_mm: float = 0.25
) -> tuple[Outline, Outline]:
    """Return outer and canal outline of a section.

    Parameters
    ----------
    solid : FemurSolid
        The femur.
    s_mm : float
        Level above the nominal lesser trochanter. [mm]
    step_mm : float
        Distance of the lines along which the outlines are cut. [mm]

    Raises
    ------
    ValueError
        If the shaft does not reach the level.
    """
    row = solid.section_at(s_mm)
    proximal = s_mm > -55
    left = row[0] - row[2] - _MARGIN_MM - (14 if proximal else 0)
    right = row[0] + row[2] + _MARGIN_MM
    if proximal:
        right = solid.shape.head_medial_mm + solid.shape.head_radius_mm + _MARGIN_MM
    half = row[3] + _MARGIN_MM + (16 if proximal else 0)
    u = np.arange(left, right, step_mm)
    v = np.arange(row[1] - half, row[1] + half, step_mm)
    values = _sample_grid(u, v, s_mm, solid.parameters, solid.table)
    outer = _find_outline(values[0], u, v, s_mm, 0, solid)
    canal = _find_outline(values[1], u, v, s_mm, 1, solid)
    return outer, canal


def measure_caliper(outline: Outline, direction: NDArray[np.float64]) -> tuple[float, float]:
    """Return the least and greatest coordinate of an outline along a unit direction [mm]."""
    along = outline.points_mm @ direction
    return float(along.min()), float(along.max())


def measure_calipers(outline: Outline) -> tuple[float, float]:
    """Return the smallest and the largest caliper width of an outline [mm]."""
    directions = np.stack([np.cos(_ANGLES_RAD), np.sin(_ANGLES_RAD)])
    along = outline.points_mm @ directions
    widths = along.max(axis=0) - along.min(axis=0)
    return float(widths.min()), float(widths.max())


def measure_inscribed(outline: Outline) -> float:
    """Return the diameter of the largest circle inside an outline [mm].

    Its centre is a vertex of the Voronoi diagram of the outline's dense points.
    """
    centres = Voronoi(outline.points_mm - outline.centroid_mm).vertices + outline.centroid_mm
    first = np.array([outline.u_mm[0], outline.v_mm[0]])
    step = float(outline.u_mm[1] - outline.u_mm[0])
    column, row = np.rint((centres - first) / step).astype(int).T
    height, width = outline.inside.shape
    in_grid = (column >= 0) & (column < width) & (row >= 0) & (row < height)
    inside = outline.inside[np.clip(row, 0, height - 1), np.clip(column, 0, width - 1)]
    distances = cKDTree(outline.points_mm).query(centres[in_grid & inside])[0]
    return 2 * float(distances.max())


def measure_walls(outer: Outline, canal: Outline) -> dict[str, float]:
    """Return cortical thickness: minimum and mean, by quadrant and over the whole outline [mm].

    Thickness at a point of the canal's outline is the distance, in the section, to the nearest
    point of the outer outline; a mean weighs points by the length of canal outline.
    """
    thickness = cKDTree(outer.points_mm).query(canal.points_mm)[0]
    offset = canal.points_mm - canal.centroid_mm
    quarter = (np.round(np.degrees(np.arctan2(offset[:, 1], offset[:, 0])) / 90) % 4).astype(int)
    walls = {
        "cortex_min_mm": float(thickness.min()),
        "cortex_mean_mm": float(np.average(thickness, weights=canal.weights_mm)),
    }
    for index, name in enumerate(QUADRANTS):
        here = quarter == index
        walls[f"cortex_{name}_mm"] = float(
            np.average(thickness[here], weights=canal.weights_mm[here])
        )
        walls[f"cortex_{name}_min_mm"] = float(thickness[here].min())
    return walls
