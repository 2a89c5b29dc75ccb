"""Rings as a surface: normals, directions across the wall, smoothing by local quadratics."""

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.vectors import ANY_ORDER, find_median, sum_products

#: Rows of a window: 1, s, t, s^2, st, t^2 of its places, then these; from the last on, the values.
_WEIGHTS, _ROBUST, _SCRATCH, _VALUES = 6, 7, 8, 9


def find_normals(
    points_mm: NDArray[np.float64], axis_direction: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the outward normals of a ring surface, and their directions within the ring planes.

    Parameters
    ----------
    points_mm : (n, m, 3) float array
        Rings from below to above, each counter-clockwise about the axis. [mm]
    axis_direction : (3,) float array
        Perpendicular to the rings.

    Returns
    -------
    normals, across : (n, m, 3) float arrays
        Unit vectors; NaN where a neighbour is missing.
    """
    along_ring = np.roll(points_mm, -2, axis=1) - np.roll(points_mm, 2, axis=1)
    along_axis = np.empty_like(points_mm)
    along_axis[2:-2] = points_mm[4:] - points_mm[:-4]
    along_axis[:2] = points_mm[2:4] - points_mm[:2]
    along_axis[-2:] = points_mm[-2:] - points_mm[-4:-2]
    normals = np.cross(along_ring, along_axis)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    across = normals - (normals @ axis_direction)[..., None] * axis_direction
    across /= np.linalg.norm(across, axis=-1, keepdims=True)
    return normals, across


def find_ring_centres(points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a point well inside each ring, (n, 3): medians over its points and nine rings [mm].

    Parameters
    ----------
    points_mm : (n, m, 3) float array
        Rings with stray points; NaN where unknown. [mm]
    """
    known = np.isfinite(points_mm).any(axis=(1, 2))
    rows = np.flatnonzero(known)
    if len(rows) == 0:
        return np.full((len(points_mm), 3), np.nan)
    middle = np.nanmedian(points_mm[rows], axis=1)
    filled = np.stack(
        [np.interp(np.arange(len(points_mm)), rows, middle[:, axis]) for axis in range(3)], axis=1
    )
    steady = ndimage.median_filter(filled, size=(9, 1), mode="nearest")
    return np.asarray(ndimage.uniform_filter1d(steady, 5, axis=0, mode="nearest"))


def find_radial_rays(
    points_mm: NDArray[np.float64],
    centres_mm: NDArray[np.float64],
    first: NDArray[np.float64],
    second: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where evenly spread radii from new centres meet the rings, and the radii's directions.

    Parameters
    ----------
    points_mm : (n, m, 3) float array
        Rings; NaN where unknown. [mm]
    centres_mm : (n, 3) float array
        A point inside each ring. [mm]
    first, second : (3,) float arrays
        Unit vectors that span the rings' planes.

    Returns
    -------
    points, directions : (n, m, 3) float arrays
        Radii are interpolated between the known points: start values, no measurement. NaN where
        less than half of a ring is known. [mm]
    """
    m = points_mm.shape[1]
    angles = 2 * np.pi * np.arange(m) / m
    directions = np.cos(angles)[:, None] * first + np.sin(angles)[:, None] * second
    arms = points_mm - centres_mm[:, None, :]
    radii = np.full(points_mm.shape[:2], np.nan)
    for ring, arm in enumerate(arms):
        a, b = arm @ first, arm @ second
        order = np.argsort(np.where(np.isfinite(a), np.arctan2(b, a) % (2 * np.pi), np.inf))
        order = order[: int(np.isfinite(a).sum())]
        if len(order) < m // 2:
            continue
        at = np.arctan2(b, a)[order] % (2 * np.pi)
        radii[ring] = np.interp(angles, at, np.hypot(a, b)[order], period=2 * np.pi)
    spread = np.broadcast_to(directions, points_mm.shape)
    return centres_mm[:, None, :] + radii[..., None] * spread, spread


@njit(cache=True, nogil=True)
def _solve_six(a, b):  # type: ignore[no-untyped-def]  # compiled
    """Solve a symmetric positive system of six, given by its lower triangle, in place."""
    for c in range(6):
        pivot = a[c, c]
        for k in range(c):
            pivot -= a[c, k] * a[c, k]
        if pivot < 1e-12:
            b[:] = np.nan
            return
        a[c, c] = np.sqrt(pivot)
        for r in range(c + 1, 6):
            f = a[r, c]
            for k in range(c):
                f -= a[r, k] * a[c, k]
            a[r, c] = f / a[c, c]
    for q in range(b.shape[1]):
        for c in range(6):
            for k in range(c):
                b[c, q] -= a[c, k] * b[k, q]
            b[c, q] /= a[c, c]
        for c in range(5, -1, -1):
            for k in range(c + 1, 6):
                b[c, q] -= a[k, c] * b[k, q]
            b[c, q] /= a[c, c]


@njit(cache=True, nogil=True, fastmath=ANY_ORDER)
def _fit_quadratic(window, count, normal, solution):  # type: ignore[no-untyped-def]  # compiled
    """Fit 1, s, t, s^2, st, t^2 to the values at the window's columns."""
    weights, robust, weighted = window[_WEIGHTS], window[_ROBUST], window[_SCRATCH]
    for p in range(6):
        for n in range(count):
            weighted[n] = weights[n] * robust[n] * window[p, n]
        for value in range(solution.shape[1]):
            solution[p, value] = sum_products(weighted, window[_VALUES + value], count)
        for q in range(p + 1):
            normal[p, q] = sum_products(weighted, window[q], count)
        normal[p, p] *= 1.0 + 1e-9
    _solve_six(normal, solution)


@njit(cache=True, nogil=True, fastmath=ANY_ORDER, error_model="numpy")
def _reweigh(window, count, solution):  # type: ignore[no-untyped-def]  # compiled
    """Set Tukey's weights from the residuals; return their robust standard deviation."""
    robust, residuals = window[_ROBUST], window[_SCRATCH]
    residuals[:count] = 0.0
    for value in range(solution.shape[1]):
        c0, c1, c2 = solution[0, value], solution[1, value], solution[2, value]
        c3, c4, c5 = solution[3, value], solution[4, value], solution[5, value]
        for n in range(count):
            s, t = window[1, n], window[2, n]
            fit = c0 + c1 * s + c2 * t + c3 * s * s + c4 * s * t + c5 * t * t
            miss = window[_VALUES + value, n] - fit
            residuals[n] += miss * miss
    for n in range(count):
        residuals[n] = math.sqrt(residuals[n])
    middle = find_median(residuals, count)
    scale = max(6.0 * middle, 0.05)
    for n in range(count):
        miss = min(residuals[n] / scale, 1.0)
        robust[n] = (1.0 - miss * miss) ** 2
    return 1.4826 * middle


@njit(cache=True, nogil=True)
def _rays_within(ring_points, ray, half_mm):  # type: ignore[no-untyped-def]  # compiled
    """Return how many neighbours to each side of a ray lie within the half width."""
    m = ring_points.shape[0]
    reach = 0
    while reach < m // 6:
        reach += 1
        a = ring_points[(ray + reach) % m]
        b = ring_points[(ray - reach) % m]
        chord = np.sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)
        if not chord < 2.0 * half_mm:
            break
    return max(reach, 2)


@njit(cache=True, nogil=True)
def _fill_window(values, weights, ring, ray, half_rings, rays, window):  # type: ignore[no-untyped-def]  # compiled
    """Gather the known values around a point; return their number, 0 where too few surround it."""
    n, m, c = values.shape
    rings = math.ceil(half_rings) - 1
    first, last = max(-rings, -ring), min(rings, n - 1 - ring)
    by_ring, by_ray = 1.0 / half_rings, 1.0 / (rays + 0.5)
    count = below = above = before = behind = 0
    for dr in range(first, last + 1):
        s = dr * by_ring
        here = count
        for dm in range(-rays, rays + 1):
            at = ray + dm
            at += m if at < 0 else (-m if at >= m else 0)
            if not math.isfinite(values[ring + dr, at, 0]):
                continue
            t = dm * by_ray
            window[0, count], window[1, count], window[2, count] = 1.0, s, t
            window[3, count], window[4, count], window[5, count] = s * s, s * t, t * t
            window[_WEIGHTS, count] = weights[ring + dr, at] * (1 - s * s) * (1 - t * t)
            window[_ROBUST, count] = 1.0
            for value in range(c):
                window[_VALUES + value, count] = values[ring + dr, at, value]
            count += 1
            before += dm < 0
            behind += dm > 0
        below += (count - here) * (dr < 0)
        above += (count - here) * (dr > 0)
    width, height = 2 * rays + 1, last - first + 1
    if count < 12 or 2 * count < width * height:
        return 0
    # A quadratic must not run out beyond what is known.
    if 3 * below < -first * width or 3 * above < last * width:
        return 0
    if 3 * min(before, behind) < rays * height:
        return 0
    if (first == 0 or last == 0) and not math.isfinite(values[ring, ray, 0]):
        return 0
    return count


@njit(parallel=True, cache=True, nogil=True)
def _smooth(values, weights, positions, half_rings, half_mm, out, spread):  # type: ignore[no-untyped-def]  # compiled
    n, m, c = values.shape
    for index in prange(n):
        ring = int(np.int64(index))  # a parallel index is unsigned, and it is negated
        size = (2 * math.ceil(half_rings) + 1) * (m // 3 + 3)
        window = np.empty((_VALUES + c, size))
        normal, solution = np.empty((6, 6)), np.empty((6, c))
        for ray in range(m):
            rays = _rays_within(positions[ring], ray, half_mm)
            count = _fill_window(values, weights, ring, ray, half_rings, rays, window)
            if count == 0:
                continue
            for _ in range(2):
                _fit_quadratic(window, count, normal, solution)
                spread[ring, ray] = _reweigh(window, count, solution)
            out[ring, ray] = solution[0]


def smooth_surface(
    values_mm: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    positions_mm: NDArray[np.float64],
    *,
    ring_step_mm: float,
    half_mm: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return values smoothed by robust local quadratics over rings and rays, and their spread.

    A quadratic follows curvature, so that only what bends within the window is lost. A window
    with fewer than half its values known, or a third on any side, gives NaN, not an invention.
    To smooth a surface, give its points: smoothing offsets from a rough surface would keep the
    roughness.

    Parameters
    ----------
    values_mm : (n, m, c) float array
        Points (c = 3) or other values of each ray; NaN where unknown. [mm]
    u_mm : (n, m) float array
        Their standard uncertainties. [mm]
    positions_mm : (n, m, 3) float array
        Where the rays start, for the width of the window. [mm]
    ring_step_mm : float
        Distance of the rings. [mm]
    half_mm : (float, float)
        Half widths of the window along the axis and around it. [mm]

    Returns
    -------
    smooth : (n, m, c) float array
        Value of the quadratic at its centre. [mm]
    spread : (n, m) float array
        Robust scatter of the window. [mm]
    """
    weights = 1.0 / (np.square(np.nan_to_num(u_mm, nan=10.0)) + 0.05**2)
    out = np.full(values_mm.shape, np.nan)
    spread = np.full(values_mm.shape[:2], np.nan)
    _smooth(
        np.ascontiguousarray(values_mm),
        weights,
        np.ascontiguousarray(positions_mm),
        half_mm[0] / ring_step_mm + 0.5,  # weights fall to zero half a ring beyond the window
        half_mm[1],
        out,
        spread,
    )
    return out, spread
