"""The page's lists of numbers and of what was not measured, by the registry of columns."""

from collections.abc import Sequence
from dataclasses import dataclass

from canalmorph.model.column import DEVIATION_LEVELS_MM, NAMED_LEVELS_MM, ROD_BOTTOMS_MM, Column
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.index_columns import (
    INDEX_COLUMNS,
    PLANE_COLUMNS,
    PLANE_MEANINGS,
    PLANE_STEMS,
    name_in_plane,
)
from canalmorph.model.results import CaseResult, FemurResult, Measurement
from canalmorph.published import BIBLIOGRAPHY
from canalmorph.report.numbers import format_level, format_measurement

#: Short names of the measured columns that are no widths at a level.
NAMES = {
    "isthmus_level_mm": "Isthmus, level",
    "isthmus_canal_inscribed_mm": "Largest circle in the canal, smallest below LT−40",
    "isthmus_inscribed_level_mm": "Level of that circle",
    "cfi_ml": "Canal flare index ML",
    "cfi_ml_lower_bound": "Canal flare index ML, at least",
    "cfi_ap": "Canal flare index AP",
    "mcfi_ml": "Metaphyseal flare index ML",
    "dcfi_ml": "Distal flare index ML",
    "cti_ml_lt_minus100": "Cortical thickness index ML, LT−100",
    "cti_ap_lt_minus100": "Cortical thickness index AP, LT−100",
    "cti_ml_isthmus": "Cortical thickness index ML, isthmus",
    "cbr_ml_lt_minus100": "Canal over outer width ML, LT−100",
    "canal_ratio_isthmus_over_lt_ml": "Canal ML, isthmus over LT",
    "canal_ratio_lt_minus100_over_lt_minus30_ml": "Canal ML, LT−100 over LT−30",
    "wall_ratio_posterior_over_anterior_lt_minus100": "Posterior over anterior wall, LT−100",
    "cortex_anterior_lt_minus100_mm": "Anterior wall, LT−100",
    "cortex_posterior_lt_minus100_mm": "Posterior wall, LT−100",
    "mci_ml": "Outer ML at LT over canal ML at LT−70",
    "cortical_area_fraction_isthmus": "Cortex area over total area, isthmus",
    "head_diameter_mm": "Head, diameter",
    "head_level_mm": "Head centre over the lesser trochanter, along the shaft",
    "head_to_lt_mm": "Head centre to lesser trochanter",
    "neck_shaft_angle_deg": "Neck-shaft angle, in space",
    "neck_shaft_angle_sphere_deg": "The same, neck axis by the enlarged head sphere",
    "neck_shaft_angle_ap_deg": "Neck-shaft angle, as an AP film shows it (leg as it lay)",
    "neck_turn_ap_deg": "Neck turned forward out of that film's plane",
    "femoral_offset_mm": "Head centre from shaft axis (offset)",
    "femoral_offset_ap_mm": "Offset, as an AP film shows it (leg as it lay)",
    "head_above_trochanter_tip_mm": "Head centre over the greater trochanter's tip (below: −)",
    "head_to_trochanter_tip_mm": "Head centre to greater trochanter's tip",
    "trochanter_tip_x_mm": "Greater trochanter's tip, patient x (left)",
    "trochanter_tip_y_mm": "Greater trochanter's tip, patient y (back)",
    "trochanter_tip_z_mm": "Greater trochanter's tip, patient z (up)",
    "canal_volume_lt_isthmus_mm3": "Canal volume, LT to isthmus",
    "cortex_hu": "CT number of thick cortex",
    "cancellous_neck_hu": "CT number of cancellous bone, neck",
    "cancellous_metaphysis_hu": "CT number of cancellous bone, LT+10 to LT+20",
    "torsion_deg": "Torsion, neck against posterior condyles (+ anteversion)",
    "torsion_transepicondylar_deg": "Torsion, neck against epicondyles (+ anteversion)",
    "femur_length_mm": "Femur, length along the shaft axis",
    "mechanical_axis_length_mm": "Mechanical axis, length",
    "mechanical_anatomical_angle_deg": "Mechanical against anatomical axis",
    "isthmus_height_share": "Isthmus, height as a share of the length",
    "cfi_ml_rotation_10_deg_change": "Canal flare index ML, change by 10° of rotation",
    "bow_radius_mm": "Forward bow, radius",
    "bow_direction_deg": "Bow, direction (0 forwards, + lateral)",
    **{
        f"centre_{axis}_{level}_mm": f"Canal's middle from shaft axis, {words}, "
        f"{format_level(height)}"
        for level, height in DEVIATION_LEVELS_MM.items()
        for axis, words in (("ml", "+ medial"), ("ap", "+ back"))
    },
    **{
        f"axis_tilt_{axis}_{level}_deg": f"Canal's axis against shaft axis, {axis.upper()}, "
        f"{format_level(height)}"
        for level, height in DEVIATION_LEVELS_MM.items()
        for axis in ("ml", "ap")
    },
    **{
        f"rod_lt_to_{name}_{part}": f"Widest rod, LT to {format_level(bottom)}: {words}"
        for name, bottom in ROD_BOTTOMS_MM.items()
        for part, words in (
            ("mm", "diameter"),
            ("tilt_ml_deg", "tilt ML"),
            ("tilt_ap_deg", "tilt AP"),
            ("entry_ml_mm", "entry at LT, + medial of shaft axis"),
            ("entry_ap_mm", "entry at LT, + behind shaft axis"),
        )
    },
    "lt_x_mm": "Lesser trochanter, patient x (left)",
    "lt_y_mm": "Lesser trochanter, patient y (back)",
    "lt_z_mm": "Lesser trochanter, patient z (up)",
    "head_x_mm": "Head centre, patient x (left)",
    "head_y_mm": "Head centre, patient y (back)",
    "head_z_mm": "Head centre, patient z (up)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberRow:
    """One line of a table of numbers: a text a side, and where its definition stands."""

    name: str
    column: str
    definition: str
    numbers: tuple[str, ...]
    source: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberTable:
    """A table of numbers with its title."""

    title: str
    rows: tuple[NumberRow, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WidthTable:
    """The widths of one femur: a level and four numbers a line."""

    side: str
    rows: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gap:
    """A reason, and the numbers that are blank because of it."""

    reason: str
    names: tuple[str, ...]


def list_numbers(case: CaseResult) -> tuple[NumberTable, ...]:
    """Return the measured columns other than widths; a column that no side has is left out."""
    measured = {column.name: column for column in FEMUR_COLUMNS if column.measured}
    indices = [column.name for column in INDEX_COLUMNS]
    widths = [name for name in measured if name_width(name)]
    planes = [column.name for column in PLANE_COLUMNS]
    rest = [name for name in measured if name not in (*indices, *widths, *planes)]
    places = [name for name in rest if name.split("_")[-2] in ("x", "y", "z")]
    numbers = [name for name in rest if measured[name].unit == "HU"]
    straight = [name for name in rest if name.startswith(("bow_", "rod_", "centre_", "axis_"))]
    others = (*places, *numbers, *straight)
    voltage = "not stated" if case.scan.kvp is None else f"{case.scan.kvp:g} kV"
    groups = (
        ("Indices", indices),
        ("In other planes", planes),
        ("Isthmus, head, neck, shaft", [name for name in rest if name not in others]),
        ("Bow and straight rods", straight),
        (f"CT numbers, tube voltage {voltage}", numbers),
        ("Landmarks in the scan", places),
    )
    tables = []
    for title, names in groups:
        rows = [_make_row(measured[name], case.femora) for name in names]
        kept = tuple(row for row in rows if any(number != "–" for number in row.numbers))
        if kept:
            tables.append(NumberTable(title=title, rows=kept))
    return tuple(tables)


def list_contacts(femur: FemurResult) -> tuple[str, ...]:
    """Return where each widest rod touches, in a sentence each."""
    sentences = []
    for name, bottom in ROD_BOTTOMS_MM.items():
        places = femur.profile.texts.get(f"rod_lt_to_{name}_contacts")
        if places:
            level = format_level(bottom)
            words = places.replace("; ", ", ").replace("-", "\N{MINUS SIGN}")
            sentences.append(f"The widest rod from LT to {level} rests {words}.")
    return tuple(sentences)


def list_widths(femur: FemurResult) -> WidthTable:
    """Return the outer and canal widths of one femur at the named levels and the isthmus."""
    levels = {format_level(height): f"{{}}_{name}_mm" for name, height in NAMED_LEVELS_MM.items()}
    levels["isthmus"] = "isthmus_{}_mm"
    rows = []
    for words, pattern in levels.items():
        numbers = tuple(
            format_measurement(
                femur.indices.values.get(pattern.format(f"{outline}_{axis}"), Measurement()), "mm"
            )
            for outline in ("outer", "canal")
            for axis in ("ml", "ap")
        )
        if any(number != "–" for number in numbers):
            rows.append((words, numbers))
    return WidthTable(side=femur.side.value, rows=tuple(rows))


def list_gaps(femur: FemurResult) -> tuple[Gap, ...]:
    """Return why columns are blank, one entry a reason; a blank without a reason is told too."""
    values, reasons = femur.indices.values, femur.indices.reasons
    by_reason: dict[str, list[str]] = {}
    for column in FEMUR_COLUMNS:
        blank = column.measured and not values.get(column.name, Measurement()).known
        # A lower bound stands in for the index, so that it is no gap where the index is known.
        if column.name in reasons or (blank and column.name != "cfi_ml_lower_bound"):
            reason = reasons.get(column.name, "Not measured; no reason was given.")
            by_reason.setdefault(reason, []).append(name_column(column.name))
    return tuple(Gap(reason=reason, names=tuple(names)) for reason, names in by_reason.items())


def name_column(column: str) -> str:
    """Return a column's name as the page has it.

    Examples
    --------
    >>> name_column("canal_ml_lt_minus100_mm"), name_column("isthmus_outer_ap_mm")
    ('Canal ML, LT−100', 'Outer AP, isthmus')
    """
    for plane in PLANE_MEANINGS:
        for stem in PLANE_STEMS:
            if column == name_in_plane(stem, plane):
                return f"{name_column(stem)}, {plane} plane"
    return name_width(column) or NAMES.get(column, column)


def name_width(column: str) -> str:
    """Return the name of a width at a level; empty where the column is something else."""
    for level, words in (
        *((level, format_level(height)) for level, height in NAMED_LEVELS_MM.items()),
        ("isthmus", "isthmus"),
    ):
        for outline in ("canal", "outer"):
            for axis in ("ml", "ap"):
                if column in (
                    f"{outline}_{axis}_{level}_mm",
                    f"{level}_{outline}_{axis}_mm",
                ):
                    return f"{outline.capitalize()} {axis.upper()}, {words}"
    return ""


def _make_row(column: Column, femora: Sequence[FemurResult]) -> NumberRow:
    numbers = tuple(
        format_measurement(femur.indices.values.get(column.name, Measurement()), column.unit)
        for femur in femora
    )
    return NumberRow(
        name=name_column(column.name),
        column=column.name,
        definition=column.definition,
        numbers=numbers,
        source=BIBLIOGRAPHY[column.source] if column.source else "",
    )
