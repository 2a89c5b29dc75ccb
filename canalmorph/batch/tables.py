"""The tables of a results folder, made anew from what lies in it."""

import time
from collections.abc import Iterator

from canalmorph.batch.folder import ResultsFolder
from canalmorph.batch.ledger import Ledger
from canalmorph.batch.reviews import Reviews
from canalmorph.batch.shown import read_shown
from canalmorph.export.rows import CaseRows, make_refusal_row
from canalmorph.export.tables import CaseLines, format_case, write_case_lines
from canalmorph.model.corrections import Review
from canalmorph.model.results import Refusal
from canalmorph.results_errors import RecordUnreadableError, ResultsNotWritableError

#: The tables are made anew once this many times their own making has passed: after every case of
#: a day's scans, and at the cost of a sixtieth of the time in a cohort of thousands.
REST_RATIO = 60.0


class Tables:
    """Keeps the tables of one results folder in step with its cases and refusals.

    The lines of a case come from its own folder, so that the tables hold every case there, of this
    run and of earlier ones, and a run that was killed loses none.
    """

    def __init__(self, folder: ResultsFolder, ledger: Ledger) -> None:
        self._folder, self._ledger = folder, ledger
        self._rest_until = 0.0

    def refresh(self) -> None:
        """Write the tables, unless that was done a moment ago."""
        if time.monotonic() >= self._rest_until:
            self.write()

    def write(self) -> None:
        """Write the tables.

        Raises
        ------
        ResultsNotWritableError
            If the folder cannot be written; the earlier tables are then as they were.
        """
        started = time.monotonic()
        try:
            write_case_lines(self._folder.path, self._collect_lines())
        except OSError as error:
            raise ResultsNotWritableError(folder=str(self._folder.path)) from error
        ended = time.monotonic()
        self._rest_until = ended + REST_RATIO * (ended - started)

    def _collect_lines(self) -> Iterator[CaseLines]:
        reviews = Reviews.of(self._ledger).list_all()
        for case_id in self._folder.list_cases():
            yield self._read_lines(case_id, reviews.get(case_id))
        for name, refusal in self._ledger.list_refusals():
            yield format_case(CaseRows(refusals=[make_refusal_row(refusal, case_id=name)]))

    def _read_lines(self, case_id: str, review: Review | None) -> CaseLines:
        """Return the lines of a recorded case; a damaged record is a refusal, not an end."""
        folder = self._folder.cases / case_id
        try:
            return read_shown(folder, review, name_reader=self._folder.name_reader).lines
        except RecordUnreadableError as error:
            refusal = Refusal(
                stage="export", code=error.code, message=str(error), source=f"cases/{case_id}"
            )
            return format_case(CaseRows(refusals=[make_refusal_row(refusal, case_id=case_id)]))
