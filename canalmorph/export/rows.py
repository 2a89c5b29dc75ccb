"""A case as rows of the tables, by the registry of columns."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from math import isfinite

from canalmorph.flags import Quality
from canalmorph.model.column import Column
from canalmorph.model.columns import AXIAL_COLUMNS, FEMUR_COLUMNS, SECTION_COLUMNS
from canalmorph.model.femur import TORSION_METHOD
from canalmorph.model.results import (
    AxialProfile,
    CanalProfile,
    CanalShape,
    CaseResult,
    FemurResult,
    Measurement,
    Refusal,
    SideDifference,
)

#: What a cell may hold; None is a blank.
Cell = str | float | None
Row = Mapping[str, Cell]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseRows:
    """The rows that one case adds to each table, by column name."""

    femurs: Sequence[Row] = field(default=())
    sections: Sequence[Row] = field(default=())
    axial: Sequence[Row] = field(default=())
    sides: Sequence[Row] = field(default=())
    refusals: Sequence[Row] = field(default=())
    blanks: Sequence[Row] = field(default=())
    corrections: Sequence[Row] = field(default=())


def make_case_rows(case: CaseResult) -> CaseRows:
    """Return the rows of one case: a row a femur, a section, a slice or a refused side."""
    return CaseRows(
        femurs=[_make_femur_row(case, femur) for femur in case.femora],
        sections=[row for femur in case.femora for row in _make_section_rows(case, femur)],
        axial=[row for femur in case.femora for row in _make_axial_rows(case, femur)],
        sides=[_make_side_row(case, difference) for difference in case.differences],
        refusals=[make_refusal_row(refusal, case_id=case.case_id) for refusal in case.refusals],
        blanks=[row for femur in case.femora for row in _make_blank_rows(case, femur)],
    )


def make_refusal_row(refusal: Refusal, *, case_id: str = "") -> Row:
    """Return the row of one refusal; `case_id` stays blank where the series was never read."""
    return {
        "case_id": case_id,
        "file": refusal.source,
        "side": "" if refusal.side is None else refusal.side.value,
        "stage": refusal.stage,
        "reason_code": refusal.code,
        "tag": refusal.tag,
        "message": refusal.message,
        "warnings": ";".join(refusal.warnings),
    }


def expand_columns(columns: Sequence[Column]) -> Iterator[Column]:
    """Yield each column, each measured one followed by the column of its uncertainty."""
    for column in columns:
        yield column
        if column.measured:
            yield Column(
                name=f"{column.name}_u",
                unit=column.unit,
                definition=f"Standard uncertainty (coverage factor 1) of {column.name}.",
            )


def _make_femur_row(case: CaseResult, femur: FemurResult) -> Row:
    row: dict[str, Cell] = {
        **_describe_femur(case, femur),
        **_describe_type(femur),
        **_describe_scan(case),
        **femur.profile.texts,
    }
    for column in FEMUR_COLUMNS:
        if column.measured:
            measurement = femur.indices.values.get(column.name, Measurement())
            row[column.name] = _blank_unless_finite(measurement.value)
            row[f"{column.name}_u"] = _blank_unless_finite(measurement.u)
        elif not column.unit:
            row.setdefault(column.name, "")  # a text that belongs to a blank number
    return row


def _describe_femur(case: CaseResult, femur: FemurResult) -> dict[str, Cell]:
    head = femur.profile.head
    return {
        "case_id": case.case_id,
        "side": femur.side.value,
        "status": femur.status,
        "warnings": ";".join((*case.scan.warnings, *femur.warnings)),
        "plane": femur.profile.frame.plane.value,
        "reviewed_by_hand": "" if case.review is None else case.review.in_table,
        "torsion_method": TORSION_METHOD
        if femur.indices.values.get("torsion_deg", Measurement()).known
        else "",
        "head_inlier_share": None if head is None else _blank_unless_finite(head.inlier_share),
    }


def _describe_type(femur: FemurResult) -> dict[str, Cell]:
    canal_type = femur.canal_type
    shapes = {f"p_{shape.value}": canal_type.shape_probabilities.get(shape) for shape in CanalShape}
    letters = {
        f"p_letter_{letter.lower()}": canal_type.letter_probabilities.get(letter)
        for letter in "ABC"
    }
    return {
        "canal_shape": "" if canal_type.shape is None else canal_type.shape.value,
        **shapes,
        "bone_letter": canal_type.letter or "",
        **letters,
        "fixation": femur.advice.fixation.value,
    }


def _describe_scan(case: CaseResult) -> dict[str, Cell]:
    return {
        "slice_spacing_mm": case.spacing_mm[0],
        "pixel_mm": max(case.spacing_mm[1:]),
        "slice_gaps": case.scan.slice_gaps,
        "kernel": case.scan.kernel,
        "kvp": case.scan.kvp,
        "software_version": case.software_version,
        "settings_hash": case.settings_hash,
    }


def _make_section_rows(case: CaseResult, femur: FemurResult) -> Iterator[Row]:
    profile = femur.profile
    for index, level_mm in enumerate(profile.levels_mm):
        yield {
            "case_id": case.case_id,
            "side": femur.side.value,
            "level_mm": float(level_mm),
            **_fill_measured(SECTION_COLUMNS, profile, index),
        }


def _make_axial_rows(case: CaseResult, femur: FemurResult) -> Iterator[Row]:
    axial = femur.axial
    if axial is None:
        return
    for index, slice_z_mm in enumerate(axial.slice_z_mm):
        yield {
            "case_id": case.case_id,
            "side": femur.side.value,
            "slice_z_mm": float(slice_z_mm),
            "level_mm": _blank_unless_finite(axial.levels_mm[index]),
            **_fill_measured(AXIAL_COLUMNS, axial, index),
        }


def _make_side_row(case: CaseResult, found: SideDifference) -> Row:
    value, u = found.difference.value, found.difference.u
    row: dict[str, Cell] = {
        "case_id": case.case_id,
        "column": found.column,
        "unit": found.unit,
        "difference_over_u": value / u if value is not None and u else None,
        "beyond_3u": "yes" if found.is_notable else "no",
    }
    for name, number in (
        ("right", found.right),
        ("left", found.left),
        ("difference", found.difference),
    ):
        row[name] = _blank_unless_finite(number.value)
        row[f"{name}_u"] = _blank_unless_finite(number.u)
    return row


def _make_blank_rows(case: CaseResult, femur: FemurResult) -> Iterator[Row]:
    reasons = femur.indices.reasons
    for name in (column.name for column in FEMUR_COLUMNS if column.name in reasons):
        yield {
            "case_id": case.case_id,
            "side": femur.side.value,
            "column": name,
            "reason": reasons[name],
        }


def _fill_measured(
    columns: Sequence[Column], profile: CanalProfile | AxialProfile, index: int
) -> dict[str, Cell]:
    """Return one section's measured columns with their uncertainties, and its quality."""
    row: dict[str, Cell] = {"quality": ";".join(Quality(int(profile.quality[index])).names())}
    for name in (column.name for column in columns if column.measured):
        for key, table in ((name, profile.columns), (f"{name}_u", profile.uncertainties)):
            values = table.get(name)
            row[key] = None if values is None else _blank_unless_finite(values[index])
    return row


def _blank_unless_finite(value: float | None) -> float | None:
    return float(value) if value is not None and isfinite(value) else None
