"""How much of the canal a straight round body of a given diameter fills at a level.

General geometry, no implant's shape. There is no column for it: the diameter is the user's.
"""

from dataclasses import dataclass
from math import pi

import numpy as np

from canalmorph.indices.widths import find_width
from canalmorph.model.results import CanalProfile, Measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalFill:
    """How a round body lies in the canal's section at a level; unknown where that is.

    Attributes
    ----------
    ml, ap : Measurement
        Its diameter over the canal's ML and AP caliper width. [dimensionless]
    area : Measurement
        Area of its circle over the canal's area. [dimensionless]
    room : Measurement
        Diameter of the largest circle in the canal less its own; negative where it does not fit
        without removing bone. [mm]
    """

    ml: Measurement
    ap: Measurement
    area: Measurement
    room: Measurement


def compute_canal_fill(profile: CanalProfile, *, diameter_mm: float, level_mm: float) -> CanalFill:
    """Return how much of the canal a round body of this diameter fills at a level.

    Parameters
    ----------
    profile : CanalProfile
        Sections.
    diameter_mm : float
        Of the body, taken as exact. [mm]
    level_mm : float
        Height above the lesser trochanter. [mm]

    Raises
    ------
    ValueError
        If the diameter is not positive or the level is no number.

    Notes
    -----
    Uncertainties are propagated from the canal's edges and from the level of the lesser
    trochanter. Between two sections measures are interpolated.
    """
    if not (diameter_mm > 0 and np.isfinite(diameter_mm)):
        raise ValueError(f"'diameter_mm' must be above 0 mm, got {diameter_mm:g}.")
    if not np.isfinite(level_mm):
        raise ValueError(f"'level_mm' must be a height in mm, got {level_mm:g}.")
    at = {
        name: _measure_at(profile, f"canal_{name}", level_mm)
        for name in ("ml_mm", "ap_mm", "area_mm2", "inscribed_mm")
    }
    circle = at["inscribed_mm"]
    return CanalFill(
        ml=_divide(diameter_mm, at["ml_mm"]),
        ap=_divide(diameter_mm, at["ap_mm"]),
        area=_divide(pi / 4 * diameter_mm**2, at["area_mm2"]),
        room=circle
        if circle.value is None
        else Measurement(value=circle.value - diameter_mm, u=circle.u),
    )


def _divide(body: float, canal: Measurement) -> Measurement:
    if canal.value is None or canal.u is None:
        return Measurement()
    share = body / canal.value
    return Measurement(value=share, u=share * canal.u / canal.value)


def _measure_at(profile: CanalProfile, column: str, level_mm: float) -> Measurement:
    width = find_width(profile, column, level_mm)
    return Measurement() if width is None else width.state(profile.level_u_mm)
