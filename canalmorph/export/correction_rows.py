"""Automatic against corrected numbers of a case, as rows of ``corrections.csv``."""

from collections.abc import Iterator

from canalmorph.export.rows import Row
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.corrections import Correction, Review
from canalmorph.model.results import CaseResult, FemurResult, Measurement

#: Numbers that differ by less than this share of their uncertainty are the same: surfaces are kept
#: to 0.00003 mm.
SAME_SHARE = 1e-3


def make_correction_rows(
    automatic: CaseResult, corrected: CaseResult, review: Review, *, reader: str
) -> list[Row]:
    """Return a row for each femur and number that a person's marks changed.

    Parameters
    ----------
    automatic, corrected : CaseResult
        Without and with the marks.
    review : Review
        The marks.
    reader : str
        Keyed hash of who set them.
    """
    found = {femur.side: femur for femur in corrected.femora}
    rows: list[Row] = []
    for femur in automatic.femora:
        side = femur.side.other if review.swaps_sides else femur.side
        marks = [one for one in review.corrections if one.side in (femur.side, None)]
        if marks and side in found:
            named = {"marks": _name_marks(marks), "reader": reader}
            keys = {"case_id": automatic.case_id, "side": side.value}
            rows += [{**keys, **row, **named} for row in _compare(femur, found[side])]
    return rows


def _name_marks(marks: list[Correction]) -> str:
    return ";".join(dict.fromkeys(one.kind.value for one in marks))


def _compare(automatic: FemurResult, corrected: FemurResult) -> Iterator[Row]:
    for column in FEMUR_COLUMNS:
        if not column.measured:
            continue
        one, other = (
            femur.indices.values.get(column.name, Measurement()) for femur in (automatic, corrected)
        )
        if _are_same(one, other):
            continue
        both = one.value is not None and other.value is not None
        yield {
            "column": column.name,
            "unit": column.unit,
            "automatic": one.value,
            "automatic_u": one.u,
            "corrected": other.value,
            "corrected_u": other.u,
            "difference": (other.value or 0.0) - (one.value or 0.0) if both else None,
        }


def _are_same(one: Measurement, other: Measurement) -> bool:
    if one.value is None or other.value is None:
        return one.value is other.value
    return abs(one.value - other.value) <= SAME_SHARE * (one.u or 0.0)
