"""The isthmus: the narrowest place of a profile below LT-40, by a local parabola."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: The isthmus lies below this. [mm above the lesser trochanter]
ISTHMUS_BELOW_MM = -40.0
#: And above this: below lies the flare of the knee. [mm above the lesser trochanter]
ISTHMUS_ABOVE_MM = -190.0
#: The parabola's reach to each side. [mm]
REACH_MM = 4.0
#: Beside a longer gap the narrowest place may lie within it, unseen. [mm]
LONGEST_GAP_MM = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Narrowest:
    """The narrowest place of one column.

    Attributes
    ----------
    level_mm, level_u_mm : float
        Where, and its standard uncertainty. [mm]
    width_mm, width_u_mm : float
        How wide. [mm]
    """

    level_mm: float
    level_u_mm: float
    width_mm: float
    width_u_mm: float


def find_narrowest(
    levels_mm: NDArray[np.float64],
    widths_mm: NDArray[np.float64],
    u_mm: NDArray[np.float64],
) -> Narrowest | None:
    """Return the narrowest place below LT-40, or None where none was measured or a gap hides it.

    The level is the vertex of a parabola through the sections around the smallest width; its
    uncertainty grows as the canal's narrowest part is flat.

    Parameters
    ----------
    levels_mm, widths_mm, u_mm : (n,) float arrays
        A profile; NaN where not measurable. [mm]
    """
    usable = (
        np.isfinite(widths_mm) & (levels_mm < ISTHMUS_BELOW_MM) & (levels_mm > ISTHMUS_ABOVE_MM)
    )
    if usable.sum() < 5:
        return None
    levels, widths, us = levels_mm[usable], widths_mm[usable], u_mm[usable]
    smallest = int(np.argmin(widths))
    if _is_beside_gap(levels, float(levels[smallest])):
        return None
    near = np.abs(levels - levels[smallest]) <= REACH_MM
    level, width = float(levels[smallest]), float(widths[smallest])
    bend = 0.0
    if near.sum() >= 4:
        bend, slope, offset = np.polyfit(levels[near] - level, widths[near], 2)
        if bend > 0:
            # A vertex beyond the last section would be narrower than anything that was seen.
            reach = levels[near] - level
            shift = float(np.clip(-slope / (2 * bend), reach.min(), reach.max()))
            width = float(offset + slope * shift + bend * shift**2)
            level += shift
    u = float(us[smallest])
    # Levels whose width lies within its uncertainty of the smallest could be the isthmus.
    flat = levels[widths <= widths.min() + u]
    spread = float(np.ptp(flat)) / np.sqrt(12.0)
    return Narrowest(
        level_mm=level, level_u_mm=float(np.hypot(1.0, spread)), width_mm=width, width_u_mm=u
    )


def _is_beside_gap(levels_mm: NDArray[np.float64], level_mm: float) -> bool:
    """Whether sections are missing next to a level, other than beyond the profile's ends."""
    away = levels_mm - level_mm
    above, below = away[away > 0], -away[away < 0]
    return any(side.size > 0 and side.min() > LONGEST_GAP_MM for side in (above, below))
