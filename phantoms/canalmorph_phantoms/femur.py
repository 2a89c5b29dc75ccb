"""From a femur's parameters to its implicit solid: section table, capsules, and the axis.

The canal's centre line is made to have the least-squares line of its centroids, between 50 mm
below the lesser trochanter and the isthmus, as the ``s`` axis.
"""

from dataclasses import dataclass
from math import cos, hypot, radians, sin, tan

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid
from scipy.interpolate import PchipInterpolator
from scipy.optimize import minimize_scalar

from canalmorph_phantoms import solid as sd
from canalmorph_phantoms.spec import FemurShape, LesserTrochanterShape

#: Sections of the table are this far apart; between them they are joined linearly. [mm]
TABLE_STEP_MM = 0.125
#: The proximal shaft axis is fitted from this far below the lesser trochanter. [mm]
AXIS_TOP_MM = -50.0
#: The isthmus is sought below this level. [mm]
ISTHMUS_BELOW_MM = -40.0
#: The shaft's tube ends in a dome inside neck and trochanter. [mm]
_DOME_MM = (8.0, 42.0)
_TUBE_TOP_MM = 38.0
#: Roundness of an epicondyle.
_EPICONDYLE_RADIUS_MM = 9.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FemurSolid:
    """The two implicit solids of one femur.

    Attributes
    ----------
    shape : FemurShape
        What it was made from.
    parameters : (N_PARAMETERS,) float array
        For `canalmorph_phantoms.solid.evaluate_femur`.
    table : (n, N_COLUMNS) float array
        Sections of the shaft.
    isthmus_nominal_mm : float
        Isthmus above the nominal lesser trochanter. [mm]
    """

    shape: FemurShape
    parameters: NDArray[np.float64]
    table: NDArray[np.float64]
    isthmus_nominal_mm: float

    def section_at(self, s_mm: float) -> NDArray[np.float64]:
        """Return the row of the table at `s_mm` (nominal), shape (N_COLUMNS,) [mm]."""
        levels = self.parameters[sd.P_S0] + np.arange(len(self.table)) * self.parameters[sd.P_DS]
        return np.array([np.interp(s_mm, levels, column) for column in self.table.T])


def _interpolate(
    knots: tuple[tuple[float, float], ...], s: NDArray[np.float64]
) -> NDArray[np.float64]:
    levels, values = np.array(knots).T
    curve = PchipInterpolator(levels, values)
    return np.asarray(curve(np.clip(s, levels[0], levels[-1])))


def _measure_canal_ml(shape: FemurShape, s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the ML width of the canal's tube, its waves included, at nominal levels [mm]."""
    widths = _interpolate(shape.canal_ml_knots, s)
    if not shape.canal_harmonics:
        return widths
    angles = np.radians(np.arange(0.0, 360.0, 0.25))
    grown = np.ones((len(s), len(angles)))
    for order, share, phase_deg, turn_deg_per_mm in shape.canal_harmonics:
        phase = radians(phase_deg) + radians(turn_deg_per_mm) * s[:, None]
        grown += share * np.cos(order * angles + phase)
    return np.asarray(widths * np.ptp(grown * np.cos(angles), axis=1) / 2)


def find_isthmus(shape: FemurShape, top_mm: float = ISTHMUS_BELOW_MM) -> float:
    """Return the nominal level below `top_mm` at which the canal's ML width is smallest [mm]."""
    bottom = shape.canal_ml_knots[0][0]
    s = np.arange(bottom, top_mm, 0.5)
    coarse = float(s[np.argmin(_measure_canal_ml(shape, s))])
    found = minimize_scalar(
        lambda x: float(_measure_canal_ml(shape, np.array([x]))[0]),
        bounds=(max(coarse - 1, bottom), min(coarse + 1, top_mm)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    return float(found.x)


def _integrate_bow(s: NDArray[np.float64], radius_mm: float) -> NDArray[np.float64]:
    """Return the posterior shift of a shaft bowed below LT-20 and above LT-290 [mm]."""
    curvature = np.interp(s, [-310, -290, -40, -10], [0.0, 1.0, 1.0, 0.0]) / radius_mm
    slope = cumulative_trapezoid(curvature, s, initial=0)
    return np.asarray(cumulative_trapezoid(slope, s, initial=0))


def _make_table(
    shape: FemurShape, isthmus_mm: float, lt_mm: float, distal_mm: float
) -> tuple[float, NDArray[np.float64]]:
    first = np.floor(distal_mm) - 5.0
    s = np.arange(first, 100.0 + TABLE_STEP_MM / 2, TABLE_STEP_MM)
    canal_ml = _interpolate(shape.canal_ml_knots, s)
    wall = _interpolate(shape.wall_ml_knots, s)
    canal_ap = canal_ml * _interpolate(shape.canal_ap_ratio_knots, s)
    # The walls even out above the trochanter and toward the knee.
    uneven = np.interp(s, [distal_mm + 60, distal_mm + 130, -25, 5], [0.0, 1.0, 1.0, 0.0])
    uneven = uneven * uneven * (3 - 2 * uneven)
    front = wall * (1 + uneven * (shape.wall_anterior_factor - 1))
    back = wall * (1 + uneven * (shape.wall_posterior_factor - 1))
    medial = wall * (1 + uneven * (shape.wall_medial_factor - 1))
    lateral = wall * (1 + uneven * (shape.wall_lateral_factor - 1))
    canal_v = _integrate_bow(s, shape.bow_radius_mm)
    canal_u = 2.5 * np.clip((s + 40) / 60, 0, 1.2) ** 2
    window = (s >= isthmus_mm) & (s <= lt_mm + AXIS_TOP_MM)
    canal_v = canal_v - np.polyval(np.polyfit(s[window], canal_v[window], 1), s)
    canal_u = canal_u - np.polyval(np.polyfit(s[window], canal_u[window], 1), s)
    dome = np.sqrt(1 - np.clip((s - _DOME_MM[0]) / (_DOME_MM[1] - _DOME_MM[0]), 0, 0.95) ** 2)
    table = np.empty((len(s), sd.N_COLUMNS))
    table[:, sd.OUTER_U] = canal_u + (medial - lateral) / 2
    table[:, sd.OUTER_V] = canal_v + (back - front) / 2
    table[:, sd.OUTER_A] = (canal_ml + medial + lateral) / 2
    table[:, sd.OUTER_B] = (canal_ap + front + back) / 2
    table[:, sd.OUTER_A : sd.OUTER_B + 1] *= dome[:, None]
    table[:, sd.CANAL_U], table[:, sd.CANAL_V] = canal_u, canal_v
    table[:, sd.CANAL_A], table[:, sd.CANAL_B] = canal_ml * dome / 2, canal_ap * dome / 2
    solid_shaft = np.minimum(np.maximum(12.0 - s, 0.0), np.maximum(s - distal_mm - 45.0, 0.0))
    blend = np.clip((s - 8) / 14, 0, 1)
    table[:, sd.SHELL] = (1 - blend) * wall + blend * shape.shell_mm + 0.6 * solid_shaft
    return float(s[0]), table


def _place_on_surface(
    row: NDArray[np.float64], angle_deg: float, depth_mm: float
) -> tuple[float, float]:
    """Return the point `depth_mm` inside the outer ellipse in a direction from its centre."""
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    reach = 1 / hypot(c / row[sd.OUTER_A], s / row[sd.OUTER_B]) - depth_mm
    return float(row[sd.OUTER_U] + reach * c), float(row[sd.OUTER_V] + reach * s)


def _make_capsules(shape: FemurShape, rows: dict[float, NDArray[np.float64]]) -> list[list[float]]:
    """Return greater trochanter, crest and lesser trochanter as tapered capsules."""
    lt = shape.lesser_trochanter
    tip = shape.head_height_mm + shape.trochanter_tip_mm
    lateral = rows[0.0][sd.OUTER_U] - rows[0.0][sd.OUTER_A] - shape.trochanter_lateral_mm
    back = rows[0.0][sd.OUTER_V]
    top = [lateral + 6.5, back + 6.0, tip - 10.0, 10.0]
    body = [lateral + 13.0, back + 1.0, 12.0, 15.0]
    apex = [
        *_place_on_surface(rows[0.0], lt.direction_deg, lt.tip_radius_mm - lt.proud_mm),
        0.0,
        lt.tip_radius_mm,
    ]
    upper = [
        *_place_on_surface(rows[20.0], lt.direction_deg - lt.oblique_deg / 2, 3.0),
        lt.above_mm + 3.0,
        8.0,
    ]
    lower = [
        *_place_on_surface(rows[-20.0], lt.direction_deg + lt.oblique_deg / 2, 4.0),
        -lt.below_mm,
        4.5,
    ]
    side = [
        *_place_on_surface(rows[20.0], min(lt.direction_deg + 45.0, 110.0), 4.5),
        lt.above_mm,
        7.5,
    ]
    extra = [
        _make_bump(
            rows[0.0],
            lt,
            lt.hump_proud_mm,
            lt.hump_above_mm,
            lt.hump_turn_deg,
            (lt.hump_radius_mm, lt.hump_radius_mm + 2.0),
            5.0,
        ),
        _make_bump(
            rows[0.0],
            lt,
            lt.spur_proud_mm,
            lt.spur_above_mm,
            lt.spur_turn_deg,
            (lt.spur_radius_mm, 2.5 * lt.spur_radius_mm),
            2.0,
        ),
    ]
    crest = [lateral + 13.0, back + 12.0, tip - 22.0, 7.0]
    fossa = [4.0, shape.neck_posterior_mm + 2.0, 28.0, 13.0]
    return [
        [*body, *top, 9.0],
        [*top[:2], tip - 14.0, 8.0, *fossa, 9.0],
        [*top[:2], tip - 14.0, 9.0, *crest, 6.0],
        [*crest, *side, 7.0],
        [*apex, *upper, lt.blend_mm],
        [*apex, *lower, lt.blend_mm],
        [*apex, *side, lt.blend_mm],
        *extra,
    ]


def _make_bump(
    row: NDArray[np.float64],
    lt: LesserTrochanterShape,
    proud_mm: float,
    above_mm: float,
    turn_deg: float,
    radii_mm: tuple[float, float],
    blend_mm: float,
) -> list[float]:
    """Return a capsule that stands out from the shaft near the lesser trochanter, or an absent one.

    It runs from a wider foot on the shaft's surface straight out to its tip.
    """
    if proud_mm <= 0:
        return [0.0] * sd.CAPSULE_SIZE
    angle = lt.direction_deg + turn_deg
    tip = [*_place_on_surface(row, angle, radii_mm[0] - proud_mm), above_mm, radii_mm[0]]
    foot = [*_place_on_surface(row, angle, radii_mm[1]), above_mm, radii_mm[1]]
    return [*tip, *foot, blend_mm]


def make_solid(shape: FemurShape, *, lt_mm: float = 0.0) -> FemurSolid:
    """Return the implicit solid of a femur.

    Parameters
    ----------
    shape : FemurShape
        Parameters.
    lt_mm : float
        Level of the true lesser trochanter above the nominal one, from which the window of the
        axis fit is counted; see `canalmorph_phantoms.truth`. [mm]
    """
    distal = shape.head_height_mm + shape.head_radius_mm - shape.length_mm
    isthmus = find_isthmus(shape, lt_mm + ISTHMUS_BELOW_MM)
    first, table = _make_table(shape, isthmus, lt_mm, distal)
    p = np.zeros(sd.N_PARAMETERS)
    p[sd.P_S0], p[sd.P_DS] = first, TABLE_STEP_MM
    p[sd.P_TOP], p[sd.P_CUT_DISTAL] = _TUBE_TOP_MM, distal + 14.0
    p[sd.P_HEAD_U : sd.P_HEAD_R + 1] = (
        shape.head_medial_mm,
        shape.neck_posterior_mm,
        shape.head_height_mm,
        shape.head_radius_mm,
    )
    tilt = radians(180.0 - shape.neck_shaft_angle_deg)
    p[sd.P_NECK_SIN], p[sd.P_NECK_COS] = sin(tilt), cos(tilt)
    p[sd.P_NECK_R], p[sd.P_NECK_RATIO] = shape.neck_radius_mm, shape.neck_height_ratio
    p[sd.P_NECK_NARROW] = 1.05 * shape.head_radius_mm
    p[sd.P_NECK_LENGTH] = shape.head_medial_mm / sin(tilt)
    p[sd.P_SHELL] = shape.shell_mm
    result = FemurSolid(shape=shape, parameters=p, table=table, isthmus_nominal_mm=isthmus)
    knee = result.section_at(distal + shape.condyle_radius_mm)
    p[sd.P_DISTAL], p[sd.P_COND_R] = distal, shape.condyle_radius_mm
    p[sd.P_COND_HALF] = shape.condyle_spacing_mm / 2
    torsion = radians(shape.torsion_deg)
    p[sd.P_COND_U], p[sd.P_COND_V] = knee[sd.OUTER_U], knee[sd.OUTER_V] + 8.0
    p[sd.P_COND_COS], p[sd.P_COND_SIN] = cos(torsion), sin(torsion)
    if shape.epicondyle_proud_mm > 0:
        # The top lies on the line that is turned; a cap of 1 mm around it is the bump's alone.
        p[sd.P_EPI_R] = _EPICONDYLE_RADIUS_MM
        reach = p[sd.P_COND_HALF] + shape.condyle_radius_mm + shape.epicondyle_proud_mm
        p[sd.P_EPI_ALONG] = reach - _EPICONDYLE_RADIUS_MM
        p[sd.P_EPI_BACK] = -reach * tan(radians(shape.epicondyle_turn_deg))
    rows = {level: result.section_at(level) for level in (-20.0, 0.0, 20.0)}
    p[sd.P_CAPSULES : sd.P_WAVES] = np.ravel(_make_capsules(shape, rows))
    for place, harmonics in enumerate((shape.outer_harmonics, shape.canal_harmonics)):
        for number, (order, share, phase_deg, turn_deg_per_mm) in enumerate(harmonics):
            start = sd.P_WAVES + (place * sd.N_WAVES + number) * sd.WAVE_SIZE
            wave = [order, share, radians(phase_deg), radians(turn_deg_per_mm)]
            p[start : start + sd.WAVE_SIZE] = wave
    return result
