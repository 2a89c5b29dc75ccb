"""How the canal leaves a straight line: its forward bow, and its centre beside the shaft axis."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.outlines import find_centroids
from canalmorph.measure.axis_doubt import CENTRE_U_MM, TOGETHER_MM, AxisDoubt
from canalmorph.model.column import DEVIATION_LEVELS_MM
from canalmorph.model.results import Measurement

#: The bow is that of the shaft from here down to there, or to where the bone flares to the knee
#: or the scan ends. Higher up the canal turns into the neck. [mm above the trochanter]
BOW_TOP_MM, BOW_BOTTOM_MM = -50.0, -240.0
#: Below its narrowest place the bone flares to the knee where it is so many times as wide.
KNEE_FLARE = 1.3
#: The bow needs this much of the shaft. [mm]
BOW_LENGTH_MM = 100.0
#: A radius known worse than this share is none: the shaft is too short, too straight, or bent
#: elsewhere than in a circle.
LARGEST_SHARE = 0.25
#: The canal's local axis is that of its centres over this much to each side, and each of two
#: single centres has this standard uncertainty across the canal. [mm]
LOCAL_AXIS_MM, MIDDLE_U_MM = 10.0, 0.05
#: Sections are this far from a named level at most. [mm]
NEAR_MM = 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class Bend:
    """The parabola through the centres in one plane.

    Attributes
    ----------
    curvature, curvature_u : float
        Bend per height, positive toward the plane's positive direction at both ends. [1/mm]
    sagitta_mm, length_mm : float
        Height of the arc over its chord, and the chord. [mm]
    """

    curvature: float
    curvature_u: float
    sagitta_mm: float
    length_mm: float


def measure_bow(
    centres_mm: NDArray[np.float64], widths_mm: NDArray[np.float64], plane_u_deg: float
) -> tuple[dict[str, Measurement], dict[str, str]]:
    """Return the columns of the bow and why one is blank, by femur column name.

    Parameters
    ----------
    centres_mm : (n, 3) float array
        Middles of the canal (medial, posterior, level), NaN where unknown. [mm]
    widths_mm : (n,) float array
        The bone's outer ML width. [mm]
    plane_u_deg : float
        Standard uncertainty of the AP direction.
    """
    shaft = _find_shaft(centres_mm[:, 2], widths_mm)
    part = centres_mm[shaft & np.isfinite(centres_mm).all(axis=1)]
    length = float(np.ptp(part[:, 2])) if len(part) else 0.0
    if length < BOW_LENGTH_MM:
        reason = (
            f"{length:.0f} mm of the canal's centre line below LT-50 is in view; "
            f"{BOW_LENGTH_MM:.0f} mm is needed for a bow."
        )
        return {}, dict.fromkeys(("bow_radius_mm", "bow_direction_deg"), reason)
    across, along = (fit_bend(part[:, 2], part[:, axis]) for axis in (0, 1))
    return _describe_bow(across, along, plane_u_deg)


def _describe_bow(
    across: Bend, along: Bend, plane_u_deg: float
) -> tuple[dict[str, Measurement], dict[str, str]]:
    """Return radius and direction from the bends in the ML and in the AP plane."""
    found: dict[str, Measurement] = {}
    reasons: dict[str, str] = {}
    turn = np.radians(plane_u_deg)
    u = float(np.hypot(along.curvature_u, turn * across.curvature))
    whole = float(np.hypot(across.curvature, along.curvature))
    if whole > 3 * max(u, across.curvature_u):
        direction = np.degrees(np.arctan2(across.curvature, along.curvature))
        turned = np.hypot(max(along.curvature_u, across.curvature_u) / whole, turn)
        found["bow_direction_deg"] = Measurement(
            value=float(direction), u=float(np.degrees(turned))
        )
    else:
        reasons["bow_direction_deg"] = "The canal in view is too straight for a bow."
    if along.curvature < -3 * u:
        reasons["bow_radius_mm"] = "The canal in view is bowed backwards, not forwards."
    elif u > LARGEST_SHARE * along.curvature:
        reasons["bow_radius_mm"] = (
            f"The {along.length_mm:.0f} mm of canal in view is too short or too straight: its "
            f"sagitta is {along.sagitta_mm:.1f} mm."
        )
    else:
        radius = along.length_mm**2 / (8 * along.sagitta_mm) + along.sagitta_mm / 2
        found["bow_radius_mm"] = Measurement(value=radius, u=radius * u / along.curvature)
    return found, reasons


def find_centres(
    levels_mm: NDArray[np.float64], canal_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the centroids (medial, posterior, level) of sections, NaN where one has a gap [mm]."""
    flat = np.broadcast_to(levels_mm[:, None, None], (*canal_mm.shape[:2], 1))
    return find_centroids(np.concatenate([canal_mm[..., :2], flat], axis=-1))


def _find_shaft(
    levels_mm: NDArray[np.float64], widths_mm: NDArray[np.float64]
) -> NDArray[np.bool_]:
    """Return which sections are those of the shaft, above the flare to the knee."""
    shaft = (levels_mm <= BOW_TOP_MM) & (levels_mm >= BOW_BOTTOM_MM)
    if not np.isfinite(widths_mm[shaft]).any():
        return np.asarray(shaft)
    narrowest = int(np.nanargmin(np.where(shaft, widths_mm, np.nan)))
    flared = (widths_mm > KNEE_FLARE * widths_mm[narrowest]) & (levels_mm < levels_mm[narrowest])
    end = levels_mm[flared].max(initial=-np.inf)
    return np.asarray(shaft & (levels_mm > end))


def fit_bend(levels_mm: NDArray[np.float64], places_mm: NDArray[np.float64]) -> Bend:
    """Return the bend of centres about their chord, by a least-squares parabola.

    The chord is turned level first, so that a leaning line bends no less than an upright one. The
    uncertainty takes centres over `TOGETHER_MM` as one, so that a bow that is no circle shows.
    """
    lean = np.arctan(np.polyfit(levels_mm, places_mm, 1)[0])
    along = levels_mm * np.cos(lean) + places_mm * np.sin(lean)
    off = places_mm * np.cos(lean) - levels_mm * np.sin(lean)
    along = along - along.mean()
    bend, slope, offset = np.polyfit(along, off, 2)
    length = float(np.ptp(along))
    scatter = off - np.polyval([bend, slope, offset], along)
    error = float(np.hypot(scatter.std(), CENTRE_U_MM))
    independent = max(length / TOGETHER_MM - 3.0, 1.0)
    # Of centres spread evenly over L the parabola's leading term errs by 180^0.5 / L^2 of theirs.
    u = error * np.sqrt(180.0 / independent) / length**2
    return Bend(
        curvature=float(2 * bend),
        curvature_u=float(2 * u),
        sagitta_mm=float(bend * length**2 / 4),
        length_mm=length,
    )


def measure_deviations(
    centres_mm: NDArray[np.float64], doubt: AxisDoubt, level_u_mm: float
) -> tuple[dict[str, Measurement], dict[str, str]]:
    """Return where the canal's centre and local axis leave the proximal shaft axis.

    Parameters
    ----------
    centres_mm : (n, 3) float array
        Middles of the canal (medial, posterior, level), NaN where unknown. [mm]
    doubt : AxisDoubt
        How surely the shaft axis is known.
    level_u_mm : float
        Standard uncertainty of level 0. [mm]
    """
    found: dict[str, Measurement] = {}
    reasons: dict[str, str] = {}
    for name, level in DEVIATION_LEVELS_MM.items():
        columns = [f"centre_{axis}_{name}_mm" for axis in ("ml", "ap")]
        leans = [f"axis_tilt_{axis}_{name}_deg" for axis in ("ml", "ap")]
        line = _fit_local(centres_mm, level)
        if line is None:
            reason = _explain_absence(float(centres_mm[:, 2].min(initial=0.0)), level)
            reasons |= dict.fromkeys([*columns, *leans], reason)
            continue
        place, slope, u_slope = line
        u_place = np.hypot(CENTRE_U_MM, doubt.find_place_u_mm(level))
        u_place = np.hypot(u_place, slope * level_u_mm)
        u_lean = np.hypot(np.degrees(u_slope), doubt.find_lean_u_deg())
        lean = np.degrees(np.arctan(slope))
        for axis in range(2):
            found[columns[axis]] = Measurement(value=float(place[axis]), u=float(u_place[axis]))
            found[leans[axis]] = Measurement(value=float(lean[axis]), u=float(u_lean[axis]))
    return found, reasons


def _fit_local(
    centres: NDArray[np.float64], level_mm: float
) -> tuple[NDArray[np.float64], NDArray[np.float64], float] | None:
    """Return place and slope of the line through the centres about a level, and the slope's u."""
    near = np.abs(centres[:, 2] - level_mm) <= LOCAL_AXIS_MM + NEAR_MM
    near &= np.isfinite(centres).all(axis=1)
    away = centres[near, 2] - level_mm
    if (
        near.sum() < 6
        or away.min() > NEAR_MM - LOCAL_AXIS_MM
        or away.max() < LOCAL_AXIS_MM - NEAR_MM
    ):
        return None
    fitted = np.polyfit(away, centres[near, :2], 2)
    return fitted[2], fitted[1], CENTRE_U_MM / LOCAL_AXIS_MM * np.sqrt(1.5)


def _explain_absence(lowest: float, level_mm: float) -> str:
    if lowest > level_mm - LOCAL_AXIS_MM:
        return (
            f"The scan shows the shaft down to {lowest:.0f} mm from the lesser trochanter; "
            f"{level_mm - LOCAL_AXIS_MM:.0f} mm is needed."
        )
    return f"The canal is not known all around near LT{level_mm:+.0f}."
