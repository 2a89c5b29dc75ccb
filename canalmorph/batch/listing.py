"""The cohort's page, from the cases' folders and the ledger."""

from collections.abc import Iterator
from pathlib import Path

from canalmorph.batch.digest import RECORD_NAME, read_digest, show_femora
from canalmorph.batch.folder import ResultsFolder
from canalmorph.batch.ledger import Ledger
from canalmorph.export.files import write_atomically
from canalmorph.export.record import read_record
from canalmorph.export.rows import make_case_rows
from canalmorph.report.case_list import LIST_NAME, ListedCase, make_case_list
from canalmorph.results_errors import RecordUnreadableError, ResultsNotWritableError

#: What a reader may open in a case's folder.
PAGES = ("report.html", "report.pdf")


def write_cohort_page(folder: ResultsFolder, ledger: Ledger) -> None:
    """Write ``cohort.html``.

    Raises
    ------
    ResultsNotWritableError
        If the folder cannot be written; an earlier page is then as it was.
    """
    try:
        page = make_case_list(_list_cases(folder, ledger))
        write_atomically(folder.path / LIST_NAME, page.encode("utf-8", "replace"))
    except OSError as error:
        raise ResultsNotWritableError(folder=str(folder.path)) from error


def _list_cases(folder: ResultsFolder, ledger: Ledger) -> Iterator[ListedCase]:
    for case_id in folder.list_cases():
        try:
            yield _read_case(folder.cases / case_id)
        except RecordUnreadableError:
            continue  # the tables say so
    for case_id, refusal in ledger.list_refusals():
        yield ListedCase(case_id=case_id, refusals=[refusal])


def _read_case(case_folder: Path) -> ListedCase:
    pages = [name for name in PAGES if (case_folder / name).exists()]
    digest = read_digest(case_folder)
    if digest is not None:
        return ListedCase(
            case_id=case_folder.name,
            femora=digest.femora,
            refusals=digest.refusals,
            thumbnails=digest.thumbnails,
            pages=pages,
        )
    case = read_record(case_folder / RECORD_NAME)
    return ListedCase(
        case_id=case_folder.name,
        femora=show_femora(make_case_rows(case)),
        refusals=case.refusals,
        pages=pages,
    )
