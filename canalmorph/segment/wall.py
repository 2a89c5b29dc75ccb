"""The blurred-cortex model along a ray, and its fit.

The model needs no inside and outside of the bone: a ray that runs inwards has the canal as its
"out" and the muscle as its "in", which is how the canal's surface is fitted.

``y(x) = y_in + (y_c - y_in) Phi((x - x_in)/s) + (y_out - y_c) Phi((x - x_out)/s)``, with x along
the ray outwards and Phi the normal distribution function [treece_2010]. ``s`` is the blur along
the ray; ``y_c`` has a Gaussian prior from the scan's own calibration.
"""

import math

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
_ROOT2 = math.sqrt(2.0)
_ROOT2PI = math.sqrt(2.0 * math.pi)


@njit(cache=True)
def _model(x, p, gradient):  # type: ignore[no-untyped-def]
    s = p[5]
    a = (x - p[0]) / s
    b = (x - p[1]) / s
    phi_in = 0.5 * (1.0 + math.erf(a / _ROOT2))
    phi_out = 0.5 * (1.0 + math.erf(b / _ROOT2))
    density_in = math.exp(-0.5 * a * a) / _ROOT2PI / s
    density_out = math.exp(-0.5 * b * b) / _ROOT2PI / s
    rise = p[4] - p[2]
    fall = p[3] - p[4]
    gradient[0] = -rise * density_in
    gradient[1] = -fall * density_out
    gradient[2] = 1.0 - phi_in
    gradient[3] = phi_out
    gradient[4] = phi_in - phi_out
    gradient[5] = -rise * density_in * a - fall * density_out * b
    return p[2] + rise * phi_in + fall * phi_out


@njit(cache=True)
def _cost(y, x0, step, low, high, p, prior, prior_u, noise):  # type: ignore[no-untyped-def]
    gradient = np.empty(6)
    total = 0.0
    for n in range(low, high):
        residual = (y[n] - _model(x0 + n * step, p, gradient)) / noise
        total += residual * residual
    for q in range(6):
        if prior_u[q] > 0:
            total += ((p[q] - prior[q]) / prior_u[q]) ** 2
    return total


@njit(cache=True)
def _solve(matrix, vector, n):  # type: ignore[no-untyped-def]
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


@njit(cache=True)
def _fit_one(y, x0, step, low, high, p, prior, prior_u, noise):  # type: ignore[no-untyped-def]
    """Levenberg-Marquardt in place on `p`; a prior_u of 0 leaves free, one below 0 keeps fixed."""
    gradient = np.empty(6)
    trial = np.empty(6)
    damping = 1e-2
    cost = _cost(y, x0, step, low, high, p, prior, prior_u, noise)
    gain = 0.0
    normal = np.zeros((6, 6))
    for _ in range(25):
        normal[:] = 0.0
        right = np.zeros(6)
        for n in range(low, high):
            residual = (y[n] - _model(x0 + n * step, p, gradient)) / noise
            for q in range(6):
                gq = gradient[q] / noise
                right[q] += gq * residual
                for r in range(q + 1):
                    normal[q, r] += gq * gradient[r] / noise
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
                new_cost = _cost(y, x0, step, low, high, trial, prior, prior_u, noise)
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


@njit(parallel=True, cache=True)
def _fit_all(profiles, x0, step, start, blur, prior, prior_u, noise, fitted, u, rms):  # type: ignore[no-untyped-def]
    n_samples = profiles.shape[1]
    for ray in prange(profiles.shape[0]):
        if not math.isfinite(start[ray, 0]):
            continue
        p = start[ray].copy()
        p[5] = blur[ray]
        ray_prior = prior.copy()
        ray_prior[5] = blur[ray]
        ray_prior_u = prior_u.copy()
        first = p[0] - MARGIN_IN_MM
        if p[1] - p[0] > SINGLE_EDGE_MM:
            first = p[1] - SINGLE_EDGE_MM + 1.5
            ray_prior_u[0] = -1.0
            ray_prior_u[2] = -1.0
        low = max(0, int((first - x0) / step))
        high = min(n_samples, int((p[1] + MARGIN_OUT_MM - x0) / step) + 2)
        bad = high - low < 12
        for n in range(low, high):
            if not math.isfinite(profiles[ray, n]):
                bad = True
        if bad:
            continue
        normal = _fit_one(profiles[ray], x0, step, low, high, p, ray_prior, ray_prior_u, noise)
        total = 0.0
        gradient = np.empty(6)
        for n in range(low, high):
            total += (profiles[ray, n] - _model(x0 + n * step, p, gradient)) ** 2
        rms[ray] = math.sqrt(total / (high - low))
        for q in range(2):
            unit = np.zeros(6)
            unit[q] = 1.0
            variance = _solve(normal, unit, 6)[q]
            u[ray, q] = math.sqrt(max(variance, 0.0))
        fitted[ray] = p


@njit(parallel=True, cache=True)
def _start_all(profiles, x0, step, look_in, look_out, start):  # type: ignore[no-untyped-def]
    """Half-maximum edges between local plateaus, as start values."""
    n_samples = profiles.shape[1]
    base = int(-x0 / step)
    for ray in prange(profiles.shape[0]):
        y = profiles[ray]
        first = max(0, base - int(look_in / step))
        last = min(n_samples - 1, base + int(look_out / step))
        peak = -1
        for n in range(first, last + 1):
            if math.isfinite(y[n]) and (peak < 0 or y[n] > y[peak]):
                peak = n
        if peak < 2 or peak > n_samples - 3:
            continue
        top = 0.5 * y[peak] + 0.25 * (y[peak - 1] + y[peak + 1])
        outside = np.inf
        for reach in (4.0, 7.0, 11.0):
            for n in range(peak, min(n_samples, peak + int(reach / step))):
                if math.isfinite(y[n]):
                    outside = min(outside, y[n])
            if outside < 0.7 * top:  # a real drop, not the noise of a wall that goes on
                break
        x_out = np.nan
        for n in range(peak, n_samples - 1):
            half = 0.5 * (top + outside)
            if y[n] >= half > y[n + 1]:
                x_out = x0 + step * (n + (y[n] - half) / (y[n] - y[n + 1]))
                break
        inside = np.inf
        for reach in (5.0, 12.0, 24.0):
            for n in range(max(0, peak - int(reach / step)), peak):
                if math.isfinite(y[n]):
                    inside = min(inside, y[n])
            if inside < 0.7 * top:
                break
        x_in = np.nan
        for attempt in range(2):
            half = 0.5 * (top + inside)
            x_in = np.nan
            for n in range(peak, 0, -1):
                if y[n] >= half > y[n - 1]:
                    x_in = x0 + step * (n - (y[n] - half) / (y[n] - y[n - 1]))
                    break
            if attempt == 1 or not math.isfinite(x_in):
                break
            total = 0.0
            count = 0
            where = int((x_in - x0) / step)
            for n in range(max(0, where - int(3.0 / step)), max(0, where - int(1.0 / step)) + 1):
                if math.isfinite(y[n]):
                    total += y[n]
                    count += 1
            if count == 0:
                break
            inside = min(total / count, 0.9 * top)
        if not math.isfinite(x_in) and inside >= 0.7 * top:
            x_in = x0  # the wall goes on to the ray's beginning: only its near edge is fitted
        if math.isfinite(x_in) and math.isfinite(x_out) and x_out - x_in > 0.1:
            start[ray, 0] = x_in
            start[ray, 1] = x_out
            start[ray, 2] = inside
            start[ray, 3] = outside
            start[ray, 4] = top


def find_half_maximum_edges(
    profiles_hu: NDArray[np.float32],
    *,
    first_mm: float,
    step_mm: float,
    look_in_mm: float = 3.0,
    look_out_mm: float = 1.5,
) -> NDArray[np.float64]:
    """Return half-maximum edges between local plateaus, as start values and cross-check.

    Parameters
    ----------
    profiles_hu : (n, s) float32 array
        Samples along each ray outwards, the first outline at x = 0. [HU]
    first_mm, step_mm : float
        Position of the first sample and distance of the samples. [mm]
    look_in_mm, look_out_mm : float
        The wall's peak is looked for between these around x = 0. [mm]

    Returns
    -------
    (n, 6) float array
        ``x_in, x_out, y_in, y_out, y_c`` and an unused blur; NaN where there is no wall. Where
        the wall goes on to the ray's beginning, ``x_in`` is `first_mm`.
    """
    start = np.full((len(profiles_hu), 6), np.nan)
    _start_all(profiles_hu, first_mm, step_mm, look_in_mm, look_out_mm, start)
    return start


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
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Fit the blurred-cortex model to every ray.

    Parameters
    ----------
    profiles_hu, first_mm, step_mm
        As in `find_half_maximum_edges`.
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

    Returns
    -------
    fitted : (n, 6) float array
        ``x_in, x_out, y_in, y_out, y_c, blur``; NaN where not fitted.
    u_mm : (n, 2) float array
        Standard uncertainties of the two edges from the noise. [mm]
    rms_hu : (n,) float array
        Root mean square of the residuals. [HU]
    """
    n = len(profiles_hu)
    fitted = np.full((n, 6), np.nan)
    u_mm = np.full((n, 2), np.nan)
    rms_hu = np.full(n, np.nan)
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
        prior,
        prior_u,
        noise_hu,
        fitted,
        u_mm,
        rms_hu,
    )
    return fitted, u_mm, rms_hu
