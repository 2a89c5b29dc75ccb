"""A selection written as CSV, Parquet or a workbook, with its codebook, batch by batch."""

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalmorph.cohort.codebook import Codebook
from canalmorph.cohort.formats import TableFormat
from canalmorph.cohort.selection import Selection
from canalmorph.cohort.workbook import write_workbook
from canalmorph.export.files import open_atomically
from canalmorph.export.tables import CODEBOOK_COLUMNS, CODEBOOK_NAME, write_text
from canalmorph.version import VERSION

if TYPE_CHECKING:
    import pyarrow as pa

#: Rows that are packed together in a Parquet file: enough to pack well, some 30 MB of sections.
ROW_GROUP_ROWS = 65_536


@dataclass(frozen=True, slots=True, kw_only=True)
class CsvDialect:
    """How a CSV is written.

    Attributes
    ----------
    separator, decimal : str
        One character each, not the same.
    bom : bool
        Whether the file begins with the mark by which some spreadsheets know UTF-8.
    """

    separator: str = ","
    decimal: str = "."
    bom: bool = False

    def __post_init__(self) -> None:
        if self.separator not in (",", ";", "\t", "|"):
            raise ValueError(f"'separator' must be , ; | or a tab, got {self.separator!r}.")
        if self.decimal not in (".", ","):
            raise ValueError(f"'decimal' must be . or , got {self.decimal!r}.")
        if self.separator == self.decimal:
            raise ValueError("'separator' and 'decimal' must not be the same; take ; and ,")


@dataclass(frozen=True, slots=True, kw_only=True)
class Written:
    """What was written: the files, the table's first, and how many rows and sheets it has."""

    files: tuple[Path, ...]
    n_rows: int
    n_sheets: int = 1


def write_selection(
    selection: Selection,
    folder: Path,
    form: TableFormat,
    *,
    dialect: CsvDialect | None = None,
) -> Written:
    """Write the chosen rows, and the codebook beside or in them.

    Parameters
    ----------
    selection : Selection
        What to write.
    folder : Path
        Must exist and not be the results folder.
    form : TableFormat
        The table becomes ``TABLE.csv``, ``TABLE.parquet`` or ``TABLE.xlsx``.
    dialect : CsvDialect, optional
        For CSV only.

    Raises
    ------
    ValueError
        If `folder` is the results folder, whose tables would be replaced.
    OSError
        If the folder cannot be written; an earlier file is then as it was.
    TableUnreadableError
        If the table is absent or damaged; nothing is written then.
    """
    check_folder(selection, folder)
    dialect = dialect or CsvDialect()
    path = folder / f"{selection.table}.{form}"
    n_sheets = 1
    with open_atomically(path) as stream:
        if form is TableFormat.CSV:
            n_rows = _write_csv(stream, selection, dialect)
        elif form is TableFormat.PARQUET:
            n_rows = _write_parquet(stream, selection)
        else:
            n_rows, n_sheets = write_workbook(stream, selection)
    files: tuple[Path, ...] = (path,)
    if form is TableFormat.CSV:
        codebook = folder / CODEBOOK_NAME
        with open_atomically(codebook) as stream:
            _write_lines(stream, list_codebook(selection.codebook), dialect)
        files = (path, codebook)
    return Written(files=files, n_rows=n_rows, n_sheets=n_sheets)


def check_folder(selection: Selection, folder: Path) -> None:
    """Refuse to write over the results' own tables.

    Raises
    ------
    ValueError
        If `folder` is the results folder.
    """
    if folder.resolve() == selection.results.resolve():
        raise ValueError("The tables of the results folder stay as they are; name another folder.")


def list_codebook(codebook: Codebook) -> Iterator[list[str]]:
    """Yield the codebook of all tables as rows, the header first."""
    yield [column.name for column in CODEBOOK_COLUMNS]
    for columns in codebook.tables.values():
        for column in columns:
            texts = (column.name, column.unit, column.definition, column.source, column.table)
            yield [write_text(text) for text in texts]


def _write_csv(stream: Any, selection: Selection, dialect: CsvDialect) -> int:
    """Write the text of the tables as it is, but for the decimal comma."""
    n_rows = 0
    numbers = (
        {place for place, column in enumerate(selection.columns) if column.is_number}
        if dialect.decimal != "."
        else set()
    )

    def list_rows() -> Iterator[Iterable[str]]:
        nonlocal n_rows
        yield [column.name for column in selection.columns]
        for batch in selection.iterate_text():
            n_rows += batch.num_rows
            columns = [
                _set_decimal(array, dialect.decimal) if place in numbers else array
                for place, array in enumerate(batch.columns)
            ]
            # A null becomes an empty cell.
            yield from zip(*(array.to_pylist() for array in columns), strict=True)

    _write_lines(stream, list_rows(), dialect)
    return n_rows


def _set_decimal(texts: Any, decimal: str) -> Any:
    import pyarrow.compute as pc

    return pc.replace_substring(texts, ".", decimal)


def _write_lines(stream: Any, rows: Iterable[Iterable[str]], dialect: CsvDialect) -> None:
    encoding = "utf-8-sig" if dialect.bom else "utf-8"
    text = io.TextIOWrapper(stream, encoding=encoding, newline="")
    csv.writer(text, delimiter=dialect.separator, lineterminator="\n").writerows(rows)
    text.flush()
    text.detach()


def _write_parquet(stream: Any, selection: Selection) -> int:
    import pyarrow as pa
    from pyarrow import parquet

    schema = selection.make_schema().with_metadata(
        {"table": selection.table, "written_by": f"canalmorph {VERSION}"}
    )
    n_rows = 0
    with parquet.ParquetWriter(stream, schema) as writer:
        for batches in _gather(selection.iterate_typed()):
            table = pa.Table.from_batches([batch.cast(schema) for batch in batches], schema)
            writer.write_table(table)
            n_rows += table.num_rows
    return n_rows


def _gather(batches: Iterable["pa.RecordBatch"]) -> Iterator[list["pa.RecordBatch"]]:
    """Yield batches in groups of at least `ROW_GROUP_ROWS` rows; the last may have fewer."""
    group: list[pa.RecordBatch] = []
    for batch in batches:
        group.append(batch)
        if sum(one.num_rows for one in group) >= ROW_GROUP_ROWS:
            yield group
            group = []
    if group:
        yield group
