"""Fan-beam projections of a slice that is given as squares of two materials.

Each square projects on the detector as a trapezoid. Its second derivative is four spikes, so that
a square costs the same whatever its size; running sums turn the spikes of all squares into line
integrals. No edge model and no pixel-wise blur: what blurs is the finite focal spot, the
detector's elements, the turning of the tube and the slice's thickness.
"""

from dataclasses import dataclass
from math import cos, exp, pi, sin, sqrt

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from canalmorph_phantoms.spectrum import BONE_STEP_MM, WATER_STEP_MM, Beam


@dataclass(frozen=True, slots=True, kw_only=True)
class Gantry:
    """Geometry of the measurement; lengths as at the isocentre unless told otherwise.

    Attributes
    ----------
    source_mm, detector_mm : float
        From the focal spot to the isocentre and to the detector. [mm]
    views : int
        Projections a turn.
    pitch_mm : float
        Of the detector's elements; they touch. [mm]
    bins : int
        Rays across an element.
    half_width_mm : float
        Half the detector's width. [mm]
    focal_spot_mm : float
        Width of the focal spot, at the tube. [mm]
    """

    source_mm: float = 570.0
    detector_mm: float = 1040.0
    views: int = 900
    pitch_mm: float = 0.6
    bins: int = 3
    half_width_mm: float = 300.0
    focal_spot_mm: float = 0.9

    @property
    def elements(self) -> int:
        """Return the number of detector elements."""
        return 2 * round(self.half_width_mm / self.pitch_mm)

    @property
    def first_mm(self) -> float:
        """Return the centre of the first element; the row is shifted by a quarter element [mm]."""
        return -(0.5 * self.elements - 0.75) * self.pitch_mm

    def sample_rays(self) -> NDArray[np.float64]:
        """Return the four rays averaged in each bin, shape (4, 3).

        Place on the focal spot [mm at the tube], turn of the tube within a view [rad] and half of
        the slice, 0 or 1. Two places stand for each uniform distribution, at its SD; the four rays
        are an orthogonal array, so that none of the three goes with another.
        """
        spot = self.focal_spot_mm / np.sqrt(12)
        turn = 2 * np.pi / self.views / np.sqrt(12)
        return np.array([[-spot, -turn, 0], [-spot, turn, 1], [spot, -turn, 1], [spot, turn, 0]])


@njit(cache=True)
def _add_spike(sums: NDArray[np.float64], at: float, water: float, bone: float) -> None:
    """Add a spike of the second derivative between two bins, shared linearly."""
    n = int(at)
    share = at - n
    sums[n, 0] += (1.0 - share) * water
    sums[n + 1, 0] += share * water
    if bone > 0.0 or bone < 0.0:
        sums[n, 1] += (1.0 - share) * bone
        sums[n + 1, 1] += share * bone


@njit(cache=True)
def _project_squares(
    squares: NDArray[np.float64],
    angle: float,
    spot: float,
    source: float,
    shift: float,
    origin: float,
    width: float,
    sums: NDArray[np.float64],
) -> None:
    """Leave line integrals of water and bone in `sums`, by bin [mm]."""
    sums[:] = 0.0
    c, s = cos(angle), sin(angle)
    for n in range(squares.shape[0]):
        x, y, edge = squares[n, 0], squares[n, 1], squares[n, 2]
        across = x * c + y * s - spot
        scale = 1.0 / (source + x * s - y * c)
        u = source * across * scale
        # How the shadow moves with x and with y, hence its half widths.
        a = abs((source * c - u * s) * scale) * edge * 0.5
        b = abs((source * s + u * c) * scale) * edge * 0.5
        high, low = max(a, b), max(min(a, b), 0.002 * width)
        chord = edge * sqrt(a * a + b * b) / high
        slope = chord / (2.0 * low) * width
        at = (u + shift - origin) / width
        outer, inner = (high + low) / width, (high - low) / width
        water, bone = slope * squares[n, 3], slope * squares[n, 4]
        _add_spike(sums, at - outer, water, bone)
        _add_spike(sums, at - inner, -water, -bone)
        _add_spike(sums, at + inner, -water, -bone)
        _add_spike(sums, at + outer, water, bone)
    for m in range(2):
        first, second = 0.0, 0.0
        for n in range(sums.shape[0]):
            # A spike in bin n starts a ramp that is one step high in bin n + 1.
            second += first
            first += sums[n, m]
            sums[n, m] = second


@njit(cache=True, parallel=True)
def _project_views(
    lower: NDArray[np.float64],
    upper: NDArray[np.float64],
    rays: NDArray[np.float64],
    distances: tuple[float, float],
    origin: float,
    width: float,
    shape: tuple[int, int, int],
    table: NDArray[np.float32],
) -> NDArray[np.float64]:
    views, elements, bins = shape
    signal = np.zeros((views, elements))
    for view in prange(views):
        sums = np.empty((elements * bins + 1, 2))
        for k in range(rays.shape[0]):
            spot = rays[k, 0]
            angle = 2.0 * pi * view / views + rays[k, 1]
            squares = lower if rays[k, 2] < 0.5 else upper
            shift = spot * distances[0] / distances[1]
            _project_squares(squares, angle, spot, distances[0], shift, origin, width, sums)
            for n in range(elements * bins):
                water = max(sums[n, 0], 0.0) / WATER_STEP_MM
                bone = max(sums[n, 1], 0.0) / BONE_STEP_MM
                if water + bone < 1e-6:
                    signal[view, n // bins] += 1.0
                    continue
                i, j = int(water), int(bone)
                fw, fb = water - i, bone - j
                low = table[i, j] + fb * (table[i, j + 1] - table[i, j])
                high = table[i + 1, j] + fb * (table[i + 1, j + 1] - table[i + 1, j])
                signal[view, n // bins] += exp(-(low + fw * (high - low)))
        signal[view] /= bins * rays.shape[0]
    return signal


def project_squares(
    lower: NDArray[np.float64], upper: NDArray[np.float64], gantry: Gantry, beam: Beam
) -> NDArray[np.float64]:
    """Return the share of the signal that passes a slice, shape (views, elements).

    Intensities, not logarithms, are averaged over a detector element, the focal spot, the turn of
    the tube within a view and the slice's thickness, as a detector does.

    Parameters
    ----------
    lower, upper : (n, 5) float array
        See `canalmorph_phantoms.squares.list_squares`.
    gantry, beam
        See there.
    """
    width = gantry.pitch_mm / gantry.bins
    signal: NDArray[np.float64] = _project_views(
        lower,
        upper,
        gantry.sample_rays(),
        (gantry.source_mm, gantry.detector_mm),
        gantry.first_mm - 0.5 * (gantry.pitch_mm - width),
        width,
        (gantry.views, gantry.elements, gantry.bins),
        beam.attenuation,
    )
    return signal
