"""``result.json``: everything of one case but who the patient is, and back.

A record holds no patient facts, no path and no series UID: ``case_id`` and the input's hash name
the scan. The file of a refused side is kept as the case has it, since ``refusals.csv`` shows it.
"""

import json
from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from enum import Enum
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.export.decode import decode_case
from canalmorph.export.files import write_atomically
from canalmorph.export.packing import pack_outlines
from canalmorph.model.results import CaseResult
from canalmorph.model.volume import PatientFacts
from canalmorph.results_errors import RecordUnreadableError

#: Name and number of the record's form; a change that an older reader would misread is a new one.
RECORD_FORMAT = "canalmorph-case-1"
#: What serves while a case is measured only, and what the ledger holds.
LEFT_OUT = ("shared_uncertainties", "review")
#: Parts of a profile that are packed.
OUTLINES = ("outer_outline_mm", "canal_outline_mm")


def write_record(path: Path, case: CaseResult) -> None:
    """Write one case to `path` as JSON, without its patient.

    Parameters
    ----------
    path : Path
        Usually ``RESULTS/cases/CASE_ID/result.json``; its folder must exist.
    case : CaseResult
        The case.
    """
    record = {"format": RECORD_FORMAT, **_encode(_strip_identity(case))}
    del record["patient"]
    for plain, femur in zip(record["femora"], case.femora, strict=True):
        for name in OUTLINES:
            plain["profile"][name] = pack_outlines(getattr(femur.profile, name))
    text = json.dumps(record, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    write_atomically(path, text.encode("utf-8", "replace") + b"\n")


def read_record(path: Path) -> CaseResult:
    """Return the case that `path` holds; its patient is blank.

    Raises
    ------
    RecordUnreadableError
        If the file is absent, damaged, or of another form.
    """
    name = "/".join(path.parts[-3:])
    try:
        record = json.loads(path.read_bytes())
    except (OSError, ValueError) as error:
        detail = f"The record is absent or damaged ({type(error).__name__})."
        raise RecordUnreadableError(file=name, detail=detail) from error
    form = record.get("format") if isinstance(record, dict) else None
    if form != RECORD_FORMAT:
        raise RecordUnreadableError(
            file=name, detail=f"The record's form is {form!r}; this version reads {RECORD_FORMAT}."
        )
    try:
        return decode_case(record)
    except (KeyError, TypeError, ValueError) as error:
        detail = f"The record lacks or garbles a part ({type(error).__name__})."
        raise RecordUnreadableError(file=name, detail=detail) from error


def _strip_identity(case: CaseResult) -> CaseResult:
    return replace(
        case,
        patient=PatientFacts(),
        scan=replace(case.scan, source="", series_key=""),
    )


def _encode(value: Any) -> Any:
    """Return plain JSON data; an array or number that is not finite becomes null."""
    if is_dataclass(value) and not isinstance(value, type):
        return {
            field.name: _encode(getattr(value, field.name))
            for field in fields(value)
            if field.name not in (*OUTLINES, *LEFT_OUT)
        }
    if isinstance(value, Mapping):
        return {str(_encode(key)): _encode(item) for key, item in value.items()}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, np.ndarray):
        return _encode_array(value)
    if isinstance(value, np.generic):
        return _encode(value.item())
    if isinstance(value, list | tuple):
        return [_encode(item) for item in value]
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value


def _encode_array(array: NDArray[Any]) -> list[Any]:
    """Return nested lists; numbers that are not finite become null."""
    if array.dtype.kind == "f" and not np.isfinite(array).all():
        return [_encode(item) for item in array.tolist()]
    return list(array.tolist())
