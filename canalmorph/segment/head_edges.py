"""Edges of the femoral head along rays: a thin subchondral shell, the joint space, the socket.

The blurred-cortex model of `canalmorph.segment.wall` with a third step, since the socket lies so
near that its blur reaches the head: marrow to shell, shell to joint space, and, where one is near,
joint space to socket. The steepest place of a thin shell's blurred outer flank lies outside its
edge, by 0.25 mm for a shell of 1.3 mm; the model does not have this bias.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

#: Order of the parameters of a fit.
X_IN, X_OUT, X_SOCKET, Y_IN, Y_SHELL, Y_GAP, Y_SOCKET = range(7)
#: A socket is looked for this far outside the first sphere, and is an edge that rises so much.
SOCKET_MM, LEAST_RISE_HU_PER_MM = (0.4, 8.0), 90.0
#: Samples this far from the edges take part: inwards, outwards, and past the socket's edge. [mm]
INSIDE_MM, OUTSIDE_MM, PAST_SOCKET_MM = 4.0, 2.5, 0.5
#: Start and spread of the shell's thickness, and density of what lies between head and socket
#: (cartilage, fluid, muscle) with its spread where the socket hides it. [mm, HU]
SHELL_MM, SHELL_U_MM, GAP_HU, GAP_U_HU = 1.3, 0.8, 80.0, 50.0
#: How far a ray's shell may differ from the density that is given. [HU]
SHELL_PRIOR_U_HU = 60.0
#: Cancellous bone beside the shell is uneven by this. [HU]
GRAIN_HU = 40.0
#: A ray whose joint space reads narrower has none: head and socket run into each other. [mm]
LEAST_GAP_MM = 0.5
#: A space that fills up to less than this under the shell's density is bone too.
LARGEST_GAP_SHARE = 0.45
#: Nor has a ray one that meets no socket's edge and bone all the same, this far behind the edge it
#: found: that is the outer edge of head and socket in one. No soft part is as dense. [mm, HU]
BEHIND_MM, BONE_HU = (1.5, 4.0), 150.0
N_ITERATIONS = 14
#: A ray is done when a step gains less of its sum of squares than this, in units of its noise: the
#: edge is then within a hundredth of its uncertainty. Nor does one go on that is damped so much.
SMALL_GAIN, MOST_DAMPING = 1e-4, 1e3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeadEdges:
    """The head's outer edge along each ray.

    Attributes
    ----------
    edge_mm, u_mm : (n,) float arrays
        Place of the edge and its standard uncertainty from noise; NaN where there is none. [mm]
    gap_mm : (n,) float array
        Width of the joint space; infinite where no socket is near. [mm]
    fused : (n,) bool array
        Rays on which head and socket could not be told apart. Those that met bone behind an edge
        have that edge all the same: it may be the head's.
    gone : (n,) bool array
        Rays that met the socket alone, with soft parts before it: the head is not there.
    """

    edge_mm: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    gap_mm: NDArray[np.float64]
    fused: NDArray[np.bool_]
    gone: NDArray[np.bool_]


def fit_head_edges(
    profiles_hu: NDArray[np.float32],
    first_mm: float,
    step_mm: float,
    radius_mm: NDArray[np.float64],
    blur_mm: NDArray[np.float64],
    *,
    shell_hu: float,
    noise_hu: float,
    kernel: tuple[float, float],
) -> HeadEdges:
    """Fit the model to every ray.

    Parameters
    ----------
    profiles_hu : (n, s) float32 array
        Samples outwards from the head's centre; NaN outside the scan. [HU]
    first_mm, step_mm : float
        Place of the first sample and distance of the samples. [mm]
    radius_mm : (n,) float array
        Where each ray's edge is looked for. [mm]
    blur_mm : (n,) float array
        Blur along each ray. [mm]
    shell_hu, noise_hu : float
        Density of the shell; noise of one sample. [HU]
    kernel : (float, float)
        Edge enhancement, and how many times wider its blur is.
    """
    x = np.asarray(first_mm + step_mm * np.arange(profiles_hu.shape[1]), dtype=np.float64)
    seen = np.isfinite(profiles_hu)
    values = np.where(seen, profiles_hu, 0.0).astype(np.float64)
    socket_mm, has_socket = _find_sockets(values, x, step_mm, radius_mm)
    start, prior, prior_u = _make_start(values, x, radius_mm, socket_mm, has_socket, shell_hu)
    weight = 1.0 / np.hypot(2.0 * noise_hu, GRAIN_HU)
    parameters, u, rms = _fit(
        values, x, seen, start, prior, prior_u, has_socket, blur_mm, weight, kernel
    )
    gap = np.where(has_socket, parameters[:, X_SOCKET] - parameters[:, X_OUT], np.inf)
    contrast = parameters[:, Y_SHELL] - parameters[:, Y_GAP]
    filled = parameters[:, Y_GAP] > LARGEST_GAP_SHARE * parameters[:, Y_SHELL]
    fused = has_socket & ((gap < LEAST_GAP_MM) | filled)
    whole = seen[:, [0, -1]].all(axis=1)
    good = whole & ~fused & (contrast > 200.0) & (rms < 0.2 * contrast)
    good &= np.abs(parameters[:, X_OUT] - radius_mm) < 3.0
    good &= parameters[:, X_OUT] - parameters[:, X_IN] > 0.1
    before_bone = good & ~has_socket & _is_bone_behind(values, x, seen, parameters[:, X_OUT])
    # With soft parts before it, too, that wall is the socket's alone: a part of the head is gone.
    socket_alone = before_bone & (parameters[:, Y_IN] < BONE_HU)
    one_wall = before_bone & ~socket_alone
    good &= ~socket_alone
    gap[one_wall] = 0.0
    return HeadEdges(
        edge_mm=np.where(good, parameters[:, X_OUT], np.nan),
        u_mm=np.where(good, u, np.nan),
        gap_mm=gap,
        fused=fused | one_wall,
        gone=socket_alone,
    )


def _is_bone_behind(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    seen: NDArray[np.bool_],
    edge_mm: NDArray[np.float64],
) -> NDArray[np.bool_]:
    """Return on which rays bone lies behind the head's edge."""
    behind = x - edge_mm[:, None]
    looked = seen & (behind > BEHIND_MM[0]) & (behind < BEHIND_MM[1])
    mean = (values * looked).sum(1) / np.maximum(looked.sum(1), 1)
    return np.asarray(mean > BONE_HU)


def _find_sockets(
    values: NDArray[np.float64], x: NDArray[np.float64], step_mm: float, radius: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Return where the socket's edge rises first outside the head, and whether it does."""
    slope = np.gradient(values, step_mm, axis=1)
    near = x[None, :] - radius[:, None]
    looked = (near > SOCKET_MM[0]) & (near < SOCKET_MM[1])
    rising = looked & (slope > LEAST_RISE_HU_PER_MM)
    has = rising.any(axis=1)
    first = np.argmax(rising, axis=1)
    ahead = np.arange(len(x))[None, :] - first[:, None]
    window = (ahead >= 0) & (ahead * step_mm < 2.0) & looked
    steepest = np.argmax(np.where(window, slope, -np.inf), axis=1)
    return np.where(has, x[steepest], np.inf), np.asarray(has)


def _make_start(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    radius: NDArray[np.float64],
    socket: NDArray[np.float64],
    has_socket: NDArray[np.bool_],
    shell_hu: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return start values, priors and their spreads (infinite for none), each (n, 7)."""
    n = len(radius)
    near = x[None, :] - radius[:, None]
    peak = np.argmax(np.where(np.abs(near) < 2.5, values, -np.inf), axis=1)
    out = np.minimum(x[peak] + 0.5 * SHELL_MM, socket - 1.0)
    inside = (near > -INSIDE_MM) & (near < -2.0)
    outside = (near > 1.0) & (near < 3.0)
    start = np.empty((n, 7))
    start[:, X_OUT], start[:, X_IN] = out, out - SHELL_MM
    start[:, X_SOCKET] = np.where(has_socket, socket, out + 50.0)
    start[:, Y_IN] = (values * inside).sum(1) / np.maximum(inside.sum(1), 1)
    start[:, Y_SHELL] = shell_hu
    free = (values * outside).sum(1) / np.maximum(outside.sum(1), 1)
    start[:, Y_GAP] = np.where(has_socket, GAP_HU, free)
    start[:, Y_SOCKET] = 700.0
    spread = np.full((n, 7), np.inf)
    spread[:, Y_SHELL] = SHELL_PRIOR_U_HU
    spread[:, Y_GAP] = np.where(has_socket, GAP_U_HU, 300.0)
    spread[:, Y_SOCKET] = 500.0
    return start, start.copy(), spread


def _blurred_step(
    a: NDArray[np.float64], kernel: tuple[float, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the blurred step and its slope at `a` blurs from its place."""
    enhancement, width = kernel
    step = ndtr(a)
    slope = np.exp(-0.5 * a * a) / np.sqrt(2 * np.pi)
    if enhancement > 0.0:
        step = (1 + enhancement) * step - enhancement * ndtr(a / width)
        wide = np.exp(-0.5 * (a / width) ** 2) / np.sqrt(2 * np.pi) / width
        slope = (1 + enhancement) * slope - enhancement * wide
    return step, slope


def _fit(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    seen: NDArray[np.bool_],
    start: NDArray[np.float64],
    prior: NDArray[np.float64],
    prior_u: NDArray[np.float64],
    has_socket: NDArray[np.bool_],
    blur: NDArray[np.float64],
    weight: float,
    kernel: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return parameters, uncertainty of the outer edge, and residuals, by damped Gauss-Newton."""
    p = start.copy()
    damping = np.full(len(p), 1e-2)
    stiff = 1.0 / np.square(prior_u)
    stiff[~has_socket, X_SOCKET] = 1e6
    stiff[~has_socket, Y_SOCKET] = 1e6
    cost, normal, right, rms = _linearise(
        values, x, seen, p, prior, stiff, has_socket, blur, weight, kernel
    )
    rays = np.arange(len(p))
    for _ in range(N_ITERATIONS):
        damped = normal[rays] * (1 + damping[rays, None, None] * np.eye(7))
        step = np.linalg.solve(damped, right[rays, :, None])[..., 0]
        step[:, :3] = np.clip(step[:, :3], -0.7, 0.7)
        new = _keep_order(p[rays] + step)
        of_rays = (prior[rays], stiff[rays], has_socket[rays], blur[rays], weight, kernel)
        found = _linearise(values[rays], x, seen[rays], new, *of_rays)
        gain = cost[rays] - found[0]
        better = gain > 0
        damping[rays] *= np.where(better, 0.3, 10.0)
        took = rays[better]
        p[took] = new[better]
        cost[took], normal[took], right[took], rms[took] = (part[better] for part in found)
        rays = rays[~(better & (gain < SMALL_GAIN)) & (damping[rays] < MOST_DAMPING)]
        if not len(rays):
            break
    covariance = np.linalg.inv(normal)
    return p, np.sqrt(np.maximum(covariance[:, X_OUT, X_OUT], 0.0)), rms


def _keep_order(p: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return parameters whose edges are in order."""
    p = p.copy()
    p[:, X_IN] = np.minimum(p[:, X_IN], p[:, X_OUT] - 0.05)
    p[:, X_SOCKET] = np.maximum(p[:, X_SOCKET], p[:, X_OUT] + 0.05)
    return p


def _linearise(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    seen: NDArray[np.bool_],
    p: NDArray[np.float64],
    prior: NDArray[np.float64],
    stiff: NDArray[np.float64],
    has_socket: NDArray[np.bool_],
    blur: NDArray[np.float64],
    weight: float,
    kernel: tuple[float, float],
) -> tuple[NDArray[np.float64], ...]:
    """Return cost, normal matrix, right side and residuals of every ray."""
    end = np.where(has_socket, prior[:, X_SOCKET] + PAST_SOCKET_MM, prior[:, X_OUT] + OUTSIDE_MM)
    used = (x > prior[:, X_OUT, None] - INSIDE_MM - SHELL_MM) & (x < end[:, None]) & seen
    levels = p[:, [Y_IN, Y_SHELL, Y_GAP, Y_SOCKET]]
    model = np.repeat(levels[:, :1], len(x), axis=1)
    gradient = np.zeros((*values.shape, 7))
    steps = []
    for number, place in enumerate((X_IN, X_OUT, X_SOCKET)):
        a = (x - p[:, place, None]) / blur[:, None]
        step, slope = _blurred_step(a, kernel)
        rise = (levels[:, number + 1] - levels[:, number])[:, None]
        model += rise * step
        gradient[..., place] = -rise * slope / blur[:, None]
        steps.append(step)
    gradient[..., Y_IN] = 1 - steps[0]
    gradient[..., Y_SHELL] = steps[0] - steps[1]
    gradient[..., Y_GAP] = steps[1] - steps[2]
    gradient[..., Y_SOCKET] = steps[2]
    residual = np.where(used, values - model, 0.0)
    gradient *= (used * weight)[..., None]
    away = prior - p
    cost = np.square(residual * weight).sum(1) + (stiff * away**2).sum(1)
    normal = gradient.transpose(0, 2, 1) @ gradient
    normal[:, range(7), range(7)] += stiff + 1e-9
    right = np.einsum("nsp,ns->np", gradient, residual * weight) + stiff * away
    rms = np.sqrt(np.square(residual).sum(1) / np.maximum(used.sum(1), 1))
    return cost, normal, right, rms
