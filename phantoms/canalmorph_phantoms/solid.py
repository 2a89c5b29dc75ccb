"""The femur as two implicit solids, outer and canal, in its own frame; compiled.

Negative inside; near the surface the value approximates the distance. Every union is smooth with
a finite width, so that a section of the shaft away from the trochanters is the exact ellipse of
the table.
"""

from math import atan2, cos, hypot, sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

# Columns of the section table.
OUTER_U, OUTER_V, OUTER_A, OUTER_B, CANAL_U, CANAL_V, CANAL_A, CANAL_B, SHELL = range(9)
N_COLUMNS = 9

# Places of the parameters in the flat array that the compiled functions take.
(
    P_S0,
    P_DS,
    P_TOP,
    P_HEAD_U,
    P_HEAD_V,
    P_HEAD_S,
    P_HEAD_R,
    P_NECK_SIN,
    P_NECK_COS,
    P_NECK_R,
    P_NECK_RATIO,
    P_NECK_NARROW,
    P_NECK_LENGTH,
    P_SHELL,
    P_DISTAL,
    P_COND_R,
    P_COND_HALF,
    P_COND_U,
    P_COND_V,
    P_COND_COS,
    P_COND_SIN,
    P_LT_BLEND,
    P_CUT_DISTAL,
    P_EPI_R,
    P_EPI_ALONG,
    P_EPI_BACK,
) = range(26)
#: Tapered capsules follow the scalars: (u, v, s, r) twice and the blend width, nine numbers each.
P_CAPSULES = 26
#: The last two, of the lesser trochanter, are absent where their first radius is 0.
N_CAPSULES = 9
CAPSULE_SIZE = 9
#: Waves around the shaft's ellipses: first those of the outer surface, then of the canal; order,
#: share, phase and turn, four numbers each.
P_WAVES = P_CAPSULES + N_CAPSULES * CAPSULE_SIZE
N_WAVES = 3
WAVE_SIZE = 4
N_PARAMETERS = P_WAVES + 2 * N_WAVES * WAVE_SIZE

#: Below this level no proximal part reaches the shaft. [mm]
PROXIMAL_PARTS_ABOVE_MM = -55.0
#: Width of the smooth union of canal and metaphyseal interior. [mm]
CANAL_BLEND_MM = 4.0
_NECK_BLEND_MM = 10.0
_NECK_END_MM = 16.0
_HEAD_BLEND_MM = 4.0
_CONDYLE_BLEND_MM = 8.0
#: Epicondyles: blend with the condyles and height over the condyles' centres.
_EPICONDYLE_BLEND_MM = 3.0
_EPICONDYLE_UP_MM = 6.0


@njit(cache=True, inline="always")
def blend_union(a: float, b: float, width: float) -> float:
    """Return the smooth union of two solids; plain where they differ by `width` or more."""
    h = width - abs(a - b)
    if h <= 0.0:
        return min(a, b)
    return min(a, b) - h * h / (4.0 * width)


@njit(cache=True)
def distance_to_ellipse(x: float, y: float, a: float, b: float) -> float:
    """Return the first-order distance to an ellipse, exact in sign and zero."""
    k0 = hypot(x / a, y / b)
    k1 = hypot(x / (a * a), y / (b * b))
    if k1 < 1e-12:
        return -min(a, b)
    return k0 * (k0 - 1.0) / k1


@njit(cache=True)
def grow_radius(
    x: float, y: float, a: float, b: float, s: float, waves: NDArray[np.float64]
) -> float:
    """Return by which share the waves widen an ellipse in a direction."""
    if waves[1] == 0.0:
        return 1.0
    angle = atan2(y / b, x / a)
    grown = 1.0
    for i in range(N_WAVES):
        w = waves[i * WAVE_SIZE : (i + 1) * WAVE_SIZE]
        grown += w[1] * cos(w[0] * angle + w[2] + w[3] * s)
    return float(grown)


@njit(cache=True)
def distance_to_capsule(u: float, v: float, s: float, c: NDArray[np.float64]) -> float:
    """Return the distance to the hull of two spheres ``(u, v, s, r, u, v, s, r)``."""
    bu, bv, bs = c[4] - c[0], c[5] - c[1], c[6] - c[2]
    length2 = bu * bu + bv * bv + bs * bs
    dr = c[3] - c[7]
    a2 = length2 - dr * dr
    inverse = 1.0 / length2
    pu, pv, ps = u - c[0], v - c[1], s - c[2]
    y = pu * bu + pv * bv + ps * bs
    z = y - length2
    xu, xv, xs = pu * length2 - bu * y, pv * length2 - bv * y, ps * length2 - bs * y
    x2 = xu * xu + xv * xv + xs * xs
    y2, z2 = y * y * length2, z * z * length2
    sign = 1.0 if dr > 0 else (-1.0 if dr < 0 else 0.0)
    k = sign * dr * dr * x2
    if (1.0 if z > 0 else -1.0) * a2 * z2 > k:
        return float(sqrt(x2 + z2) * inverse - c[7])
    if (1.0 if y > 0 else -1.0) * a2 * y2 < k:
        return float(sqrt(x2 + y2) * inverse - c[3])
    return float((sqrt(x2 * a2 * inverse) + y * dr) * inverse - c[3])


@njit(cache=True)
def _distance_to_neck(u: float, v: float, s: float, p: NDArray[np.float64]) -> float:
    """Return the distance to the neck: an elliptical tube, wider toward its base."""
    du, ds = u - p[P_HEAD_U], s - p[P_HEAD_S]
    along = -(du * p[P_NECK_SIN] + ds * p[P_NECK_COS])
    up = -du * p[P_NECK_COS] + ds * p[P_NECK_SIN]
    beyond = max(along - p[P_NECK_NARROW], 0.0)
    wide = p[P_NECK_R] + 0.002 * beyond * beyond
    high = p[P_NECK_R] * p[P_NECK_RATIO] + 0.005 * beyond * beyond
    end = (along - p[P_NECK_LENGTH]) / _NECK_END_MM
    if end > 0.0:  # a rounded end inside the trochanter
        shrink = sqrt(max(1.0 - end * end, 0.04))
        wide, high = wide * shrink, high * shrink
    tube = distance_to_ellipse(up, v - p[P_HEAD_V], high, wide)
    return float(max(tube, along - p[P_NECK_LENGTH] - _NECK_END_MM, -along))


@njit(cache=True)
def _add_proximal(shaft: float, u: float, v: float, s: float, p: NDArray[np.float64]) -> float:
    """Return the union of the shaft with neck, head and trochanters."""
    solid = blend_union(shaft, _distance_to_neck(u, v, s, p), _NECK_BLEND_MM)
    for i in range(N_CAPSULES):
        start = P_CAPSULES + i * CAPSULE_SIZE
        capsule = p[start : start + CAPSULE_SIZE]
        if capsule[3] <= 0.0:
            continue
        solid = blend_union(solid, distance_to_capsule(u, v, s, capsule), capsule[8])
    du, dv, ds = u - p[P_HEAD_U], v - p[P_HEAD_V], s - p[P_HEAD_S]
    head = sqrt(du * du + dv * dv + ds * ds) - p[P_HEAD_R]
    return blend_union(solid, head, _HEAD_BLEND_MM)


@njit(cache=True)
def _add_distal(shaft: float, u: float, v: float, s: float, p: NDArray[np.float64]) -> float:
    """Return the union of the shaft with two equal condyles and the trochlea before them."""
    du, dv = u - p[P_COND_U], v - p[P_COND_V]
    along = du * p[P_COND_COS] + dv * p[P_COND_SIN]
    back = -du * p[P_COND_SIN] + dv * p[P_COND_COS]
    up = s - (p[P_DISTAL] + p[P_COND_R])
    side = abs(along) - p[P_COND_HALF]
    condyle = sqrt(side * side + back * back + up * up) - p[P_COND_R]
    inner = max(abs(along) - 0.8 * p[P_COND_HALF], 0.0)
    front = back + 0.9 * p[P_COND_R]
    trochlea = sqrt(inner * inner + front * front + (up - 6.0) ** 2) - 0.85 * p[P_COND_R]
    knee = blend_union(condyle, trochlea, _CONDYLE_BLEND_MM)
    if p[P_EPI_R] > 0.0:
        # One on each side, on a line through the middle of the knee.
        way = 1.0 if along > 0.0 else -1.0
        aside = way * along - p[P_EPI_ALONG]
        behind = way * back - p[P_EPI_BACK]
        higher = up - _EPICONDYLE_UP_MM
        bump = sqrt(aside * aside + behind * behind + higher * higher) - p[P_EPI_R]
        knee = blend_union(knee, bump, _EPICONDYLE_BLEND_MM)
    return blend_union(shaft, knee, _CONDYLE_BLEND_MM)


@njit(cache=True)
def evaluate_femur(
    u: float, v: float, s: float, p: NDArray[np.float64], table: NDArray[np.float64]
) -> tuple[float, float]:
    """Return the outer solid's and the canal's value at one point of the femur's frame.

    Parameters
    ----------
    u, v, s : float
        Medial, posterior, up. [mm]
    p : (N_PARAMETERS,) float array
        From `canalmorph_phantoms.femur.make_solid`.
    table : (n, N_COLUMNS) float array
        Sections of the shaft at ``p[P_S0] + i * p[P_DS]``.

    Returns
    -------
    tuple of float
        Negative inside; near the surface a first-order distance. [mm]
    """
    position = (s - p[P_S0]) / p[P_DS]
    i = int(max(0.0, min(position, table.shape[0] - 2.0)))
    w = max(0.0, min(position - i, 1.0))
    lo, hi = table[i], table[i + 1]
    outer_u = lo[0] + w * (hi[0] - lo[0])
    outer_v = lo[1] + w * (hi[1] - lo[1])
    outer_a = lo[2] + w * (hi[2] - lo[2])
    outer_b = lo[3] + w * (hi[3] - lo[3])
    cap = max(s - p[P_TOP], p[P_CUT_DISTAL] - s)
    waves = p[P_WAVES : P_WAVES + N_WAVES * WAVE_SIZE]
    grown = grow_radius(u - outer_u, v - outer_v, outer_a, outer_b, s, waves)
    tube = distance_to_ellipse(u - outer_u, v - outer_v, grown * outer_a, grown * outer_b)
    outer = max(tube, cap)
    if s > PROXIMAL_PARTS_ABOVE_MM:
        outer = _add_proximal(outer, u, v, s, p)
    elif s < p[P_CUT_DISTAL] + 60.0:
        outer = _add_distal(outer, u, v, s, p)
    canal_u = lo[4] + w * (hi[4] - lo[4])
    canal_v = lo[5] + w * (hi[5] - lo[5])
    canal_a = lo[6] + w * (hi[6] - lo[6])
    canal_b = lo[7] + w * (hi[7] - lo[7])
    shell = lo[8] + w * (hi[8] - lo[8])
    waves = p[P_WAVES + N_WAVES * WAVE_SIZE : P_WAVES + 2 * N_WAVES * WAVE_SIZE]
    grown = grow_radius(u - canal_u, v - canal_v, canal_a, canal_b, s, waves)
    tube = distance_to_ellipse(u - canal_u, v - canal_v, grown * canal_a, grown * canal_b)
    tube = max(tube, cap)
    canal = blend_union(tube, outer + shell, CANAL_BLEND_MM)
    return outer, max(canal, outer + p[P_SHELL])
