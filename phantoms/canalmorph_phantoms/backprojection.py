"""Fan-beam filtered back-projection onto a small field, with a smooth or a sharp kernel.

After Kak and Slaney, "Principles of Computerized Tomographic Imaging" (1988), chapter 3.4: a
detector of equidistant elements and a full turn.
"""

from dataclasses import dataclass
from math import pi
from types import MappingProxyType
from typing import Literal

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import fft

from canalmorph_phantoms.projector import Gantry

KernelName = Literal["smooth", "sharp"]
#: The filtered projections are interpolated this much finer than the elements, by zero padding.
_FINER = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Kernel:
    """Weight of a spatial frequency in the ramp filter: a roll-off, with or without a rise before.

    Attributes
    ----------
    cut_off_per_mm : float
        Where the cosine roll-off (Hann) reaches 0. [1/mm]
    rise : float
        Greatest rise over 1 before the roll-off.
    rise_per_mm : float
        Where the rise is greatest: half a period of a cosine. [1/mm]
    """

    cut_off_per_mm: float
    rise: float = 0.0
    rise_per_mm: float = 0.4

    def weigh(self, frequency_per_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the weight of each frequency."""
        cut = np.clip(frequency_per_mm / self.cut_off_per_mm, 0.0, 1.0)
        lift = np.clip(frequency_per_mm / self.rise_per_mm, 0.0, 1.0)
        boost = 1.0 + 0.5 * self.rise * (1.0 - np.cos(pi * lift))
        return np.asarray(0.5 * (1.0 + np.cos(pi * cut)) * boost)


KERNELS: MappingProxyType[KernelName, Kernel] = MappingProxyType(
    {
        "smooth": Kernel(cut_off_per_mm=0.73),
        "sharp": Kernel(cut_off_per_mm=0.95, rise=0.6, rise_per_mm=0.45),
    }
)


def filter_projections(
    water_mm: NDArray[np.float64], gantry: Gantry, kernel: Kernel
) -> NDArray[np.float32]:
    """Return projections weighted and filtered for `back_project`, shape (views, n) float32.

    Parameters
    ----------
    water_mm : (views, elements) float array
        Length of water along each ray. [mm]
    gantry, kernel
        See there.
    """
    count, pitch = gantry.elements, gantry.pitch_mm
    places = gantry.first_mm + pitch * np.arange(count)
    length = int(2 ** np.ceil(np.log2(2 * count)))
    # The band-limited ramp by its samples in space, so that water reads 0 on the average.
    ramp = np.zeros(length)
    odd = np.arange(1, length // 2, 2)
    ramp[0] = 0.25 / pitch**2
    ramp[odd] = ramp[-odd] = -1.0 / (pi * odd * pitch) ** 2
    frequency = np.arange(length // 2 + 1) / (length * pitch)
    response = fft.rfft(ramp).real * pitch * kernel.weigh(frequency)
    weighted = water_mm * (gantry.source_mm / np.hypot(gantry.source_mm, places))
    spectrum = fft.rfft(weighted.astype(np.float32), length, axis=1)
    # A full turn meets every ray twice: half of each.
    spectrum *= (0.5 * _FINER * response).astype(np.float32)
    fine = fft.irfft(spectrum, _FINER * length, axis=1)[:, : _FINER * count]
    return np.ascontiguousarray(fine, dtype=np.float32)


@njit(cache=True, parallel=True, fastmath=True)
def _back_project(
    filtered: NDArray[np.float32],
    source: float,
    origin: float,
    width: float,
    first: tuple[float, float],
    pixel: float,
    shape: tuple[int, int],
) -> NDArray[np.float32]:
    rows, columns = shape
    views = filtered.shape[0]
    image = np.zeros((rows, columns), dtype=np.float32)
    strips = 8
    for strip in prange(strips):
        for view in range(views):
            angle = 2.0 * pi * view / views
            c, s = np.float32(np.cos(angle)), np.float32(np.sin(angle))
            line = filtered[view]
            for j in range(strip * rows // strips, (strip + 1) * rows // strips):
                y = np.float32(first[0] + j * pixel)
                across, depth = np.float32(y * s), np.float32(source - y * c)
                for i in range(columns):
                    x = np.float32(first[1]) + np.float32(i) * np.float32(pixel)
                    scale = np.float32(source) / (depth + x * s)
                    at = ((across + x * c) * scale - np.float32(origin)) * np.float32(1.0 / width)
                    n = np.int32(at)
                    share = at - np.float32(n)
                    value = line[n] + share * (line[n + 1] - line[n])
                    image[j, i] += scale * scale * value
    image *= np.float32(2.0 * pi / views)
    return image


def back_project(
    filtered: NDArray[np.float32],
    gantry: Gantry,
    first_mm: NDArray[np.float64],
    pixel_mm: float,
    shape: tuple[int, int],
) -> NDArray[np.float32]:
    """Return the density of a slice, water being 1, shape (j, i).

    Parameters
    ----------
    filtered : (views, n) float32 array
        See `filter_projections`.
    gantry : Gantry
        Geometry.
    first_mm : (2,) float array
        Centre of the first pixel, y and x from the isocentre. [mm]
    pixel_mm : float
        Distance of the pixels. [mm]
    shape : tuple of int
        Rows and columns.

    Raises
    ------
    ValueError
        If a pixel lies outside the circle that every projection sees.
    """
    last = first_mm + pixel_mm * (np.array(shape) - 1)
    radius = float(np.hypot(*np.maximum(np.abs(first_mm), np.abs(last))))
    seen = abs(gantry.first_mm) - 2 * gantry.pitch_mm
    seen *= gantry.source_mm / float(np.hypot(gantry.source_mm, seen))
    if radius > seen:
        raise ValueError(f"'shape' must stay within {seen:.0f} mm, got {radius:.0f} mm.")
    image: NDArray[np.float32] = _back_project(
        filtered,
        gantry.source_mm,
        gantry.first_mm,
        gantry.pitch_mm / _FINER,
        (float(first_mm[0]), float(first_mm[1])),
        pixel_mm,
        shape,
    )
    return image
