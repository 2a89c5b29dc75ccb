"""Exact truth of a phantom: measured on the implicit solids, in the words of the design.

Nothing here uses voxels or any method of the tool that the truth judges.
"""

from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from canalmorph_phantoms import solid as sd
from canalmorph_phantoms.epicondyles import find_epicondyles
from canalmorph_phantoms.femur import FemurSolid, make_solid
from canalmorph_phantoms.greater_trochanter import find_trochanter_tip
from canalmorph_phantoms.rods import find_widest_rod
from canalmorph_phantoms.section import (
    Outline,
    measure_caliper,
    measure_calipers,
    measure_inscribed,
    measure_walls,
    sample_section,
)
from canalmorph_phantoms.spec import FemurShape, PhantomScan, PlacedFemur, SideName
from canalmorph_phantoms.transforms import frame_to_patient, patient_to_scanner
from canalmorph_phantoms.trochanter import TrochanterTop, find_lesser_trochanter

NAMED_LEVELS_MM = {
    "lt_plus20": 20.0,
    "lt": 0.0,
    "lt_minus20": -20.0,
    "lt_minus30": -30.0,
    "lt_minus40": -40.0,
    "lt_minus60": -60.0,
    "lt_minus70": -70.0,
    "lt_minus80": -80.0,
    "lt_minus100": -100.0,
}
#: Rods run from the lesser trochanter down to these levels. [mm above it]
ROD_BOTTOMS_MM = {
    "rod_lt_to_minus60_mm": -60.0,
    "rod_lt_to_minus100_mm": -100.0,
    "rod_lt_to_minus150_mm": -150.0,
}
_SECTION_STEP_MM = 10.0
_TOP_LEVEL_MM = 30.0

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FemurTruth:
    """Everything true about one femur; points and directions in scanner LPS.

    Attributes
    ----------
    side : {'left', 'right'}
        Body side.
    lt_mm : tuple of float
        The bump's top: mean of its highest 1 mm. [mm]
    lt_apex_mm, lt_apex_level_mm, lt_direction_deg, lt_prominence_mm
        Single farthest point and its level; direction from medial toward posterior; prominence.
    origin_mm, up, medial, posterior : tuple of float
        The frame: level 0 on the shaft axis, and unit directions (neck plane).
    head_mm, head_diameter_mm, neck_shaft_angle_deg, femoral_offset_mm, torsion_deg
        Head sphere; angle in space; distance of the head centre from the shaft axis; neck
        against the posterior condylar line about the shaft axis, anteversion positive.
    trochanter_tip_mm, trochanter_tip_level_mm
        Middle of the greater trochanter's surface within 1 mm of its highest point along the
        shaft axis, and the level of that point.
    neck_axis, condylar_medial : tuple of float
        Unit directions, neck toward the head and condylar line toward medial.
    torsion_transepicondylar_deg : float
        Neck against the line through both epicondyles, or what stands out farthest to each side.
    bow_radius_mm, length_mm : float
        As made. [mm]
    isthmus_level_mm, isthmus_inscribed_level_mm, isthmus_inscribed_mm : float
        Levels of the smallest canal ML width and of the smallest inscribed circle; its diameter.
    isthmus_in_volume, condyles_in_volume, head_in_volume : bool
        Whether the scan shows them whole.
    bottom_level_mm : float
        Lowest level of which the whole section is in the scan. [mm]
    head_at_lt20 : bool
        Whether the head's circle is met at LT+20.
    joint_gap_mm : float
        Width of the joint space; 0 where head and socket are one bone around the dome. [mm]
    rods_mm : dict of str to float
        Diameters of the widest straight rods by column name; empty where the scan does not ask for
        them. [mm]
    indices : dict of str to float
        Canal flare and cortical indices by column name.
    named_sections : dict of str to dict
        By level name, and ``isthmus``.
    sections : tuple of dict
        By ``level_mm``, ascending.
    """

    side: SideName
    lt_mm: Point
    lt_apex_mm: Point
    lt_apex_level_mm: float
    lt_direction_deg: float
    lt_prominence_mm: float
    origin_mm: Point
    up: Point
    medial: Point
    posterior: Point
    head_mm: Point
    head_diameter_mm: float
    neck_axis: Point
    neck_shaft_angle_deg: float
    femoral_offset_mm: float
    torsion_deg: float
    trochanter_tip_mm: Point
    trochanter_tip_level_mm: float
    condylar_medial: Point
    torsion_transepicondylar_deg: float
    bow_radius_mm: float
    length_mm: float
    isthmus_level_mm: float
    isthmus_inscribed_level_mm: float
    isthmus_inscribed_mm: float
    isthmus_in_volume: bool
    condyles_in_volume: bool
    head_in_volume: bool
    bottom_level_mm: float
    head_at_lt20: bool
    joint_gap_mm: float
    rods_mm: dict[str, float]
    indices: dict[str, float]
    named_sections: dict[str, dict[str, float]]
    sections: tuple[dict[str, float], ...]

    def to_dict(self) -> dict[str, object]:
        """Return all fields as plain data that JSON can write."""
        return asdict(self)


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanTruth:
    """The truth of a phantom scan.

    Attributes
    ----------
    name : str
        Name of the phantom.
    femora : tuple of FemurTruth
        Right before left.
    cortex_hu, noise_sd_hu, blur_in_plane_mm, blur_z_mm : float
        As made.
    """

    name: str
    femora: tuple[FemurTruth, ...]
    cortex_hu: float
    noise_sd_hu: float
    blur_in_plane_mm: float
    blur_z_mm: float

    def to_dict(self) -> dict[str, object]:
        """Return all fields as plain data that JSON can write."""
        return asdict(self)


@lru_cache(maxsize=128)
def solve_solid(shape: FemurShape, step_mm: float = 0.25) -> tuple[FemurSolid, TrochanterTop]:
    """Return the solid whose axis window starts 50 mm below its own lesser trochanter.

    The axis rests on the level of the lesser trochanter and that on the axis; moving the
    window by 0.1 mm turns the axis by less than 0.001 degrees, so two rounds settle both.
    """
    solid = make_solid(shape)
    top = find_lesser_trochanter(solid, step_mm=2 * step_mm)
    solid = make_solid(shape, lt_mm=float(top.point_mm[2]))
    top = find_lesser_trochanter(solid, step_mm=step_mm)
    solid = make_solid(shape, lt_mm=float(top.point_mm[2]))
    return solid, top


def _measure_outline(
    outline: Outline, name: str, limit_mm: float, scanner_ml: NDArray[np.float64]
) -> dict[str, float]:
    lateral, medial = measure_caliper(outline, np.array([1.0, 0.0]))
    front, back = measure_caliper(outline, np.array([0.0, 1.0]))
    low, high = measure_caliper(outline, scanner_ml)
    smallest, largest = measure_calipers(outline)
    return {
        f"{name}_ml_mm": min(medial, limit_mm) - lateral,
        f"{name}_ml_whole_mm": medial - lateral,
        f"{name}_ap_mm": back - front,
        f"{name}_min_mm": smallest,
        f"{name}_max_mm": largest,
        f"{name}_area_mm2": outline.area_mm2,
        f"{name}_equivalent_mm": float(2 * np.sqrt(outline.area_mm2 / np.pi)),
        f"{name}_ml_scanner_mm": high - low,
        f"{name}_centroid_medial_mm": float(outline.centroid_mm[0]),
        f"{name}_centroid_posterior_mm": float(outline.centroid_mm[1]),
    }


def head_limit_mm(shape: FemurShape, s_mm: float) -> float:
    """Return where, toward medial, ML widths end at a nominal level: the head's circle [mm]."""
    rise = s_mm - shape.head_height_mm
    if abs(rise) >= shape.head_radius_mm:
        return float("inf")
    return float(shape.head_medial_mm - np.sqrt(shape.head_radius_mm**2 - rise**2))


def measure_section(
    solid: FemurSolid,
    s_mm: float,
    *,
    scanner_ml: NDArray[np.float64] | None = None,
    step_mm: float = 0.25,
) -> dict[str, float]:
    """Return all true numbers of the section at a nominal level.

    Parameters
    ----------
    solid : FemurSolid
        The femur.
    s_mm : float
        Level above the nominal lesser trochanter. [mm]
    scanner_ml : (2,) float array, optional
        Direction of the scanner's left-right axis in the section, ``(u, v)``; ML by default.
    step_mm : float
        Sampling. [mm]
    """
    outer, canal = sample_section(solid, s_mm, step_mm=step_mm)
    limit = head_limit_mm(solid.shape, s_mm)
    direction = np.array([1.0, 0.0]) if scanner_ml is None else scanner_ml
    return {
        **_measure_outline(outer, "outer", limit, direction),
        **_measure_outline(canal, "canal", limit, direction),
        "canal_inscribed_mm": measure_inscribed(canal),
        **measure_walls(outer, canal),
    }


def _compute_indices(named: dict[str, dict[str, float]]) -> dict[str, float]:
    """Return the indices from the named sections, by column name."""

    def get(level: str, name: str) -> float:
        return named[level][name]

    def cti(level: str, axis: str) -> float:
        return 1 - get(level, f"canal_{axis}_mm") / get(level, f"outer_{axis}_mm")

    ml, isthmus = "canal_ml_mm", get("isthmus", "canal_ml_mm")
    return {
        "cfi_ml": get("lt_plus20", ml) / isthmus,
        "cfi_ap": get("lt_plus20", "canal_ap_mm") / get("isthmus", "canal_ap_mm"),
        "mcfi_ml": get("lt_plus20", ml) / get("lt_minus20", ml),
        "dcfi_ml": get("lt_minus20", ml) / isthmus,
        "cti_ml_lt_minus100": cti("lt_minus100", "ml"),
        "cti_ap_lt_minus100": cti("lt_minus100", "ap"),
        "cti_ml_isthmus": cti("isthmus", "ml"),
        "cbr_ml_lt_minus100": 1 - cti("lt_minus100", "ml"),
        "canal_ratio_isthmus_over_lt_ml": isthmus / get("lt", ml),
        "canal_ratio_lt_minus100_over_lt_minus30_ml": get("lt_minus100", ml)
        / get("lt_minus30", ml),
        "mci_ml": get("lt", "outer_ml_mm") / get("lt_minus70", ml),
        "cortical_area_fraction_isthmus": 1
        - get("isthmus", "canal_area_mm2") / get("isthmus", "outer_area_mm2"),
    }


def _find_inscribed_isthmus(solid: FemurSolid, lt_mm: float) -> tuple[float, float]:
    """Return nominal level and diameter of the smallest inscribed circle below LT-40 [mm].

    On the shaft the canal is an ellipse, whose largest inscribed circle has its minor axis; one
    with waves is sampled around the narrowest ellipse.
    """
    levels = solid.parameters[sd.P_S0] + np.arange(len(solid.table)) * solid.parameters[sd.P_DS]
    diameter = 2 * np.minimum(solid.table[:, sd.CANAL_A], solid.table[:, sd.CANAL_B])
    seen = (levels <= lt_mm - 40) & (levels >= solid.parameters[sd.P_DISTAL] + 60)
    at = int(np.argmin(np.where(seen, diameter, np.inf)))
    if not solid.shape.canal_harmonics:
        return float(levels[at]), float(diameter[at])
    near = levels[seen & (diameter < 1.12 * diameter[at])]
    candidates = np.arange(near.min(), near.max() + 1e-6, 2.0)
    circles = [measure_inscribed(sample_section(solid, float(level))[1]) for level in candidates]
    return float(candidates[int(np.argmin(circles))]), float(min(circles))


def _find_bottom(spec: PhantomScan, up: NDArray[np.float64], origin: NDArray[np.float64]) -> float:
    """Return the lowest level whose section, 34 mm wide, lies whole above the scan's end [mm]."""
    if abs(up[2]) < 0.2:
        raise ValueError(
            f"'patient_rotation_deg' must leave the shaft within 78 degrees of the scanner's axis, "
            f"got {spec.patient_rotation_deg}."
        )
    margin = 17.0 * float(np.sqrt(max(1 - up[2] ** 2, 0.0)))
    low, high = spec.scanner.z_range_mm
    end = low + margin if up[2] > 0 else high - margin
    return float((end - origin[2]) / up[2])


def measure_femur(spec: PhantomScan, femur: PlacedFemur, *, step_mm: float = 0.25) -> FemurTruth:
    """Return the truth of one femur of a scan.

    Parameters
    ----------
    spec : PhantomScan
        The scan.
    femur : PlacedFemur
        One of its femora.
    step_mm : float
        Sampling of surfaces and outlines. [mm]
    """
    shape = femur.shape
    solid, top = solve_solid(shape, step_mm)
    lt = float(top.point_mm[2])
    in_patient, patient = frame_to_patient(femur), patient_to_scanner(spec)
    placed = patient @ in_patient
    axes = placed[:3, :3]
    point, turn = _make_movers(placed)
    across = axes[0, :2] * np.sign(axes[0, 0])
    across = across / np.linalg.norm(across)
    inscribed_level, inscribed = _find_inscribed_isthmus(solid, lt)
    isthmus = solid.isthmus_nominal_mm
    named, sections = _measure_levels(solid, lt, across, step_mm)
    p = solid.parameters
    origin, up = np.array(point(np.array([0.0, 0.0, lt]))), axes[:, 2]
    bottom = _find_bottom(spec, up, origin)
    head = np.array([shape.head_medial_mm, shape.neck_posterior_mm, shape.head_height_mm])
    tip = find_trochanter_tip(solid)
    knee_z = point(np.array([p[sd.P_COND_U], p[sd.P_COND_V], p[sd.P_DISTAL]]))[2]
    return FemurTruth(
        side=femur.side,
        lt_mm=point(top.point_mm),
        lt_apex_mm=point(top.apex_mm),
        lt_apex_level_mm=float(top.apex_mm[2] - lt),
        lt_direction_deg=top.direction_deg,
        lt_prominence_mm=top.prominence_mm,
        origin_mm=point(np.array([0.0, 0.0, lt])),
        up=turn((0, 0, 1)),
        medial=turn((1, 0, 0)),
        posterior=turn((0, 1, 0)),
        head_mm=point(head),
        head_diameter_mm=2 * shape.head_radius_mm,
        neck_axis=turn((float(p[sd.P_NECK_SIN]), 0.0, float(p[sd.P_NECK_COS]))),
        neck_shaft_angle_deg=shape.neck_shaft_angle_deg,
        femoral_offset_mm=float(np.hypot(shape.head_medial_mm, shape.neck_posterior_mm)),
        torsion_deg=shape.torsion_deg,
        torsion_transepicondylar_deg=_epicondylar_turn_deg(solid),
        trochanter_tip_mm=point(tip),
        trochanter_tip_level_mm=float(tip[2] - lt),
        condylar_medial=turn((float(p[sd.P_COND_COS]), float(p[sd.P_COND_SIN]), 0.0)),
        bow_radius_mm=shape.bow_radius_mm,
        length_mm=shape.length_mm,
        isthmus_level_mm=isthmus - lt,
        isthmus_inscribed_level_mm=inscribed_level - lt,
        isthmus_inscribed_mm=inscribed,
        isthmus_in_volume=bottom < isthmus - lt,
        condyles_in_volume=spec.scanner.z_range_mm[0] < knee_z,
        head_in_volume=spec.scanner.z_range_mm[1] > point(head)[2] + shape.head_radius_mm,
        bottom_level_mm=bottom,
        head_at_lt20=bool(np.isfinite(head_limit_mm(shape, lt + 20))),
        joint_gap_mm=0.0 if femur.fused_deg else femur.joint_gap_mm,
        rods_mm=_find_rods(solid, lt, bottom) if spec.with_rods else {},
        indices=_compute_indices(named),
        named_sections=named,
        sections=sections,
    )


def _make_movers(
    placed: NDArray[np.float64],
) -> tuple[Callable[[NDArray[np.float64]], Point], Callable[[tuple[float, float, float]], Point]]:
    """Return what takes a femur's points, and its directions, to the scanner."""
    axes, move = placed[:3, :3], placed[:3, 3]

    def point(local: NDArray[np.float64]) -> Point:
        x, y, z = (axes @ local + move).tolist()
        return (x, y, z)

    def turn(local: tuple[float, float, float]) -> Point:
        x, y, z = (axes @ np.array(local)).tolist()
        return (x, y, z)

    return point, turn


def _find_rods(solid: FemurSolid, lt_mm: float, lowest_mm: float) -> dict[str, float]:
    """Return diameters of the widest rods in view by column name [mm]."""
    return {
        name: find_widest_rod(solid, lt_mm, bottom_mm=bottom).diameter_mm
        for name, bottom in ROD_BOTTOMS_MM.items()
        if bottom >= lowest_mm
    }


def _epicondylar_turn_deg(solid: FemurSolid) -> float:
    """Return the turn of the transepicondylar axis from medial toward posterior [deg]."""
    medial, lateral = find_epicondyles(solid)
    line = medial - lateral
    return float(np.degrees(np.arctan2(line[1], line[0])))


def _measure_levels(
    solid: FemurSolid, lt_mm: float, across: NDArray[np.float64], step_mm: float
) -> tuple[dict[str, dict[str, float]], tuple[dict[str, float], ...]]:
    """Return the named sections and those at regular levels."""
    isthmus = solid.isthmus_nominal_mm - lt_mm
    lowest = _SECTION_STEP_MM * np.floor(isthmus / _SECTION_STEP_MM - 3)
    levels = np.arange(lowest, _TOP_LEVEL_MM + 1, _SECTION_STEP_MM)
    wanted = {**NAMED_LEVELS_MM, "isthmus": isthmus}
    at = {
        float(level): {
            "level_mm": float(level),
            **measure_section(solid, float(level) + lt_mm, scanner_ml=across, step_mm=step_mm),
        }
        for level in sorted({*levels.tolist(), *wanted.values()})
    }
    return {name: at[level] for name, level in wanted.items()}, tuple(at.values())


def measure_scan(spec: PhantomScan, *, step_mm: float = 0.25) -> ScanTruth:
    """Return the truth of a phantom scan, right femur before left."""
    order = sorted(spec.femora, key=lambda femur: femur.side != "right")
    return ScanTruth(
        name=spec.name,
        femora=tuple(measure_femur(spec, femur, step_mm=step_mm) for femur in order),
        cortex_hu=spec.tissue.cortex_hu,
        noise_sd_hu=spec.scanner.noise_sd_hu,
        blur_in_plane_mm=spec.scanner.blur_in_plane_mm,
        blur_z_mm=spec.scanner.blur_z_mm,
    )
