"""Slices of a tilted gantry, moved in their own planes to where their positions put them.

Such slices are parallel and evenly spaced, and each lies a little off the one before it, in its own
plane. The upright grid is therefore reached by moving every slice within its plane: nothing is
interpolated between slices.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.read.pixels import AIR_HU

#: Gantries tilt by up to 30 degrees; what is sheared by more is no scan of a tilted gantry.
LARGEST_TILT_DEG = 31.0
#: A shift closer to whole pixels than this needs no interpolation: it is rounding. [pixels]
WHOLE_PIXEL = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True)
class Tilt:
    """How a stack leans, and the part of its planes that the upright grid covers.

    Attributes
    ----------
    drift_pixels : tuple of 2 floats
        Rows and columns by which each place lies off the one before.
    start_pixels : tuple of 2 ints
        First row and column of the upright grid, counted from those of the first place.
    shape : tuple of 2 ints
        Rows and columns of the upright grid, which holds all slices.
    """

    drift_pixels: tuple[float, float]
    start_pixels: tuple[int, int]
    shape: tuple[int, int]

    def shift_pixels(self, place: int) -> tuple[float, float]:
        """Return where on the upright grid the first row and column of a place lie."""
        (rows, columns), (first_row, first_column) = self.drift_pixels, self.start_pixels
        return place * rows - first_row, place * columns - first_column


def make_tilt(drift_pixels: tuple[float, float], n_places: int, shape: tuple[int, int]) -> Tilt:
    """Return the tilt of `n_places` slices of this shape (rows, columns).

    Examples
    --------
    >>> make_tilt((-0.5, 0.0), 5, (32, 48))
    Tilt(drift_pixels=(-0.5, 0.0), start_pixels=(-2, 0), shape=(34, 48))
    """
    ends = [(0.0, drift * (n_places - 1)) for drift in drift_pixels]
    first = [math.floor(min(pair) + WHOLE_PIXEL) for pair in ends]
    last = [math.ceil(max(pair) - WHOLE_PIXEL) for pair in ends]
    rows, columns = (n + high - low for n, low, high in zip(shape, first, last, strict=True))
    return Tilt(drift_pixels=drift_pixels, start_pixels=(first[0], first[1]), shape=(rows, columns))


def place_slice(
    slice_hu: NDArray[np.int16], shift_pixels: tuple[float, float], out: NDArray[np.int16]
) -> None:
    """Write a slice to `out`, moved by these rows and columns; what it does not cover is air.

    Cubic splines: unlike straight lines they hardly blur what a kernel has blurred before, by
    whatever part of a pixel the slice is moved.
    """
    values, corner = slice_hu.astype(np.float64), []
    for axis, shift in enumerate(shift_pixels):
        values, first = _move(values, shift, axis)
        corner.append(slice(first, first + values.shape[axis]))
    out[...] = AIR_HU
    # Beside a step splines swing over: not beyond what the slice holds.
    out[tuple(corner)] = np.clip(np.rint(values), slice_hu.min(), slice_hu.max())


def _move(values: NDArray[np.float64], shift: float, axis: int) -> tuple[NDArray[np.float64], int]:
    """Return the values on whole pixels between the ends, and the first of these pixels."""
    nearest = round(shift)
    if abs(shift - nearest) < WHOLE_PIXEL:
        return values, nearest
    first = math.floor(shift) + 1
    t = first - shift  # of a pixel, from the old pixel before each new one
    weights = (
        (1 - t) ** 3 / 6,
        (4 - 6 * t**2 + 3 * t**3) / 6,
        (1 + 3 * t + 3 * t**2 - 3 * t**3) / 6,
        t**3 / 6,
    )
    knots = ndimage.spline_filter1d(values, order=3, axis=axis, mode="mirror")
    rim = [(1, 1) if one == axis else (0, 0) for one in range(values.ndim)]
    knots = np.pad(knots, rim, mode="reflect")
    n = values.shape[axis] - 1
    parts = (np.take(knots, range(k, k + n), axis) * weight for k, weight in enumerate(weights))
    return np.asarray(sum(parts)), first
