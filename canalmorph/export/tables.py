"""The tables: UTF-8, a decimal point, blanks for what is missing, the same bytes each time.

The tables are always written whole from the cases' rows, so that adding a case cannot lose one:
whoever adds to a results folder reads the records that are there and writes all of them.
"""

import csv
import hashlib
import io
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from itertools import chain
from math import isfinite
from pathlib import Path
from typing import BinaryIO

from canalmorph.export.files import open_atomically
from canalmorph.export.rows import CaseRows, Cell, Row, expand_columns, make_refusal_row
from canalmorph.model.column import Column
from canalmorph.model.columns import (
    AXIAL_COLUMNS,
    BLANK_COLUMNS,
    CORRECTION_COLUMNS,
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
    "blanks.csv": BLANK_COLUMNS,
    "refusals.csv": REFUSAL_COLUMNS,
    "corrections.csv": CORRECTION_COLUMNS,
}
#: The table that explains the columns of all others.
CODEBOOK_NAME = "columns.csv"
#: The table that is there only where a case has the scanner's slices measured.
AXIAL_TABLE = "axial.csv"
#: A spreadsheet takes text that starts so for a formula; a plain number is none.
_FORMULA_START = re.compile(r"\s*[=+\-@|%]")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(\.\d+)?$")
_CONTROL_CHARACTERS = re.compile(r"[\x00-\x1f\x7f-\x9f\u2028\u2029]+")


#: A case's lines of each table that it is in, by file name.
CaseLines = Mapping[str, str]


def write_tables(
    results_folder: Path, cases: Iterable[CaseRows], *, refusals: Iterable[Refusal] = ()
) -> None:
    """Write ``femurs``, ``sections``, ``sides``, ``blanks`` and the other tables whole.

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
    refused = CaseRows(refusals=[make_refusal_row(refusal) for refusal in refusals])
    write_case_lines(results_folder, map(format_case, chain(cases, [refused])))


def write_case_lines(results_folder: Path, cases: Iterable[CaseLines]) -> None:
    """Write the tables from the lines of cases, as `write_tables` does from their rows."""
    with ExitStack() as stack:

        def open_table(name: str, columns: Sequence[Column]) -> BinaryIO:
            stream = stack.enter_context(open_atomically(results_folder / name))
            stream.write(_format_header(columns).encode("utf-8"))
            return stream

        streams = {name: open_table(name, columns) for name, columns in TABLES.items()}
        for lines in cases:
            for name, text in lines.items():
                if name not in streams:
                    streams[name] = open_table(name, {AXIAL_TABLE: AXIAL_COLUMNS}[name])
                streams[name].write(text.encode("utf-8"))
        with_axial = AXIAL_TABLE in streams
        codebook = open_table(CODEBOOK_NAME, CODEBOOK_COLUMNS)
        for row in _make_codebook(with_axial=with_axial):
            codebook.write(_format_rows([row], CODEBOOK_COLUMNS).encode("utf-8"))
    if not with_axial:
        (results_folder / AXIAL_TABLE).unlink(missing_ok=True)


def format_case(rows: CaseRows) -> CaseLines:
    """Return a case's lines of every table that it is in.

    Raises
    ------
    ValueError
        If a row's names are not its table's, or a number is not finite.
    """
    by_table = {
        "femurs.csv": rows.femurs,
        "sections.csv": rows.sections,
        "sides.csv": rows.sides,
        "blanks.csv": rows.blanks,
        "refusals.csv": rows.refusals,
        "corrections.csv": rows.corrections,
        AXIAL_TABLE: rows.axial,
    }
    columns = {**TABLES, AXIAL_TABLE: AXIAL_COLUMNS}
    return {name: _format_rows(each, columns[name]) for name, each in by_table.items() if each}


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


def _format_header(columns: Sequence[Column]) -> str:
    return _format_cells([column.name for column in expand_columns(columns)])


def _format_rows(rows: Iterable[Row], columns: Sequence[Column]) -> str:
    """Return rows as lines; refuses a row whose names are not the table's."""
    expanded = tuple(expand_columns(columns))
    names = {column.name for column in expanded}
    lines = []
    for row in rows:
        if row.keys() != names:
            odd = sorted(row.keys() ^ names)
            raise ValueError(f"'rows' must have the table's columns; too many or few: {odd}.")
        lines.append(_format_cells([format_cell(row[column.name], column) for column in expanded]))
    return "".join(lines)


def _format_cells(cells: Sequence[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()


def format_cell(cell: Cell, column: Column) -> str:
    """Return a cell as its table has it: the column's decimals, or text that is no formula."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return write_text(cell)
    if not isfinite(cell):
        raise ValueError(f"'{column.name}' must be finite or blank, got {cell}.")
    text = f"{cell:.{DECIMALS[column.unit]}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def write_text(text: str) -> str:
    """Return text on one line that no spreadsheet takes for a formula."""
    text = _CONTROL_CHARACTERS.sub(" ", text.encode("utf-8", "replace").decode("utf-8"))
    if text.startswith("'") or (_FORMULA_START.match(text) and not _PLAIN_NUMBER.match(text)):
        return f"'{text}"
    return text


def restore_text(text: str) -> str:
    """Return the text of a cell as it was before `write_text` marked it.

    Examples
    --------
    >>> [write_text(text) for text in ("=1+1", "'x", "-12.5")]
    ["'=1+1", "''x", '-12.5']
    >>> [restore_text(write_text(text)) for text in ("=1+1", "'x", "-12.5")]
    ['=1+1', "'x", '-12.5']
    """
    return text.removeprefix("'")


def hash_columns() -> str:
    """Return a hash of all columns and their decimals: lines made with others do not fit."""
    texts = [_format_header(columns) for columns in (*TABLES.values(), AXIAL_COLUMNS)]
    return hashlib.sha256(f"{texts} {DECIMALS}".encode()).hexdigest()[:12]
