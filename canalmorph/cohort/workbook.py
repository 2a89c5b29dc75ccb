"""A selection as a workbook: text is text, numbers are numbers, and no cell can lose the file.

A sheet holds `MOST_ROWS` rows; more go on in a second sheet, with the header again.
"""

import re
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from canalmorph.cohort.codebook import TableColumn
from canalmorph.export.tables import CODEBOOK_COLUMNS

if TYPE_CHECKING:
    from canalmorph.cohort.selection import Selection

#: Rows of a sheet, the header among them: the format's own limit.
MOST_ROWS = 1_048_576
#: Characters of a cell: the format's own limit.
MOST_CHARACTERS = 32_767
#: What XML cannot hold; a workbook with one of them does not open.
_NOT_IN_XML = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
#: Text that would be taken for a formula or an error, or, once edited, for a number, date or truth.
_NOT_PLAIN = re.compile(
    r"\s*[=+\-@|%#'.\d]|(jan|feb|m[aä]r|apr|ma[iy]|jun|jul|aug|sep|o[ck]t|nov|de[cz])\w*\W?\d"
    r"|(true|false|wahr|falsch)$",
    re.IGNORECASE,
)


def write_workbook(stream: Any, selection: "Selection") -> tuple[int, int]:
    """Write the chosen rows and, on a sheet ``columns``, what their columns mean.

    Parameters
    ----------
    stream : binary file
        Where to.
    selection : Selection
        What to write.

    Returns
    -------
    n_rows, n_sheets : int
        Rows of the table, and sheets that hold them.
    """
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    header = [column.name for column in selection.columns]
    numbers = [column.is_number for column in selection.columns]
    n_rows = n_sheets = 0
    sheet: Any = None
    for batch in selection.iterate_typed():
        for cells in zip(*(array.to_pylist() for array in batch.columns), strict=True):
            if n_rows == n_sheets * (MOST_ROWS - 1):
                n_sheets += 1
                sheet = _open_sheet(book, selection.table, n_sheets, header)
            n_rows += 1
            sheet.append(
                [
                    cell if number or cell is None else make_text_cell(sheet, cell)
                    for cell, number in zip(cells, numbers, strict=True)
                ]
            )
    if sheet is None:
        n_sheets = 1
        _open_sheet(book, selection.table, n_sheets, header)
    _add_codebook(book, selection.columns)
    book.save(stream)
    return n_rows, n_sheets


def make_text_cell(sheet: Any, text: str) -> Any:
    """Return what shows a text as it is: the text, or a cell marked as text where it must be."""
    text = _NOT_IN_XML.sub(" ", text)[:MOST_CHARACTERS]
    if not _NOT_PLAIN.match(text):
        return text
    from openpyxl.cell import WriteOnlyCell

    cell = WriteOnlyCell(sheet, text)
    cell.data_type = "s"
    cell.number_format = "@"
    return cell


def _open_sheet(book: Any, table: str, number: int, header: Iterable[str]) -> Any:
    sheet = book.create_sheet(table if number == 1 else f"{table} {number}")
    sheet.freeze_panes = "A2"
    sheet.append(list(header))
    return sheet


def _add_codebook(book: Any, columns: Iterable[TableColumn]) -> None:
    sheet = book.create_sheet("columns")
    sheet.append([column.name for column in CODEBOOK_COLUMNS])
    for column in columns:
        texts = (column.name, column.unit, column.definition, column.source, column.table)
        sheet.append([make_text_cell(sheet, text) if text else None for text in texts])
