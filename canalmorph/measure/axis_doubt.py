"""How surely the proximal shaft axis is known at a level, from the canal's own middles.

The axis ends at the isthmus, whose level is not sharp where the canal is evenly narrow: in a bowed
canal another end is another axis.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.shaft import AXIS_TOP_MM, ISTHMUS_ABOVE_MM, LONG_AXIS_MM

#: Standard uncertainty of a centre across the canal; centres err together over this length. [mm]
CENTRE_U_MM, TOGETHER_MM = 0.03, 25.0
#: The isthmus' level is no surer than this. [mm]
LEAST_LEVEL_U_MM = 1.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AxisDoubt:
    """Standard uncertainty of the axis as a line that turns about a level.

    Attributes
    ----------
    turn, shift_mm : (2,) float arrays
        Change of the axis' slope [1] and of its place at level 0 [mm] in the ML and AP direction
        with the isthmus' level, at one standard uncertainty of that; both together.
    noise_slope : float
        What the centres' own noise adds to the slope. [1]
    noise_mm, middle_mm : float
        What it adds to the place at the middle of the centres, and that level. [mm]
    """

    turn: NDArray[np.float64]
    shift_mm: NDArray[np.float64]
    noise_slope: float
    noise_mm: float
    middle_mm: float

    def find_place_u_mm(self, level_mm: float) -> NDArray[np.float64]:
        """Return the standard uncertainty of the axis' place at a level, (ML, AP) [mm]."""
        noise = np.hypot(self.noise_mm, self.noise_slope * (level_mm - self.middle_mm))
        return np.asarray(np.hypot(self.shift_mm + self.turn * level_mm, noise))

    def find_lean_u_deg(self) -> NDArray[np.float64]:
        """Return the standard uncertainty of its direction, (ML, AP) [deg]."""
        return np.asarray(np.degrees(np.hypot(self.turn, self.noise_slope)))


def find_axis_doubt(
    centres_mm: NDArray[np.float64],
    widths_mm: NDArray[np.float64],
    widths_u_mm: NDArray[np.float64],
    axis_u_deg: float,
) -> AxisDoubt:
    """Return how surely the axis is known.

    Parameters
    ----------
    centres_mm : (n, 3) float array
        Middles of the canal (medial, posterior, level), NaN where unknown. [mm]
    widths_mm, widths_u_mm : (n,) float arrays
        ML width of the canal and its standard uncertainty. [mm]
    axis_u_deg : float
        Uncertainty of the axis as the alignment states it; stands in where the shaft is short.
    """
    levels = centres_mm[:, 2]
    sought = np.isfinite(widths_mm) & np.isfinite(centres_mm).all(axis=1)
    sought &= (levels <= AXIS_TOP_MM - LONG_AXIS_MM) & (levels >= ISTHMUS_ABOVE_MM)
    if sought.sum() < 5:
        return _state_plainly(axis_u_deg)
    narrowest = int(np.argmin(np.where(sought, widths_mm, np.inf)))
    flat = levels[sought & (widths_mm <= widths_mm[narrowest] + widths_u_mm[narrowest])]
    level_u = float(np.hypot(LEAST_LEVEL_U_MM, np.ptp(flat) / np.sqrt(12.0)))
    end = float(levels[narrowest])
    one, other = (
        _fit_axis(centres_mm, end + move) for move in (level_u, -min(level_u, end - levels.min()))
    )
    if one is None or other is None:
        return _state_plainly(axis_u_deg)
    length = AXIS_TOP_MM - end
    independent = max(length / TOGETHER_MM, 1.0)
    return AxisDoubt(
        turn=(one[0] - other[0]) / 2,
        shift_mm=(one[1] - other[1]) / 2,
        noise_slope=float(CENTRE_U_MM * np.sqrt(12.0 / independent) / length),
        noise_mm=float(CENTRE_U_MM / np.sqrt(independent)),
        middle_mm=(AXIS_TOP_MM + end) / 2,
    )


def _state_plainly(axis_u_deg: float) -> AxisDoubt:
    """Return the doubt that the alignment states, about the middle of an ordinary axis."""
    return AxisDoubt(
        turn=np.zeros(2),
        shift_mm=np.zeros(2),
        noise_slope=float(np.radians(axis_u_deg)),
        noise_mm=0.1,
        middle_mm=AXIS_TOP_MM,
    )


def _fit_axis(
    centres_mm: NDArray[np.float64], end_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return slope and place at level 0 of the line through the centres down to `end_mm`."""
    levels = centres_mm[:, 2]
    part = (levels <= AXIS_TOP_MM) & (levels >= end_mm) & np.isfinite(centres_mm).all(axis=1)
    if part.sum() < 5:
        return None
    slope, place = np.polyfit(levels[part], centres_mm[part, :2], 1)
    return slope, place
