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

from canalmorph.geometry.vectors import ANY_ORDER, pad, solve_positive, sum_products
from canalmorph.segment.blurred_step import set_edge

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


@njit(cache=True, nogil=True, fastmath=ANY_ORDER, error_model="numpy")
def _set_model(y, first_mm, step_mm, p, kernel, work):  # type: ignore[no-untyped-def]  # compiled
    """Set the residuals of the samples, and the model's slopes by parameters and enhancement.

    Rows of the result are the slopes, as in a fit's parameters, then that of the enhancement, then
    the residuals; zero beyond the samples, up to a whole number of vectors.
    """
    count = pad(y.shape[0])
    rows, edge_in, edge_out, padded = work[:8], work[8:13], work[13:18], work[18]
    s = p[5]
    stride = step_mm / s
    first_in, first_out = (first_mm - p[0]) / s, (first_mm - p[1]) / s
    set_edge(first_in, stride, count, kernel, edge_in)
    set_edge(first_out, stride, count, kernel, edge_out)
    rise = p[4] - p[2]
    fall = p[3] - p[4]
    rise_per_s, fall_per_s = rise / s, fall / s
    for n in range(count):
        step_in, step_out = edge_in[0, n], edge_out[0, n]
        move_in, move_out = -rise_per_s * edge_in[1, n], -fall_per_s * edge_out[1, n]
        rows[0, n] = move_in
        rows[1, n] = move_out
        rows[2, n] = 1.0 - step_in
        rows[3, n] = step_out
        rows[4, n] = step_in - step_out
        rows[5, n] = move_in * (first_in + n * stride) + move_out * (first_out + n * stride)
        rows[6, n] = rise * edge_in[2, n] + fall * edge_out[2, n]
        rows[7, n] = padded[n] - (p[2] + rise * step_in + fall * step_out)
    rows[:, y.shape[0] : count] = 0.0
    return rows


@njit(cache=True, nogil=True)
def _gather(y, first_mm, step_mm, p, kernel, prior, prior_u, noise, free, work, normal, right):  # type: ignore[no-untyped-def]  # compiled
    """Return the cost at `p`, and set the normal equations' lower half and right side there."""
    count = pad(y.shape[0])
    rows = _set_model(y, first_mm, step_mm, p, kernel, work)
    share = 1.0 / noise**2
    total = share * sum_products(rows[7], rows[7], count)
    for i in range(free.shape[0]):
        q = free[i]
        right[i] = share * sum_products(rows[q], rows[7], count)
        for j in range(i + 1):
            normal[i, j] = share * sum_products(rows[q], rows[free[j]], count)
        if prior_u[q] > 0:
            miss = (prior[q] - p[q]) / prior_u[q]
            total += miss * miss
            right[i] += miss / prior_u[q]
            normal[i, i] += 1.0 / prior_u[q] ** 2
    return total


@njit(cache=True, nogil=True)
def _fit_one(y, first_mm, step_mm, p, kernel, prior, prior_u, noise, free, work, normals):  # type: ignore[no-untyped-def]  # compiled
    """Levenberg-Marquardt in place on `p`, over its free parameters; return the normal matrix."""
    n_free = free.shape[0]
    normal, next_normal, factor = normals[0], normals[1], normals[2]
    right, next_right, delta = normals[3, 0, :n_free], normals[3, 1, :n_free], normals[3, 2]
    trial = normals[3, 3]
    trial[:] = p
    damping = 1e-2
    cost = _gather(
        y, first_mm, step_mm, p, kernel, prior, prior_u, noise, free, work, normal, right
    )
    for _iteration in range(25):
        improved = False
        shift = gain = 0.0
        for _attempt in range(8):
            solve_positive(normal, damping, right, factor, delta)
            for i in range(n_free):
                trial[free[i]] = p[free[i]] + delta[i]
            if trial[1] - trial[0] > 0.05 and trial[5] > 0.15:
                new_cost = _gather(
                    y,
                    first_mm,
                    step_mm,
                    trial,
                    kernel,
                    prior,
                    prior_u,
                    noise,
                    free,
                    work,
                    next_normal,
                    next_right,
                )
                if new_cost <= cost:
                    improved = True
                    shift = max(abs(trial[0] - p[0]), abs(trial[1] - p[1]))
                    gain = cost - new_cost
                    cost = new_cost
                    p[:] = trial
                    normal, next_normal = next_normal, normal
                    right, next_right = next_right, right
                    damping = max(damping * 0.2, 1e-7)
                    break
            damping *= 6.0
        if not improved or (shift < 2e-3 and gain < 1e-2 * (1.0 + cost)):
            break
    return normal


@njit(cache=True, nogil=True)
def _propagate(rows, count, prior_u, noise, free, normal, normals, out):  # type: ignore[no-untyped-def]  # compiled
    """Return the outer edge's variance; set its slopes by prior density, blur and enhancement."""
    n_free = free.shape[0]
    unit, row = normals[3, 0, :n_free], normals[3, 2]
    variance = 0.0
    for i in range(n_free):
        unit[i] = 1.0 if free[i] == 1 else 0.0
    solve_positive(normal, 0.0, unit, normals[2], row)
    out[:] = 0.0
    for i in range(n_free):
        if free[i] == 1:
            variance = row[i]
        if free[i] == 4 and prior_u[4] > 0:
            out[0] = row[i] / prior_u[4] ** 2
        for cause in range(2):
            product = sum_products(rows[free[i]], rows[5 + cause], count)
            out[1 + cause] -= row[i] * product / noise**2
    if prior_u[5] >= 0:  # a blur that is fitted has no error of its own
        out[1] = 0.0
    return variance


@njit(cache=True, nogil=True)
def _begin(p, prior, prior_u, single_mm, window, zone_hu):  # type: ignore[no-untyped-def]  # compiled
    """Return where a fit's samples begin; a thick wall's far edge and inside are kept."""
    wall = p[1] - p[0]
    if wall <= single_mm:
        return p[0] - MARGIN_IN_MM
    first = p[1] - min(max(window[0] * wall, window[1]), window[2])
    prior_u[0] = prior_u[2] = -1.0
    if zone_hu > 0.0:
        # The same model one border further in: dense, porous, marrow.
        p[0], p[2], p[4] = p[1] - ZONE_MM, zone_hu, zone_hu - ZONE_DROP_HU[0]
        prior[0], prior_u[0] = p[0], ZONE_MM / 2
        prior[2], prior_u[2] = zone_hu, ZONE_DENSE_U_HU
        prior[4], prior_u[4] = p[4], ZONE_DROP_HU[1]
    return first


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
        p, own, own_u = start[ray].copy(), prior.copy(), prior_u.copy()
        p[5] = own[5] = blur[ray]
        outer = p[1]
        first = _begin(p, own, own_u, single_mm, window, zone_hu)
        low = max(0, int((first - x0) / step))
        high = min(n_samples, int((outer + MARGIN_OUT_MM - x0) / step) + 2)
        count, first = high - low, x0 + low * step
        y = profiles[ray, low:high]
        if count < 12 or not np.isfinite(y).all():
            continue
        work, normals = np.empty((19, pad(count))), np.empty((4, 6, 6))
        work[18, :count] = y
        work[18, count:] = 0.0
        free = np.flatnonzero(own_u >= 0.0)
        normal = _fit_one(y, first, step, p, kernel, own, own_u, noise, free, work, normals)
        rows = _set_model(y, first, step, p, kernel, work)
        rms[ray] = math.sqrt(sum_products(rows[7], rows[7], count) / count)
        variance = _propagate(rows, count, own_u, noise, free, normal, normals, slopes[ray])
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
