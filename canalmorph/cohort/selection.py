"""Rows and columns chosen from one table of a results folder, read batch by batch.

A table is read as the text that stands in it, so that what is written again is the same text; the
typed view has numbers as numbers, blanks as nulls and text as it was before it was made safe for
spreadsheets. Nothing is held but one batch.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from canalmorph.cohort.codebook import (
    LANDMARKS,
    Codebook,
    TableColumn,
    list_landmarks,
    read_codebook,
)
from canalmorph.cohort.conditions import Condition, find_column, parse_condition
from canalmorph.export.tables import restore_text
from canalmorph.results_errors import TableUnreadableError

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

#: The table that the landmarks are taken from.
FEMURS = "femurs"
#: The column that says what persons did.
REVIEWED = "reviewed_by_hand"
#: What names a row of any table.
KEYS = ("case_id", "side", "level_mm", "slice_z_mm", "landmark", "column")


@dataclass(frozen=True, slots=True, kw_only=True)
class Selection:
    """What was chosen; the rows are read where they are iterated.

    Attributes
    ----------
    results : Path
        The results folder.
    table : str
        Name of the table.
    columns : tuple of TableColumn
        In the order in which they are written.
    condition : Condition or None
        Which rows; all where None.
    codebook : Codebook
        Of the folder.
    rejected : frozenset of str
        Cases that persons rejected, and that are left out.
    """

    results: Path
    table: str
    columns: tuple[TableColumn, ...]
    condition: Condition | None
    codebook: Codebook
    rejected: frozenset[str] = frozenset()

    def iterate_text(self) -> Iterator["pa.RecordBatch"]:
        """Yield the rows as they stand in the tables; a blank is null.

        Raises
        ------
        TableUnreadableError
            If the table is absent or damaged.
        """
        names = [column.name for column in self.columns]
        for batch in _read_batches(self):
            batch = _leave_out(batch, self.rejected)
            if self.condition is not None:
                typed = type_batch(batch, self._needed_columns())
                batch = batch.filter(self.condition.find_rows(typed))
            if batch.num_rows:
                yield batch.select(names)

    def iterate_typed(self) -> Iterator["pa.RecordBatch"]:
        """Yield the rows with numbers as numbers; raises as `iterate_text` does."""
        for batch in self.iterate_text():
            yield type_batch(batch, self.columns)

    def make_schema(self) -> "pa.Schema":
        """Return the schema of the typed rows; each field has its codebook entry beside it."""
        import pyarrow as pa

        return pa.schema(
            [
                pa.field(
                    column.name,
                    pa.float64() if column.is_number else pa.string(),
                    metadata={
                        "unit": column.unit,
                        "definition": column.definition,
                        "source": column.source,
                    },
                )
                for column in self.columns
            ]
        )

    def read_frame(self) -> "pd.DataFrame":
        """Return the chosen rows as a frame; for tables that fit into memory."""
        import pyarrow as pa

        schema = self.make_schema()
        frame: pd.DataFrame = pa.Table.from_batches(self._cast(schema), schema).to_pandas()
        return frame

    def _cast(self, schema: "pa.Schema") -> Iterator["pa.RecordBatch"]:
        for batch in self.iterate_typed():
            yield batch.cast(schema)

    def _needed_columns(self) -> list[TableColumn]:
        """Return the columns to read: those to write, and those that the condition asks for."""
        asked = frozenset() if self.condition is None else self.condition.names
        chosen = {column.name for column in self.columns}
        return [
            column
            for column in self.codebook.get_columns(self.table)
            if column.name in chosen | asked | {"case_id"}
        ]


def select_rows(
    results: Path,
    table: str,
    *,
    columns: Sequence[str] = (),
    where: str = "",
    with_rejected: bool = False,
) -> Selection:
    """Return a selection of a table.

    Parameters
    ----------
    results : Path
        A results folder.
    table : str
        ``femurs``, ``sections``, ``sides``, ``refusals``, ``blanks``, ``landmarks``,
        ``corrections`` and, where it is there, ``axial``.
    columns : sequence of str
        In the order to be written; the columns that name a row come first and are always there.
        All where empty.
    where : str
        A condition, see `canalmorph.cohort.conditions`; all rows where empty.
    with_rejected : bool
        Whether cases that a person rejected on the review page are there.

    Raises
    ------
    ValueError
        If the table or a column does not exist, or `where` is no condition.
    ResultsNoTablesError, TableUnreadableError
        If the folder is none of results, or its codebook is damaged.
    """
    codebook = read_codebook(results)
    known = codebook.get_columns(table)
    by_name = {column.name: column for column in known}
    keys = [name for name in KEYS if name in by_name]
    names = list(dict.fromkeys([*keys, *columns])) if columns else list(by_name)
    return Selection(
        results=results,
        table=table,
        columns=tuple(find_column(name, by_name) for name in names),
        condition=parse_condition(where, known) if where.strip() else None,
        codebook=codebook,
        rejected=frozenset() if with_rejected else _find_rejected(results, codebook),
    )


def _find_rejected(results: Path, codebook: Codebook) -> frozenset[str]:
    """Return the cases that persons rejected; results of an earlier version have none."""
    if REVIEWED not in {column.name for column in codebook.get_columns(FEMURS)}:
        return frozenset()
    found: set[str] = set()
    for batch in _read_csv(results, FEMURS, ["case_id", REVIEWED]):
        found |= {
            row["case_id"]
            for row in batch.to_pylist()
            if "rejected" in (row[REVIEWED] or "").split(";")
        }
    return frozenset(found)


def _leave_out(batch: "pa.RecordBatch", cases: frozenset[str]) -> "pa.RecordBatch":
    """Return the rows that are of none of the cases."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not cases:
        return batch
    return batch.filter(pc.invert(pc.is_in(batch["case_id"], pa.array(sorted(cases), pa.string()))))


def type_batch(batch: "pa.RecordBatch", columns: Sequence[TableColumn]) -> "pa.RecordBatch":
    """Return a batch of text with numbers as numbers and text as it was measured.

    Raises
    ------
    TableUnreadableError
        If a column of numbers holds something else.
    """
    import pyarrow as pa

    arrays = []
    for column in columns:
        texts = batch[column.name]
        try:
            arrays.append(texts.cast(pa.float64()) if column.is_number else _restore(texts))
        except pa.ArrowInvalid as error:
            detail = f"The column {column.name} holds text where numbers belong."
            raise TableUnreadableError(file=f"{column.table}.csv", detail=detail) from error
    return pa.record_batch(arrays, names=[column.name for column in columns])


def _restore(texts: Any) -> Any:
    """Return texts without the mark that keeps spreadsheets from reading a formula."""
    import pyarrow as pa
    import pyarrow.compute as pc

    if not pc.any(pc.starts_with(texts, "'")).as_py():
        return texts
    whole = [None if text is None else restore_text(text) for text in texts.to_pylist()]
    return pa.array(whole, pa.string())


def _read_batches(selection: Selection) -> Iterator["pa.RecordBatch"]:
    """Yield a table's needed columns as text."""
    if selection.table == LANDMARKS:
        yield from _read_landmarks(selection)
    else:
        names = [column.name for column in selection._needed_columns()]
        yield from _read_csv(selection.results, selection.table, names)


def _read_csv(results: Path, table: str, names: Sequence[str]) -> Iterator["pa.RecordBatch"]:
    import pyarrow as pa
    from pyarrow import csv

    file = f"{table}.csv"
    try:
        reader = csv.open_csv(
            results / file,
            read_options=csv.ReadOptions(use_threads=False),
            convert_options=csv.ConvertOptions(
                include_columns=list(names),
                column_types=dict.fromkeys(names, pa.string()),
                null_values=[""],
                strings_can_be_null=True,
            ),
        )
        yield from reader
    except FileNotFoundError:
        raise TableUnreadableError(file=file, detail="It is not there.") from None
    except (OSError, pa.ArrowException) as error:
        detail = f"It cannot be read ({type(error).__name__})."
        raise TableUnreadableError(file=file, detail=detail) from error


def _read_landmarks(selection: Selection) -> Iterator["pa.RecordBatch"]:
    """Yield one row a femur and landmark, of the femurs' columns."""
    import pyarrow as pa

    columns = selection.codebook.get_columns(LANDMARKS)
    landmarks = list_landmarks(selection.codebook.get_columns(FEMURS))
    parts = [column.name for column in columns if column.is_number]
    names = ["case_id", "side", *(f"{one}_{part}" for one in landmarks for part in parts)]
    schema = pa.schema([(column.name, pa.string()) for column in columns])
    for batch in _read_csv(selection.results, FEMURS, names):
        rows = [
            {
                "case_id": row["case_id"],
                "side": row["side"],
                "landmark": landmark,
                **{part: row[f"{landmark}_{part}"] for part in parts},
            }
            for row in batch.to_pylist()
            for landmark in landmarks
            if row[f"{landmark}_x_mm"] is not None
        ]
        yield pa.RecordBatch.from_pylist(rows, schema=schema)
