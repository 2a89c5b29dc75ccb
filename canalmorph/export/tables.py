"""The tables: UTF-8, a decimal point, blanks for what is missing, the same bytes each time.

The tables are always written whole from the cases' rows, so that adding a case cannot lose one:
whoever adds to a results folder reads the records that are there and writes all of them.
"""

import csv
import io
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import ExitStack
from math import isfinite
from pathlib import Path
from typing import Any

from canalmorph.export.files import open_atomically
from canalmorph.export.rows import CaseRows, Cell, Row, expand_columns, make_refusal_row
from canalmorph.model.column import Column
from canalmorph.model.columns import (
    AXIAL_COLUMNS,
    FEMUR_COLUMNS,
    REFUSAL_COLUMNS,
    SECTION_COLUMNS,
    SIDE_COLUMNS,
)
from canalmorph.model.results import Refusal
from canalmorph.published import BIBLIOGRAPHY

#: Decimals by unit: a tenth of what any scan supports, or finer, so that ratios and identities can
#: be checked from the table.
DECIMALS = {"mm": 4, "mm2": 3, "mm3": 2, "deg": 4, "HU": 2, "kV": 1, "1": 6, "row": 6}
#: Tables by file name, with their columns in order.
TABLES: dict[str, tuple[Column, ...]] = {
    "femurs.csv": FEMUR_COLUMNS,
    "sections.csv": SECTION_COLUMNS,
    "sides.csv": SIDE_COLUMNS,
    "refusals.csv": REFUSAL_COLUMNS,
}
#: The table that is there only where a case has the scanner's slices measured.
AXIAL_TABLE = "axial.csv"
#: A spreadsheet takes text that starts so for a formula; a plain number is none.
_FORMULA_START = re.compile(r"\s*[=+\-@|%]")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?$")
_CONTROL_CHARACTERS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


def write_tables(
    results_folder: Path, cases: Iterable[CaseRows], *, refusals: Iterable[Refusal] = ()
) -> None:
    """Write ``femurs``, ``sections``, ``sides``, ``refusals`` and ``columns.csv`` whole.

    Where a case has them, ``axial.csv`` is written too; where none has, an old one is removed.

    Parameters
    ----------
    results_folder : Path
        Must exist.
    cases : iterable of CaseRows
        Of every case in the folder, old and new, in the order of the rows; read one by one, so
        that a large cohort is never held in memory.
    refusals : iterable of Refusal
        Inputs that gave no case; their rows follow those of the cases.

    Raises
    ------
    OSError
        If the folder cannot be written; the earlier tables are then as they were.
    """
    with ExitStack() as stack:
        femurs, sections, sides, refused = (
            _TableWriter(stack.enter_context(open_atomically(results_folder / name)), columns)
            for name, columns in TABLES.items()
        )
        axial: _TableWriter | None = None
        for rows in cases:
            if rows.axial and axial is None:
                stream = stack.enter_context(open_atomically(results_folder / AXIAL_TABLE))
                axial = _TableWriter(stream, AXIAL_COLUMNS)
            if axial is not None:
                axial.write_rows(rows.axial)
            femurs.write_rows(rows.femurs)
            sections.write_rows(rows.sections)
            sides.write_rows(rows.sides)
            refused.write_rows(rows.refusals)
        refused.write_rows(make_refusal_row(refusal) for refusal in refusals)
        codebook = _TableWriter(
            stack.enter_context(open_atomically(results_folder / "columns.csv")), CODEBOOK_COLUMNS
        )
        codebook.write_rows(_make_codebook(with_axial=axial is not None))
    if axial is None:
        (results_folder / AXIAL_TABLE).unlink(missing_ok=True)


#: Columns of the codebook itself.
CODEBOOK_COLUMNS = tuple(
    Column(name=name, unit="", definition=definition)
    for name, definition in (
        ("name", "Column name."),
        ("unit", "Unit; 1 for a ratio, row where the row itself names it, empty for text."),
        ("definition", "What it holds."),
        ("source", "Where the definition was published; empty where it is our own."),
        ("table", "File that has the column."),
    )
)


def _make_codebook(*, with_axial: bool) -> Iterator[Row]:
    tables = {**TABLES, AXIAL_TABLE: AXIAL_COLUMNS} if with_axial else TABLES
    for table, columns in tables.items():
        for column in expand_columns(columns):
            yield {
                "name": column.name,
                "unit": column.unit,
                "definition": column.definition,
                "source": BIBLIOGRAPHY[column.source] if column.source else "",
                "table": table,
            }


class _TableWriter:
    """Writes rows of one table; refuses a row whose names are not the table's."""

    def __init__(self, stream: Any, columns: Sequence[Column]) -> None:
        self._columns = tuple(expand_columns(columns))
        self._names = {column.name for column in self._columns}
        self._stream = stream
        self._write_cells([column.name for column in self._columns])

    def write_rows(self, rows: Iterable[Row]) -> None:
        for row in rows:
            if row.keys() != self._names:
                odd = sorted(row.keys() ^ self._names)
                raise ValueError(f"'rows' must have the table's columns; too many or few: {odd}.")
            self._write_cells([_format_cell(row[column.name], column) for column in self._columns])

    def _write_cells(self, cells: Sequence[str]) -> None:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow(cells)
        self._stream.write(text.getvalue().encode("utf-8"))


def _format_cell(cell: Cell, column: Column) -> str:
    if cell is None:
        return ""
    if isinstance(cell, str):
        return _write_text(cell)
    if not isfinite(cell):
        raise ValueError(f"'{column.name}' must be finite or blank, got {cell}.")
    text = f"{cell:.{DECIMALS[column.unit]}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _write_text(text: str) -> str:
    """Return text on one line that no spreadsheet takes for a formula."""
    text = _CONTROL_CHARACTERS.sub(" ", text.encode("utf-8", "replace").decode("utf-8"))
    if text.startswith("'") or (_FORMULA_START.match(text) and not _PLAIN_NUMBER.match(text)):
        return f"'{text}"
    return text
