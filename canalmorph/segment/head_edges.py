"""Edges of the femoral head along rays: a thin subchondral shell, the joint space, the socket.

The blurred-cortex model of `canalmorph.segment.wall` with a third step, since the socket lies so
near that its blur reaches the head: marrow to shell, shell to joint space, and, where one is near,
joint space to socket. The steepest place of a thin shell's blurred outer flank lies outside its
edge, by 0.25 mm for a shell of 1.3 mm; the model does not have this bias.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from canalmorph.geometry.vectors import ANY_ORDER, pad, solve_positive, sum_products
from canalmorph.segment.blurred_step import set_edge

#: Order of the parameters of a fit.
X_IN, X_OUT, X_SOCKET, Y_IN, Y_SHELL, Y_GAP, Y_SOCKET = range(7)
#: A socket is looked for this far outside the first sphere, and is an edge that rises so much.
SOCKET_MM, LEAST_RISE_HU_PER_MM = (0.4, 8.0), 90.0
#: Samples this far from the edges take part: inwards, outwards, and past the socket's edge. [mm]
INSIDE_MM, OUTSIDE_MM, PAST_SOCKET_MM = 4.0, 2.5, 0.5
#: Start of the shell's thickness, and density of what lies between head and socket
#: (cartilage, fluid, muscle) with its spread where the socket hides it. [mm, HU]
SHELL_MM, GAP_HU, GAP_U_HU = 1.3, 80.0, 50.0
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
    prior, prior_u = _make_prior(values, x, radius_mm, socket_mm, has_socket, shell_hu)
    weight = 1.0 / np.hypot(2.0 * noise_hu, GRAIN_HU)
    parameters, u, rms = _fit(values, x, seen, prior, prior_u, has_socket, blur_mm, weight, kernel)
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


def _make_prior(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    radius: NDArray[np.float64],
    socket: NDArray[np.float64],
    has_socket: NDArray[np.bool_],
    shell_hu: float,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return priors, which are start values too, and their spreads (infinite for none), (n, 7)."""
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
    return start, spread


@njit(cache=True, nogil=True, fastmath=ANY_ORDER, error_model="numpy")
def _set_model(padded, seen, count, first_mm, step_mm, p, blur, kernel, work):  # type: ignore[no-untyped-def]  # compiled
    """Set the model's slopes by the parameters, then the residuals; zero where nothing was seen."""
    rows, edge_in, edge_out, edge_socket = work[:8], work[8:13], work[13:18], work[18:23]
    stride = step_mm / blur
    set_edge((first_mm - p[0]) / blur, stride, count, kernel, edge_in)
    set_edge((first_mm - p[1]) / blur, stride, count, kernel, edge_out)
    set_edge((first_mm - p[2]) / blur, stride, count, kernel, edge_socket)
    rises = (p[4] - p[3], p[5] - p[4], p[6] - p[5])
    for n in range(count):
        step_in, step_out, step_socket = edge_in[0, n], edge_out[0, n], edge_socket[0, n]
        rows[0, n] = -seen[n] * rises[0] * edge_in[1, n] / blur
        rows[1, n] = -seen[n] * rises[1] * edge_out[1, n] / blur
        rows[2, n] = -seen[n] * rises[2] * edge_socket[1, n] / blur
        rows[3, n] = seen[n] * (1.0 - step_in)
        rows[4, n] = seen[n] * (step_in - step_out)
        rows[5, n] = seen[n] * (step_out - step_socket)
        rows[6, n] = seen[n] * step_socket
        model = p[3] + rises[0] * step_in + rises[1] * step_out + rises[2] * step_socket
        rows[7, n] = seen[n] * (padded[n] - model)
    return rows


@njit(cache=True, nogil=True)
def _gather(rows, count, p, prior, stiff, weight, normal, right):  # type: ignore[no-untyped-def]  # compiled
    """Return the cost at `p`, and set the normal equations' lower half and right side there."""
    share = weight**2
    cost = share * sum_products(rows[7], rows[7], count)
    for q in range(7):
        away = prior[q] - p[q]
        cost += stiff[q] * away * away
        right[q] = share * sum_products(rows[q], rows[7], count) + stiff[q] * away
        for r in range(q + 1):
            normal[q, r] = share * sum_products(rows[q], rows[r], count)
        normal[q, q] += stiff[q] + 1e-9
    return cost


@njit(parallel=True, cache=True, nogil=True)
def _fit_all(values, seen, x, prior, stiff, ends_mm, blur, weight, kernel, fitted, u, rms):  # type: ignore[no-untyped-def]  # compiled
    """Fit every ray from its prior on by damped Gauss-Newton steps."""
    # Long: compiled, and a ray's work space is shared by its steps.
    step_mm = x[1] - x[0]
    for ray in prange(len(values)):
        low = np.searchsorted(x, prior[ray, 1] - INSIDE_MM - SHELL_MM, side="right")
        n_samples = np.searchsorted(x, ends_mm[ray]) - low
        count, first_mm = pad(n_samples), x[0] + low * step_mm
        work, matrices, vectors = np.zeros((25, count)), np.empty((3, 7, 7)), np.empty((3, 7))
        padded, weights = work[23], work[24]
        padded[:n_samples] = values[ray, low : low + n_samples]
        weights[:n_samples] = seen[ray, low : low + n_samples]
        normal, next_normal, factor = matrices[0], matrices[1], matrices[2]
        right, next_right, move = vectors[0], vectors[1], vectors[2]
        p, trial = prior[ray].copy(), np.empty(7)
        damping = 1e-2
        rows = _set_model(padded, weights, count, first_mm, step_mm, p, blur[ray], kernel, work)
        cost = _gather(rows, count, p, prior[ray], stiff[ray], weight, normal, right)
        squares = sum_products(rows[7], rows[7], count)
        for _ in range(N_ITERATIONS):
            solve_positive(normal, damping, right, factor, move)
            for q in range(7):
                trial[q] = p[q] + (min(max(move[q], -0.7), 0.7) if q < 3 else move[q])
            trial[0] = min(trial[0], trial[1] - 0.05)  # the edges stay in order
            trial[2] = max(trial[2], trial[1] + 0.05)
            _set_model(padded, weights, count, first_mm, step_mm, trial, blur[ray], kernel, work)
            new = _gather(
                rows, count, trial, prior[ray], stiff[ray], weight, next_normal, next_right
            )
            gain = cost - new
            if gain > 0.0:
                damping *= 0.3
                p, trial, cost = trial, p, new
                normal, next_normal = next_normal, normal
                right, next_right = next_right, right
                squares = sum_products(rows[7], rows[7], count)
                if gain < SMALL_GAIN:
                    break
            else:
                damping *= 10.0
                if damping >= MOST_DAMPING:
                    break
        move[:] = 0.0
        move[1] = 1.0
        solve_positive(normal, 0.0, move, factor, right)
        fitted[ray] = p
        u[ray] = math.sqrt(max(right[1], 0.0))
        rms[ray] = math.sqrt(squares / max(weights.sum(), 1.0))


def _fit(
    values: NDArray[np.float64],
    x: NDArray[np.float64],
    seen: NDArray[np.bool_],
    prior: NDArray[np.float64],
    prior_u: NDArray[np.float64],
    has_socket: NDArray[np.bool_],
    blur: NDArray[np.float64],
    weight: float,
    kernel: tuple[float, float],
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Return parameters (n, 7), uncertainty of the outer edge, and root mean square residuals."""
    stiff = 1.0 / np.square(prior_u)
    stiff[~has_socket, X_SOCKET] = 1e6
    stiff[~has_socket, Y_SOCKET] = 1e6
    ends = np.where(has_socket, prior[:, X_SOCKET] + PAST_SOCKET_MM, prior[:, X_OUT] + OUTSIDE_MM)
    fitted, u, rms = np.empty(prior.shape), np.empty(len(prior)), np.empty(len(prior))
    _fit_all(
        values,
        seen,
        x,
        prior,
        stiff,
        ends,
        np.asarray(blur, dtype=np.float64),
        float(weight),
        (float(kernel[0]), float(kernel[1])),
        fitted,
        u,
        rms,
    )
    return fitted, u, rms
