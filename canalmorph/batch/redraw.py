"""Pages of measured cases drawn again from what lies with them; nothing is measured."""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

from canalmorph.batch.case_files import write_reports
from canalmorph.batch.clinic import (
    CLINIC_NAME,
    CaseClinic,
    ClinicTable,
    read_clinic,
    write_clinic,
)
from canalmorph.batch.dicom_results import remake_dicom_results
from canalmorph.batch.digest import RECORD_NAME
from canalmorph.batch.folder import ResultsFolder, find_key, hold_results
from canalmorph.batch.reviews import open_reviews
from canalmorph.batch.shown import find_corrected, hash_marks
from canalmorph.correcting import CorrectedCase
from canalmorph.errors import CanalMorphError
from canalmorph.export.files import write_atomically
from canalmorph.export.tables import CODEBOOK_NAME
from canalmorph.model.corrections import Review
from canalmorph.model.femur import Side
from canalmorph.report.parts import SHEET_NAME
from canalmorph.report.picture_file import PICTURES_NAME, read_pictures
from canalmorph.report.pictures import FemurPictures, take_all_pictures
from canalmorph.results_errors import RecordUnreadableError, ResultsNotWritableError

#: Of which state of the review the pages and objects of a case are.
FOLLOWED_NAME = ".followed"


@dataclass(frozen=True, slots=True, kw_only=True)
class Redrawn:
    """What became of one case.

    Attributes
    ----------
    case_id : str
        Its name.
    error : CanalMorphError or None
        Why its pages were left as they are.
    """

    case_id: str
    error: CanalMorphError | None = None


def redraw_cases(
    results: Path, names: Sequence[str] = (), *, table: ClinicTable | None = None
) -> Iterator[Redrawn]:
    """Draw page and paper of cases again; a case that cannot be drawn stops no other.

    Parameters
    ----------
    results : Path
        Results folder of ``measure``.
    names : sequence of str
        Cases; all where none is named.
    table : ClinicTable, optional
        What the clinic states now: a row takes the place of what it stated of that patient.

    Raises
    ------
    ValueError
        If the folder is no results folder, or a named case is not in it.
    ResultsFolderError
        If another run holds the folder, or it cannot be written.
    """
    if not (results / CODEBOOK_NAME).is_file():
        raise ValueError("RESULTS must be a folder that `canalmorph measure` made.")
    found = {path.parent.name: path.parent for path in results.glob(f"cases/[!.]*/{RECORD_NAME}")}
    unknown = sorted(set(names) - set(found))
    if unknown:
        raise ValueError(f"There is no case {', '.join(unknown)} in {results}.")
    series = _name_series(results, table)
    with hold_results(results), open_reviews(results) as reviews:
        for name in sorted(names or found):
            try:
                _redraw(found[name], table, series, reviews.get(name))
            except OSError as error:
                raise ResultsNotWritableError(folder=str(results)) from error
            except CanalMorphError as error:
                yield Redrawn(case_id=name, error=error)
            else:
                yield Redrawn(case_id=name)


def _name_series(results: Path, table: ClinicTable | None) -> dict[str, str]:
    """Return the table's series by the names of their cases; empty where the key is elsewhere."""
    key = find_key(results)
    if key is None or table is None:
        return {}
    folder = ResultsFolder(path=results, key=key)
    return {folder.name_case(cell): cell for column, cell in table.rows if column == "series"}


def _redraw(
    case_folder: Path, table: ClinicTable | None, series: dict[str, str], review: Review
) -> None:
    clinic = read_clinic(case_folder / CLINIC_NAME)
    stated = _find_row(clinic, case_folder.name, table, series)
    draw_reviewed(case_folder, stated, review)


def follow_review(
    case_folder: Path, review: Review, corrected: CorrectedCase | None = None
) -> bool:
    """Draw a case and make its DICOM objects as its review has it; return whether that was due.

    Parameters and errors are those of `draw_reviewed`.
    """
    if not is_due(case_folder, review):
        return False
    if corrected is None:
        corrected = find_corrected(case_folder, review, anew=True)
    draw_reviewed(case_folder, read_clinic(case_folder / CLINIC_NAME), review, corrected)
    case = replace(corrected.case, review=review)
    remake_dicom_results(case_folder, case, corrected.aligned, case_folder / SHEET_NAME)
    # Last, so that whoever opens the folder next does what was broken off.
    write_atomically(case_folder / FOLLOWED_NAME, _tell_state(case_folder, review).encode())
    return True


def is_due(case_folder: Path, review: Review) -> bool:
    """Return whether pages and objects of a case are of an earlier state of its review."""
    try:
        followed = (case_folder / FOLLOWED_NAME).read_text("utf-8")
    except OSError:
        return review.version > 0
    return followed != _tell_state(case_folder, review)


def _tell_state(case_folder: Path, review: Review) -> str:
    return f"{review.version} {hash_marks(review.corrections, case_folder)}"


def draw_reviewed(
    case_folder: Path,
    clinic: CaseClinic,
    review: Review,
    corrected: CorrectedCase | None = None,
) -> None:
    """Draw page and paper of one case as its review has it, and keep what the clinic states.

    Parameters
    ----------
    case_folder : Path
        Of the case.
    clinic : CaseClinic
        Patient and facts.
    review : Review
        What the ledger holds of the case.
    corrected : CorrectedCase, optional
        With these marks and what it was measured on, where it is at hand.

    Raises
    ------
    RecordUnreadableError, OSError
        If a part is damaged, or the folder cannot be written.
    """
    if corrected is None:
        corrected = find_corrected(case_folder, review, anew=True)
    case = replace(corrected.case, review=review if review.version else None)
    pictures = _find_pictures(case_folder, review, corrected)
    # Drawn aside, so that a crash leaves the old pages whole.
    with tempfile.TemporaryDirectory(dir=case_folder, prefix=".drawing-") as aside:
        write_reports(Path(aside), case, pictures, clinic)
        write_clinic(Path(aside) / CLINIC_NAME, clinic)
        for drawn in sorted(Path(aside).iterdir()):
            drawn.replace(case_folder / drawn.name)


def _find_pictures(
    case_folder: Path, review: Review, corrected: CorrectedCase
) -> tuple[FemurPictures, ...]:
    """Return the pictures of a case: of a femur with marks anew, as its sections lie elsewhere.

    Of the others as they were measured, when there was CT around the bone, too.
    """
    if not corrected.aligned:
        return read_pictures(case_folder / PICTURES_NAME)
    marked = {mark.side for mark in review.corrections}
    kept: dict[Side, FemurPictures] = {}
    if not review.swaps_sides:
        with suppress(RecordUnreadableError):
            for one in read_pictures(case_folder / PICTURES_NAME):
                kept |= {} if one.side in marked else {one.side: one}
    femora = corrected.case.femora
    taken = take_all_pictures([one for one in femora if one.side not in kept], corrected.aligned)
    by_side = kept | {one.side: one for one in taken}
    return tuple(by_side[one.side] for one in femora if one.side in by_side)


def _find_row(
    clinic: CaseClinic, case_id: str, table: ClinicTable | None, series: dict[str, str]
) -> CaseClinic:
    """Return what is stated of a case, by the table where it has a row."""
    if table is None:
        return clinic
    facts = table.find(
        case_id=case_id, accession=clinic.patient.accession, series=series.get(case_id, "")
    )
    return clinic if facts is None else replace(clinic, facts=facts)
