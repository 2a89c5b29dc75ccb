"""The blurred-cortex model along a ray, and its fit.

The model needs no inside and outside of the bone: a ray that runs inwards has the canal as its
"out" and the muscle as its "in", which is how the canal's surface is fitted.

``y(x) = y_in + (y_c - y_in) Phi((x - x_in)/s) + (y_out - y_c) Phi((x - x_out)/s)``, with x along
the ray outwards and Phi the normal distribution function [treece_2010]. ``s`` is the blur along
the ray; ``y_c`` has a Gaussian prior from the scan's own calibration. A kernel with edge
enhancement ``e`` is ``1 + e`` times a Gaussian less ``e`` times one ``w`` times as wide: Phi is
then ``(1 + e) Phi(a) - e Phi(a / w)``.
"""

import math
from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

#: Order of the parameters of a fit.
X_IN, X_OUT, Y_IN, Y_OUT, Y_CORTEX, BLUR = range(6)
#: Samples this far beyond each edge take part in the fit. [mm]
MARGIN_IN_MM, MARGIN_OUT_MM = 3.0, 2.5
#: A wall thicker than this is fitted at its near edge alone: the far one, 10 blurs away, cannot
#: move it, and the ray may meet the far surface at a slant. [mm]
SINGLE_EDGE_MM = 6.0
#: Share of the wall that such a fit sees, at least and at most: deeper in, real cortex is less
#: dense, which would read as a sharp kernel's overshoot and move the edge by up to 0.1 mm.
SINGLE_WINDOW = (0.7, 0.0, 2.5)
#: A porous inner zone is looked for with these priors: its thickness (half as uncertain), how much
#: less dense it is and how uncertain that is, and what the dense part may differ. [mm, HU]
ZONE_MM, ZONE_DROP_HU, ZONE_DENSE_U_HU = 1.5, (150.0, 300.0), 40.0
#: A kernel without edge enhancement.
NO_ENHANCEMENT = (0.0, 2.5)
_ROOT2 = math.sqrt(2.0)
_ROOT2PI = math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def _edge(a, kernel):  # type: ignore[no-untyped-def]  # compiled
    """Return the blurred step at `a` blurs from its place, its slope, and the kernel's part."""
    enhancement, width = kernel
    step = 0.5 * (1.0 + math.erf(a / _ROOT2))
    slope = math.exp(-0.5 * a * a) / _ROOT2PI
    if enhancement == 0.0:
        return step, slope, 0.0
    b = a / width
    part = step - 0.5 * (1.0 + math.erf(b / _ROOT2))
    slope += enhancement * (slope - math.exp(-0.5 * b * b) / _ROOT2PI / width)
    return step + enhancement * part, slope, part


@njit(cache=True, nogil=True)
def _model(x, p, kernel, gradient):  # type: ignore[no-untyped-def]  # compiled
    """Return the model at `x`; `gradient` takes its slopes by the parameters and enhancement."""
    s = p[5]
    a = (x - p[0]) / s
    b = (x - p[1]) / s
    step_in, slope_in, part_in = _edge(a, kernel)
    step_out, slope_out, part_out = _edge(b, kernel)
    rise = p[4] - p[2]
    fall = p[3] - p[4]
    gradient[0] = -rise * slope_in / s
    gradient[1] = -fall * slope_out / s
    gradient[2] = 1.0 - step_in
    gradient[3] = step_out
    gradient[4] = step_in - step_out
    gradient[5] = (-rise * slope_in * a - fall * slope_out * b) / s
    gradient[6] = rise * part_in + fall * part_out
    return p[2] + rise * step_in + fall * step_out


@njit(cache=True, nogil=True)
def _gather(y, x0, step, low, high, p, kernel, prior, prior_u, noise, normal, right):  # type: ignore[no-untyped-def]  # compiled
    """Return the cost at `p`, and set the normal equations' lower half and right side there."""
    gradient = np.empty(7)
    normal[:] = 0.0
    right[:] = 0.0
    total = 0.0
    for n in range(low, high):
        residual = y[n] - _model(x0 + n * step, p, kernel, gradient)
        total += residual * residual
        for q in range(6):
            right[q] += gradient[q] * residual
            for r in range(q + 1):
                normal[q, r] += gradient[q] * gradient[r]
    share = 1.0 / noise**2
    total *= share
    right *= share
    normal *= share
    for q in range(6):
        if prior_u[q] > 0:
            total += ((p[q] - prior[q]) / prior_u[q]) ** 2
    return total


@njit(cache=True, nogil=True)
def _solve(matrix, vector, n):  # type: ignore[no-untyped-def]  # compiled
    """Solve a small symmetric system by elimination; a singular one gives zeros."""
    a = matrix.copy()
    b = vector.copy()
    for c in range(n):
        pivot = c
        for r in range(c + 1, n):
            if abs(a[r, c]) > abs(a[pivot, c]):
                pivot = r
        if abs(a[pivot, c]) < 1e-12:
            return np.zeros(n)
        if pivot != c:
            for k in range(n):
                a[c, k], a[pivot, k] = a[pivot, k], a[c, k]
            b[c], b[pivot] = b[pivot], b[c]
        for r in range(c + 1, n):
            f = a[r, c] / a[c, c]
            for k in range(c, n):
                a[r, k] -= f * a[c, k]
            b[r] -= f * b[c]
    for c in range(n - 1, -1, -1):
        for k in range(c + 1, n):
            b[c] -= a[c, k] * b[k]
        b[c] /= a[c, c]
    return b


@njit(cache=True, nogil=True)
def _fit_one(y, x0, step, low, high, p, kernel, prior, prior_u, noise):  # type: ignore[no-untyped-def]  # compiled
    """Levenberg-Marquardt in place on `p`; a prior_u of 0 leaves free, one below 0 keeps fixed."""
    trial = np.empty(6)
    damping = 1e-2
    normal, next_normal = np.empty((6, 6)), np.empty((6, 6))
    right, next_right = np.empty(6), np.empty(6)
    cost = _gather(y, x0, step, low, high, p, kernel, prior, prior_u, noise, normal, right)
    gain = 0.0
    for iteration in range(25):
        if iteration > 0:
            normal, next_normal = next_normal, normal
            right, next_right = next_right, right
        for q in range(6):
            if prior_u[q] > 0:
                normal[q, q] += 1.0 / prior_u[q] ** 2
                right[q] += (prior[q] - p[q]) / prior_u[q] ** 2
            for r in range(q):
                normal[r, q] = normal[q, r]
        for q in range(6):
            if prior_u[q] < 0:
                normal[q, :] = 0.0
                normal[:, q] = 0.0
                normal[q, q] = 1.0
                right[q] = 0.0
        improved = False
        shift = 0.0
        for _attempt in range(8):
            damped = normal.copy()
            for q in range(6):
                damped[q, q] *= 1.0 + damping
            delta = _solve(damped, right, 6)
            for q in range(6):
                trial[q] = p[q] + delta[q]
            if trial[1] - trial[0] > 0.05 and trial[5] > 0.15:
                new_cost = _gather(
                    y,
                    x0,
                    step,
                    low,
                    high,
                    trial,
                    kernel,
                    prior,
                    prior_u,
                    noise,
                    next_normal,
                    next_right,
                )
                if new_cost <= cost:
                    improved = True
                    shift = max(abs(delta[0]), abs(delta[1]))
                    gain = cost - new_cost
                    cost = new_cost
                    for q in range(6):
                        p[q] = trial[q]
                    damping = max(damping * 0.2, 1e-7)
                    break
            damping *= 6.0
        if not improved or (shift < 2e-3 and gain < 1e-2 * (1.0 + cost)):
            break
    return normal


@njit(cache=True, nogil=True)
def _propagate(y, x0, step, low, high, p, kernel, prior_u, noise, normal, out):  # type: ignore[no-untyped-def]  # compiled
    """Set the outer edge's slopes by prior density, blur and enhancement."""
    unit = np.zeros(6)
    unit[1] = 1.0
    row = _solve(normal, unit, 6)
    gradient = np.empty(7)
    out[:] = 0.0
    if prior_u[4] > 0:
        out[0] = row[4] / prior_u[4] ** 2
    for n in range(low, high):
        _model(x0 + n * step, p, kernel, gradient)
        along = 0.0
        for q in range(6):
            if prior_u[q] >= 0:
                along += row[q] * gradient[q]
        out[1] -= along * gradient[5] / noise**2
        out[2] -= along * gradient[6] / noise**2
    if prior_u[5] >= 0:  # a blur that is fitted has no error of its own
        out[1] = 0.0
    return row[1]


@njit(parallel=True, cache=True, nogil=True)
def _fit_all(  # type: ignore[no-untyped-def]  # compiled
    profiles,
    x0,
    step,
    start,
    blur,
    kernel,
    single_mm,
    window,
    zone_hu,
    prior,
    prior_u,
    noise,
    fitted,
    u,
    rms,
    slopes,
):
    n_samples = profiles.shape[1]
    for ray in prange(profiles.shape[0]):
        if not math.isfinite(start[ray, 0]):
            continue
        y = profiles[ray]
        p = start[ray].copy()
        p[5] = blur[ray]
        ray_prior = prior.copy()
        ray_prior[5] = blur[ray]
        ray_prior_u = prior_u.copy()
        first = p[0] - MARGIN_IN_MM
        wall = p[1] - p[0]
        if wall > single_mm:
            first = p[1] - min(max(window[0] * wall, window[1]), window[2])
            ray_prior_u[0] = -1.0
            ray_prior_u[2] = -1.0
            if zone_hu > 0.0:
                # The same model one border further in: dense, porous, marrow.
                p[0], p[2] = p[1] - ZONE_MM, zone_hu
                p[4] = zone_hu - ZONE_DROP_HU[0]
                ray_prior[0], ray_prior_u[0] = p[0], ZONE_MM / 2
                ray_prior[2], ray_prior_u[2] = zone_hu, ZONE_DENSE_U_HU
                ray_prior[4], ray_prior_u[4] = p[4], ZONE_DROP_HU[1]
        low = max(0, int((first - x0) / step))
        high = min(n_samples, int((p[1] + MARGIN_OUT_MM - x0) / step) + 2)
        bad = high - low < 12
        for n in range(low, high):
            if not math.isfinite(y[n]):
                bad = True
        if bad:
            continue
        normal = _fit_one(y, x0, step, low, high, p, kernel, ray_prior, ray_prior_u, noise)
        total = 0.0
        gradient = np.empty(7)
        for n in range(low, high):
            total += (y[n] - _model(x0 + n * step, p, kernel, gradient)) ** 2
        rms[ray] = math.sqrt(total / (high - low))
        variance = _propagate(
            y, x0, step, low, high, p, kernel, ray_prior_u, noise, normal, slopes[ray]
        )
        u[ray] = math.sqrt(max(variance, 0.0))
        fitted[ray] = p


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallFit:
    """The fitted model of every ray; NaN where not fitted.

    Attributes
    ----------
    parameters : (n, 6) float array
        ``x_in, x_out, y_in, y_out, y_c, blur``. [mm, HU]
    u_mm : (n,) float array
        Standard uncertainty of ``x_out`` from independent noise. [mm]
    rms_hu : (n,) float array
        Root mean square of the residuals. [HU]
    slopes : (n, 3) float array
        Change of ``x_out`` with the prior density [mm/HU], the blur [mm/mm] and the enhancement
        [mm]: what a scan-wide error of these does to every edge at once.
    """

    parameters: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    rms_hu: NDArray[np.float64]
    slopes: NDArray[np.float64]


def fit_wall(
    profiles_hu: NDArray[np.float32],
    start: NDArray[np.float64],
    blur_mm: NDArray[np.float64],
    *,
    first_mm: float,
    step_mm: float,
    cortex_hu: float | None,
    cortex_u_hu: float,
    noise_hu: float,
    blur_u_mm: float | None = None,
    kernel: tuple[float, float] = NO_ENHANCEMENT,
    single_edge_mm: float = SINGLE_EDGE_MM,
    window: tuple[float, float, float] = SINGLE_WINDOW,
    zone_hu: float = 0.0,
) -> WallFit:
    """Fit the blurred-cortex model to every ray.

    Parameters
    ----------
    profiles_hu, first_mm, step_mm
        As in `canalmorph.segment.half_maximum.find_half_maximum_edges`.
    start : (n, 6) float array
        Start values; a ray with NaN is left out.
    blur_mm : (n,) float array
        Blur along each ray, or its start value. [mm]
    cortex_hu, cortex_u_hu : float or None, float
        Prior of the cortical density; None leaves it free. [HU]
    noise_hu : float
        Noise of one sample, inflated for the correlation of neighbouring samples. [HU]
    blur_u_mm : float or None
        None keeps the blur fixed, else its prior spread; 0 leaves it free. [mm]
    kernel : (float, float)
        Edge enhancement, and how many times wider its blur is; see the module.
    single_edge_mm : float
        Walls thicker than this are fitted at their outer edge alone. [mm]
    window : (float, float, float)
        Share of the wall that such a fit sees, at least and at most. [1, mm, mm]
    zone_hu : float
        Density of the dense cortex where such a fit looks for a porous inner zone; 0 for none. [HU]
    """
    n = len(profiles_hu)
    fitted = np.full((n, 6), np.nan)
    u_mm = np.full(n, np.nan)
    rms_hu = np.full(n, np.nan)
    slopes = np.full((n, 3), np.nan)
    prior = np.zeros(6)
    prior_u = np.zeros(6)
    if cortex_hu is not None:
        prior[Y_CORTEX], prior_u[Y_CORTEX] = cortex_hu, cortex_u_hu
    prior_u[BLUR] = -1.0 if blur_u_mm is None else blur_u_mm
    _fit_all(
        profiles_hu,
        first_mm,
        step_mm,
        start,
        np.asarray(blur_mm, dtype=np.float64),
        (float(kernel[0]), float(kernel[1])),
        single_edge_mm,
        (float(window[0]), float(window[1]), float(window[2])),
        zone_hu,
        prior,
        prior_u,
        noise_hu,
        fitted,
        u_mm,
        rms_hu,
        slopes,
    )
    return WallFit(parameters=fitted, u_mm=u_mm, rms_hu=rms_hu, slopes=slopes)
