"""The tables of a results folder, made anew from what lies in it."""

import json
import time
from collections.abc import Iterator
from dataclasses import asdict
from pathlib import Path

from canalmorph.batch.folder import ResultsFolder, write_private
from canalmorph.export.decode import decode_refusal
from canalmorph.export.record import read_record
from canalmorph.export.rows import CaseRows, make_case_rows, make_refusal_row
from canalmorph.export.tables import write_tables
from canalmorph.model.results import Refusal
from canalmorph.results_errors import RecordUnreadableError, ResultsNotWritableError

#: Refusals by the keyed name of their input; only the owner may read it, as it names files.
REFUSED_NAME = ".refused.json"
#: The tables are made anew once this many times their own making has passed: after every case of
#: a day's scans, and at the cost of a tenth of the time in a cohort of thousands.
REST_RATIO = 10.0


class Tables:
    """Keeps the tables of one results folder in step with its cases and refusals.

    Cases are read back from their records, so that the tables hold every case of the folder, of
    this run and of earlier ones, and a run that was killed loses none.
    """

    def __init__(self, folder: ResultsFolder) -> None:
        self._folder = folder
        self._refusals = _read_refused(folder.path / REFUSED_NAME)
        self._touched: set[str] = set()
        self._rest_until = 0.0

    def note_refusals(self, name: str, refusals: tuple[Refusal, ...]) -> None:
        """Put refusals in the place of those that an earlier run had of the same input.

        Several of one run stand beside each other; an empty tuple clears the input.
        """
        earlier = self._refusals.pop(name, ()) if name in self._touched and refusals else ()
        self._touched.add(name)
        self._refusals.pop(name, None)
        if refusals:
            self._refusals[name] = earlier + refusals

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
        plain = {
            name: [asdict(refusal) for refusal in refusals]
            for name, refusals in sorted(self._refusals.items())
        }
        text = json.dumps(plain, ensure_ascii=True, indent=1)
        try:
            write_private(self._folder.path / REFUSED_NAME, text.encode())
            write_tables(self._folder.path, self._collect_rows())
        except OSError as error:
            raise ResultsNotWritableError(folder=str(self._folder.path)) from error
        ended = time.monotonic()
        self._rest_until = ended + REST_RATIO * (ended - started)

    def _collect_rows(self) -> Iterator[CaseRows]:
        for record in sorted(self._folder.cases.glob("[!.]*/result.json")):
            yield _rows_of_record(record)
        for name, refusals in sorted(self._refusals.items()):
            yield CaseRows(
                refusals=[make_refusal_row(refusal, case_id=name) for refusal in refusals]
            )


def _rows_of_record(record: Path) -> CaseRows:
    """Return the rows of a recorded case; a damaged record is a refusal, not an end."""
    case_id = record.parent.name
    try:
        return make_case_rows(read_record(record))
    except RecordUnreadableError as error:
        refusal = Refusal(
            stage="export", code=error.code, message=str(error), source=f"cases/{case_id}"
        )
        return CaseRows(refusals=[make_refusal_row(refusal, case_id=case_id)])


def _read_refused(file: Path) -> dict[str, tuple[Refusal, ...]]:
    """Return the refusals of earlier runs by the name of their input."""
    if not file.exists():
        return {}
    plain = json.loads(file.read_text(encoding="utf-8"))
    return {
        name: tuple(decode_refusal(fields) for fields in refusals)
        for name, refusals in plain.items()
    }
