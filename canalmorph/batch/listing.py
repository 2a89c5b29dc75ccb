"""The cohort's page, from the cases' folders and the ledger."""

from collections.abc import Iterator

from canalmorph.batch.folder import ResultsFolder
from canalmorph.batch.ledger import Ledger
from canalmorph.batch.reviews import Reviews
from canalmorph.batch.shown import read_shown
from canalmorph.export.files import write_atomically
from canalmorph.model.corrections import Review
from canalmorph.report.case_list import LIST_NAME, ListedCase, make_case_list
from canalmorph.report.parts import PAGE_NAME, SHEET_NAME
from canalmorph.results_errors import RecordUnreadableError, ResultsNotWritableError

#: What a reader may open in a case's folder.
PAGES = (PAGE_NAME, SHEET_NAME)


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
    reviews = Reviews.of(ledger).list_all()
    for case_id in folder.list_cases():
        try:
            yield _read_case(folder, case_id, reviews.get(case_id))
        except RecordUnreadableError:
            continue  # the tables say so
    for case_id, refusal in ledger.list_refusals():
        yield ListedCase(case_id=case_id, refusals=[refusal])


def _read_case(folder: ResultsFolder, case_id: str, review: Review | None) -> ListedCase:
    case_folder = folder.cases / case_id
    shown = read_shown(case_folder, review, name_reader=folder.name_reader)
    return ListedCase(
        case_id=case_id,
        femora=shown.femora,
        refusals=shown.refusals,
        thumbnails=shown.thumbnails,
        pages=[name for name in PAGES if (case_folder / name).exists()],
    )
