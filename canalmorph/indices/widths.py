"""A measure of the sections at a level, and what the level's own error does to it."""

from dataclasses import dataclass
from math import hypot

import numpy as np

from canalmorph.model.results import CanalProfile, Measurement

#: Distance over which the slope of a width against the level is taken. [mm]
SLOPE_REACH_MM = 4.0
#: Sections on both sides of the level are this near at most. [mm]
NEAR_MM = 2.0


@dataclass(frozen=True, slots=True)
class Width:
    """A width with the part of its uncertainty that the level of the trochanter causes.

    Attributes
    ----------
    value, u_edge : float
        The width (or another measure) and its uncertainty from edges. [mm]
    slope : float
        Its change with the level. [1]
    """

    value: float
    u_edge: float
    slope: float

    def state(self, level_u_mm: float) -> Measurement:
        """Return it with its whole uncertainty."""
        return Measurement(value=self.value, u=hypot(self.u_edge, self.slope * level_u_mm))


def find_width(profile: CanalProfile, column: str, level_mm: float) -> Width | None:
    """Return a width at a level, interpolated between known neighbours less than 2 mm away.

    Parameters
    ----------
    profile : CanalProfile
        Sections.
    column : str
        Of ``sections.csv``.
    level_mm : float
        Height over the lesser trochanter. [mm]
    """
    levels, widths = profile.levels_mm, profile.columns[column]
    known = np.isfinite(widths)
    above = known & (levels >= level_mm - 1e-9) & (levels < level_mm + NEAR_MM)
    below = known & (levels <= level_mm + 1e-9) & (levels > level_mm - NEAR_MM)
    if not above.any() or not below.any():
        return None
    order = np.argsort(levels[known])
    value = float(np.interp(level_mm, levels[known][order], widths[known][order]))
    near = known & (np.abs(levels - level_mm) <= SLOPE_REACH_MM)
    slope = float(np.polyfit(levels[near], widths[near], 1)[0]) if near.sum() >= 3 else 0.0
    nearest = int(np.argmin(np.where(known, np.abs(levels - level_mm), np.inf)))
    return Width(value, float(profile.uncertainties[column][nearest]), slope)
