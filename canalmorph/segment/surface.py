"""Rings as a surface: normals, directions across the wall, smoothing by local quadratics."""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import ndimage


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


@njit(cache=True, nogil=True)
def _fit_quadratic(window, values, count, solution):  # type: ignore[no-untyped-def]  # compiled
    """Fit 1, s, t, s^2, st, t^2 to values at the window's rows (s, t, weight, robust weight)."""
    normal = np.zeros((6, 6))
    basis = np.empty(6)
    solution[:] = 0.0
    for n in range(count):
        s, t = window[n, 0], window[n, 1]
        w = window[n, 2] * window[n, 3]
        if w == 0.0:
            continue
        basis[0], basis[1], basis[2] = 1.0, s, t
        basis[3], basis[4], basis[5] = s * s, s * t, t * t
        for p in range(6):
            weighted = w * basis[p]
            for q in range(values.shape[1]):
                solution[p, q] += weighted * values[n, q]
            for q in range(p + 1):
                normal[p, q] += weighted * basis[q]
    for p in range(6):
        normal[p, p] *= 1.0 + 1e-9
    _solve_six(normal, solution)


@njit(cache=True, nogil=True)
def _reweigh(window, values, count, solution):  # type: ignore[no-untyped-def]  # compiled
    """Set Tukey's weights from the residuals; return their robust standard deviation."""
    residuals = np.empty(count)
    for n in range(count):
        s, t = window[n, 0], window[n, 1]
        total = 0.0
        for q in range(values.shape[1]):
            fit = solution[0, q] + solution[1, q] * s + solution[2, q] * t
            fit += solution[3, q] * s * s + solution[4, q] * s * t + solution[5, q] * t * t
            total += (values[n, q] - fit) ** 2
        residuals[n] = np.sqrt(total)
    middle = np.median(residuals)
    scale = max(6.0 * middle, 0.05)
    for n in range(count):
        miss = residuals[n] / scale
        window[n, 3] = (1.0 - miss * miss) ** 2 if miss < 1.0 else 0.0
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
def _fill_window(values, weights, ring, ray, half_rings, rays, window, picked):  # type: ignore[no-untyped-def]  # compiled
    """Gather the known values around a point; return their number, 0 where too few surround it."""
    n, m = weights.shape
    rings = int(np.ceil(half_rings)) - 1
    known = np.zeros(5, dtype=np.int64)
    possible = np.zeros(5, dtype=np.int64)
    count = 0
    for dr in range(max(-rings, -ring), min(rings, n - 1 - ring) + 1):
        for dm in range(-rays, rays + 1):
            at = (ray + dm) % m
            finite = 1 if np.isfinite(values[ring + dr, at, 0]) else 0
            sides = (dr < 0, dr > 0, dm < 0, dm > 0, True)
            for side in range(5):
                if sides[side]:
                    possible[side] += 1
                    known[side] += finite
            if finite:
                s = dr / half_rings
                t = dm / (rays + 0.5)
                window[count, 0] = s
                window[count, 1] = t
                window[count, 2] = weights[ring + dr, at] * (1 - s * s) * (1 - t * t)
                window[count, 3] = 1.0
                picked[count] = values[ring + dr, at]
                count += 1
    if count < 12 or 2 * known[4] < possible[4]:
        return 0
    centre_known = np.isfinite(values[ring, ray, 0])
    for side in range(4):  # a quadratic must not run out beyond what is known
        if 3 * known[side] < possible[side] or not (centre_known or possible[side]):
            return 0
    return count


@njit(parallel=True, cache=True, nogil=True)
def _smooth(values, weights, positions, half_rings, half_mm, out, spread):  # type: ignore[no-untyped-def]  # compiled
    n, m, c = values.shape
    for index in prange(n):
        ring = int(np.int64(index))  # a parallel index is unsigned, and it is negated
        size = (2 * int(np.ceil(half_rings)) + 1) * (m // 3 + 3)
        window = np.empty((size, 4))
        picked = np.empty((size, c))
        solution = np.empty((6, c))
        for ray in range(m):
            rays = _rays_within(positions[ring], ray, half_mm)
            count = _fill_window(values, weights, ring, ray, half_rings, rays, window, picked)
            if count == 0:
                continue
            for _ in range(2):
                _fit_quadratic(window, picked, count, solution)
                spread[ring, ray] = _reweigh(window, picked, count, solution)
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
