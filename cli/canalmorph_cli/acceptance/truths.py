"""What is true of a femur, by the tool's column names; the one place where the names meet.

A phantom's own truth and the truth of scans made elsewhere both become a `KnownFemur`.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import dist, inf, isfinite, nan

from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.columns import FEMUR_COLUMNS, SECTION_MEASURES
from canalmorph.model.results import CanalShape
from canalmorph.published import FLUTE_ABOVE, STOVEPIPE_BELOW
from canalmorph_phantoms.truth import FemurTruth, ScanTruth

#: Above this the section runs into the neck. [mm above the lesser trochanter]
HIGHEST_SECTION_MM = 20.0
#: What of the isthmus's section is a column of its own.
_ISTHMUS_WIDTHS = ("canal_ml", "canal_ap", "outer_ml", "outer_ap")

Point = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownSection:
    """The truth of one section.

    Attributes
    ----------
    level_mm : float
        Height over the true lesser trochanter along the true axis. [mm]
    axis_point_mm : (3,) tuple of float
        Where the true axis meets the section, in patient space. [mm]
    values : mapping of str to float
        By the names of `canalmorph.model.columns.SECTION_MEASURES`. [mm, mm2]
    """

    level_mm: float
    axis_point_mm: Point
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownFemur:
    """What is true of one femur.

    Attributes
    ----------
    side : str
        ``left`` or ``right``.
    values : mapping of str to float
        By the names of ``femurs.csv``; what the scan does not show is left out.
    lt_mm : (3,) tuple of float
        Top of the lesser trochanter, in patient space. [mm]
    up : (3,) tuple of float
        Unit vector of the shaft axis, toward proximal.
    head_mm : (3,) tuple of float
        Centre of the head, in patient space. [mm]
    sections : tuple of KnownSection
        What is true of sections across the axis; empty where only the named widths are known.
    wall_mm : mapping of str to float
        True thickness of the wall that a width of ``femurs.csv`` rests on, by its name: the
        thinnest of its section. [mm]
    joint_mm : float
        Width of the joint space, 0 where it is fused, infinite where unknown. [mm]
    cfi_bound_only : bool
        Whether the isthmus lies below the scan, so that only a bound of the flare index is right.
    """

    side: str
    values: Mapping[str, float]
    lt_mm: Point
    up: Point
    head_mm: Point
    sections: tuple[KnownSection, ...] = ()
    wall_mm: Mapping[str, float] = field(default_factory=dict)
    joint_mm: float = inf
    cfi_bound_only: bool = False


def list_known_femora(truth: ScanTruth) -> tuple[KnownFemur, ...]:
    """Return what is true of a phantom's femora, as far as its scan shows it."""
    return tuple(_describe_femur(femur, truth.cortex_hu) for femur in truth.femora)


def classify_truly(cfi: float) -> CanalShape:
    """Return the canal's shape by its true flare index.

    Examples
    --------
    >>> [str(classify_truly(cfi)) for cfi in (2.99, 3.0, 4.7, 4.71)]
    ['stovepipe', 'normal', 'normal', 'champagne_flute']
    """
    if cfi < STOVEPIPE_BELOW:
        return CanalShape.STOVEPIPE
    return CanalShape.CHAMPAGNE_FLUTE if cfi > FLUTE_ABOVE else CanalShape.NORMAL


def _describe_femur(femur: FemurTruth, cortex_hu: float) -> KnownFemur:
    widths, walls = _list_widths(femur)
    points = _list_points(femur)
    facts = _list_facts(femur, cortex_hu)
    indices = {name: value for name, value in femur.indices.items() if _is_in_view(name, femur)}
    values = {**points, **facts, **widths, **indices}
    measured = {column.name for column in FEMUR_COLUMNS if column.measured}
    return KnownFemur(
        side=femur.side,
        values={name: value for name, value in values.items() if name in measured},
        lt_mm=femur.lt_mm,
        up=femur.up,
        head_mm=femur.head_mm,
        sections=_list_sections(femur),
        wall_mm=walls,
        joint_mm=femur.joint_gap_mm,
        cfi_bound_only=not femur.isthmus_in_volume,
    )


def _list_facts(femur: FemurTruth, cortex_hu: float) -> dict[str, float]:
    """Return what belongs to no level, as far as head and condyles are in view."""
    facts = {"bow_radius_mm": femur.bow_radius_mm, "cortex_hu": cortex_hu, **femur.rods_mm}
    if not femur.head_in_volume:
        return facts
    level_mm = sum(
        (head - origin) * step
        for head, origin, step in zip(femur.head_mm, femur.origin_mm, femur.up, strict=True)
    )
    facts |= {
        "head_diameter_mm": femur.head_diameter_mm,
        "head_level_mm": level_mm,
        "head_to_lt_mm": dist(femur.head_mm, femur.lt_mm),
        "head_above_trochanter_tip_mm": level_mm - femur.trochanter_tip_level_mm,
        "head_to_trochanter_tip_mm": dist(femur.head_mm, femur.trochanter_tip_mm),
        "neck_shaft_angle_deg": femur.neck_shaft_angle_deg,
        "femoral_offset_mm": femur.femoral_offset_mm,
    }
    if femur.condyles_in_volume:
        facts |= {
            "torsion_deg": femur.torsion_deg,
            "torsion_transepicondylar_deg": femur.torsion_transepicondylar_deg,
            "femur_length_mm": femur.length_mm,
        }
    return facts


def _list_points(femur: FemurTruth) -> dict[str, float]:
    """Return the coordinates of the landmarks by column name [mm]."""
    points = {"lt": femur.lt_mm}
    if femur.head_in_volume:
        points |= {"head": femur.head_mm, "trochanter_tip": femur.trochanter_tip_mm}
    return {
        f"{name}_{axis}_mm": point[number]
        for name, point in points.items()
        for number, axis in enumerate("xyz")
    }


def _list_widths(femur: FemurTruth) -> tuple[dict[str, float], dict[str, float]]:
    """Return the widths in view by column name, and the wall that each number rests on [mm]."""
    sections = femur.named_sections
    widths, walls = {}, {}
    for level, height in NAMED_LEVELS_MM.items():
        if height < femur.bottom_level_mm:
            continue
        for outline in ("canal", "outer"):
            for axis in ("ml", "ap"):
                name = f"{outline}_{axis}_{level}_mm"
                widths[name] = sections[level][f"{outline}_{axis}_mm"]
                walls[name] = sections[level]["cortex_min_mm"]
    for level in ("lt_minus100", "isthmus"):
        for axis in ("ml", "ap"):
            walls[f"cti_{axis}_{level}"] = sections[level]["cortex_min_mm"]
    if not femur.isthmus_in_volume:
        return widths, walls
    isthmus = sections["isthmus"]
    for width in _ISTHMUS_WIDTHS:
        widths[f"isthmus_{width}_mm"] = isthmus[f"{width}_mm"]
    levels = {"isthmus_level_mm": femur.isthmus_level_mm}
    if femur.isthmus_inscribed_level_mm >= femur.bottom_level_mm:
        widths["isthmus_canal_inscribed_mm"] = femur.isthmus_inscribed_mm
        levels["isthmus_inscribed_level_mm"] = femur.isthmus_inscribed_level_mm
    walls |= {name: isthmus["cortex_min_mm"] for name in widths if name.startswith("isthmus_")}
    return {**widths, **levels}, walls


def _is_in_view(index: str, femur: FemurTruth) -> bool:
    """Return whether the scan shows all that an index rests on."""
    needs_isthmus = "isthmus" in index or index in {"cfi_ml", "cfi_ap", "dcfi_ml"}
    if needs_isthmus and not femur.isthmus_in_volume:
        return False
    lowest = -100.0 if "lt_minus100" in index else -70.0 if index == "mci_ml" else -20.0
    return femur.bottom_level_mm <= lowest


def _list_sections(femur: FemurTruth) -> tuple[KnownSection, ...]:
    names = [column.name for column in SECTION_MEASURES]
    return tuple(
        KnownSection(
            level_mm=section["level_mm"],
            axis_point_mm=_find_axis_point(femur, section["level_mm"]),
            values={name: section[name] for name in names if isfinite(section.get(name, nan))},
        )
        for section in femur.sections
        if femur.bottom_level_mm <= section["level_mm"] <= HIGHEST_SECTION_MM
    )


def _find_axis_point(femur: FemurTruth, level_mm: float) -> Point:
    x, y, z = (
        start + level_mm * step for start, step in zip(femur.origin_mm, femur.up, strict=True)
    )
    return (x, y, z)
