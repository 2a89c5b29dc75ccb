"""Half-maximum edges along a ray: start values of the fit, and the plain method beside it."""

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

#: A wall ends where the level falls below this share of its peak: noise and a porous inner zone
#: fall less.
REAL_DROP = 0.5


@njit(parallel=True, cache=True, nogil=True)
def _start_all(profiles, x0, step, look_in, look_out, start):  # type: ignore[no-untyped-def]  # compiled
    """Half-maximum edges between local plateaus, as start values."""
    # Long: compiled, and each step needs the sample that the one before ended at.
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
            if outside < REAL_DROP * top:  # a real drop, not the noise of a wall that goes on
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
            if inside < REAL_DROP * top:
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
