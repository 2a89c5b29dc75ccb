"""A case as tables, lists and pages show it: as measured, or as a person set it right.

``result.json`` stays as it was measured. What follows from a person's marks lies beside it in files
that can be made again at any time from the record, the surfaces and the ledger; where they are of
another version of the review, they are.
"""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from canalmorph.batch.clinic import CLINIC_NAME, read_clinic
from canalmorph.batch.digest import RECORD_NAME, read_digest, show_femora
from canalmorph.batch.repeat import decode_settings
from canalmorph.correcting import CorrectedCase, correct_case
from canalmorph.errors import CanalMorphError
from canalmorph.export.correction_rows import make_correction_rows
from canalmorph.export.decode import decode_refusal
from canalmorph.export.files import write_atomically
from canalmorph.export.record import read_record, write_record
from canalmorph.export.rows import CaseRows, Row, make_case_rows
from canalmorph.export.surfaces import SURFACES_NAME, read_surfaces
from canalmorph.export.tables import CaseLines, format_case, hash_columns
from canalmorph.model.corrections import Correction, Review, Unfit, decode_correction
from canalmorph.model.femur import Side
from canalmorph.model.results import CaseResult, Refusal
from canalmorph.results_errors import RecordUnreadableError

#: The record with a person's marks, and what it adds to the tables.
REVIEWED_NAME, REVIEWED_DIGEST_NAME = "reviewed.json", ".reviewed_digest.json"
REVIEWED_FORM = "canalmorph-reviewed-3"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShownCase:
    """A case in short, as it is to be shown.

    Attributes
    ----------
    femora : tuple of rows
        The cells that are shown of each femur.
    refusals : tuple of Refusal
        Of its sides.
    thumbnails : mapping of str to str
        By side, as a JPEG in base 64.
    lines : mapping
        The case's lines of every table.
    unfit : tuple of Unfit
        Marks that were left out.
    """

    femora: tuple[Row, ...]
    refusals: tuple[Refusal, ...]
    thumbnails: Mapping[str, str]
    lines: CaseLines
    unfit: tuple[Unfit, ...] = ()


def read_shown(
    case_folder: Path, review: Review | None, *, name_reader: Callable[[str], str]
) -> ShownCase:
    """Return a case as it is to be shown; what follows from its review is made where it is missing.

    Parameters
    ----------
    case_folder : Path
        Of the case.
    review : Review or None
        What the ledger holds of it.
    name_reader : callable
        From a typed name to its keyed hash.

    Raises
    ------
    RecordUnreadableError
        If the record is damaged.
    OSError
        If the folder cannot be written.
    """
    digest = read_digest(case_folder)
    if review is not None and review.version:
        shown = _read_reviewed(case_folder, review) or write_reviewed(
            case_folder, review, reader=name_reader(review.marked_by)
        )
        thumbnails = {} if digest is None else dict(digest.thumbnails)
        if review.swaps_sides:
            thumbnails = {Side(side).other.value: picture for side, picture in thumbnails.items()}
        return replace(shown, thumbnails=thumbnails)
    if digest is not None:
        return ShownCase(
            femora=digest.femora,
            refusals=digest.refusals,
            thumbnails=digest.thumbnails,
            lines=digest.lines,
        )
    return _show(make_case_rows(case := read_record(case_folder / RECORD_NAME)), case.refusals)


def _show(rows: CaseRows, refusals: Sequence[Refusal], unfit: tuple[Unfit, ...] = ()) -> ShownCase:
    return ShownCase(
        femora=show_femora(rows),
        refusals=tuple(refusals),
        thumbnails={},
        lines=format_case(rows),
        unfit=unfit,
    )


def find_corrected(case_folder: Path, review: Review, *, anew: bool = False) -> CorrectedCase:
    """Return a case with its marks: from the file that has them, or measured again.

    Where it is measured `anew`, what it was measured on comes with it.

    Marks that cannot be set at all, since the case is of an earlier version or nothing would be
    left of it, are unfit.

    Raises
    ------
    RecordUnreadableError
        If the record is damaged.
    """
    automatic = read_record(case_folder / RECORD_NAME)
    if not review.corrections:
        return CorrectedCase(case=automatic, aligned=())
    if not anew and (kept := read_corrected(case_folder, review.corrections)) is not None:
        return kept
    try:
        settings = decode_settings(automatic.settings)
        aligned = read_surfaces(case_folder / SURFACES_NAME)
        return correct_case(automatic, aligned, review.corrections, settings)
    except (CanalMorphError, ValueError, TypeError) as error:
        reason = str(error) if isinstance(error, ValueError) else "Measure the case again first."
        unfit = tuple(Unfit(mark=mark, reason=reason) for mark in review.corrections)
        return CorrectedCase(case=automatic, aligned=(), unfit=unfit)


def read_corrected(case_folder: Path, marks: Sequence[Correction]) -> CorrectedCase | None:
    """Return a case with these marks from the file that has them, or None; nothing is measured."""
    noted = _read_digest(case_folder)
    try:
        if noted["marks"] != hash_marks(marks, case_folder):
            return None
        record = read_record(case_folder / REVIEWED_NAME)
        return CorrectedCase(case=record, aligned=(), unfit=_decode_unfit(noted))
    except (CanalMorphError, OSError, ValueError, KeyError, TypeError):
        return None


def write_reviewed(
    case_folder: Path,
    review: Review,
    *,
    reader: str,
    corrected: CorrectedCase | None = None,
) -> ShownCase:
    """Write what follows from a review beside the record, which stays as it is.

    Parameters
    ----------
    case_folder : Path
        Of the case.
    review : Review
        What the ledger holds of it.
    reader : str
        Keyed hash of who set the marks.
    corrected : CorrectedCase, optional
        With these marks, where it is at hand.

    Raises
    ------
    RecordUnreadableError, OSError
        As `read_shown`.
    """
    corrected = corrected or find_corrected(case_folder, review)
    case = _name_scan(replace(corrected.case, review=review), case_folder)
    automatic = read_record(case_folder / RECORD_NAME)
    rows = replace(
        make_case_rows(case),
        corrections=make_correction_rows(automatic, case, review, reader=reader),
    )
    shown = _show(rows, case.refusals, corrected.unfit)
    if review.corrections:
        write_record(case_folder / REVIEWED_NAME, case)
    else:
        (case_folder / REVIEWED_NAME).unlink(missing_ok=True)
    content = {
        "form": _name_form(),
        "version": review.version,
        "marks": hash_marks(review.corrections, case_folder),
        "femora": shown.femora,
        "refusals": [asdict(refusal) for refusal in shown.refusals],
        "lines": shown.lines,
        "unfit": [{"mark": one.mark.to_plain(), "reason": one.reason} for one in shown.unfit],
    }
    # Last, so that it never tells of a record that is not there yet.
    write_atomically(case_folder / REVIEWED_DIGEST_NAME, json.dumps(content).encode())
    return shown


def _name_scan(case: CaseResult, case_folder: Path) -> CaseResult:
    """Return a case whose refusals name its scan: a person who leaves a side out names none."""
    source = ""
    with suppress(RecordUnreadableError):
        source = read_clinic(case_folder / CLINIC_NAME).source
    named = (one if one.source else replace(one, source=source) for one in case.refusals)
    return replace(case, refusals=tuple(named))


def hash_marks(marks: Sequence[Correction], case_folder: Path) -> str:
    """Return a hash of marks and of the record that they are set on."""
    record = hashlib.sha256((case_folder / RECORD_NAME).read_bytes()).hexdigest()
    text = json.dumps([record, *(mark.to_plain() for mark in marks)])
    return hashlib.sha256(text.encode()).hexdigest()


def _name_form() -> str:
    return f"{REVIEWED_FORM} {hash_columns()}"


def _read_digest(case_folder: Path) -> Mapping[str, Any]:
    try:
        content = json.loads((case_folder / REVIEWED_DIGEST_NAME).read_bytes())
    except (OSError, ValueError):
        return {}
    return content if isinstance(content, dict) else {}


def _read_reviewed(case_folder: Path, review: Review) -> ShownCase | None:
    """Return what was written of this version of a review, or None."""
    content = _read_digest(case_folder)
    try:
        if (content["form"], content["version"], content["marks"]) != (
            _name_form(),
            review.version,
            hash_marks(review.corrections, case_folder),
        ):
            return None
        return ShownCase(
            femora=tuple(content["femora"]),
            refusals=tuple(map(decode_refusal, content["refusals"])),
            thumbnails={},
            lines=content["lines"],
            unfit=_decode_unfit(content),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None


def _decode_unfit(content: Mapping[str, Any]) -> tuple[Unfit, ...]:
    return tuple(
        Unfit(mark=decode_correction(one["mark"]), reason=one["reason"]) for one in content["unfit"]
    )
