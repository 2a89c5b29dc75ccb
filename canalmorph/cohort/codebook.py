"""The columns of a results folder as its own codebook has them: names, units and types.

The folder's codebook counts, not this version's registry, so that results of another version are
read by what they say of themselves.
"""

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from canalmorph.export.tables import CODEBOOK_COLUMNS, CODEBOOK_NAME
from canalmorph.results_errors import ResultsNoTablesError, TableUnreadableError

#: Columns of a point in patient space, by what stands before them.
_POINT = re.compile(r"(?P<landmark>.+)_x_mm")
#: What the columns of the table of landmarks are called and mean.
LANDMARKS = "landmarks"


@dataclass(frozen=True, slots=True, kw_only=True)
class TableColumn:
    """One column of one table.

    Attributes
    ----------
    name, unit, definition, source, table : str
        As in ``columns.csv``; the table is the file's name without its ending.
    """

    name: str
    unit: str
    definition: str
    source: str
    table: str

    @property
    def is_number(self) -> bool:
        """Whether it holds numbers; only text has no unit."""
        return bool(self.unit)


@dataclass(frozen=True, slots=True, kw_only=True)
class Codebook:
    """All columns of a results folder, by table and in order."""

    tables: dict[str, tuple[TableColumn, ...]]

    def get_columns(self, table: str) -> tuple[TableColumn, ...]:
        """Return the columns of a table.

        Raises
        ------
        ValueError
            If the folder has no such table.
        """
        if table not in self.tables:
            raise ValueError(
                f"'what' must be one of {', '.join(self.tables)} in these results, got {table!r}."
            )
        return self.tables[table]


def read_codebook(results: Path) -> Codebook:
    """Return the codebook of a results folder, the table of landmarks among its tables.

    Raises
    ------
    ResultsNoTablesError
        If the folder has no codebook.
    TableUnreadableError
        If it is damaged.
    """
    try:
        with (results / CODEBOOK_NAME).open(encoding="utf-8", newline="") as file:
            rows = list(csv.DictReader(file))
    except FileNotFoundError:
        raise ResultsNoTablesError(folder=str(results)) from None
    except (OSError, ValueError, csv.Error) as error:
        detail = f"It cannot be read ({type(error).__name__})."
        raise TableUnreadableError(file=CODEBOOK_NAME, detail=detail) from error
    names = [column.name for column in CODEBOOK_COLUMNS]
    if not rows or not set(names) <= rows[0].keys():
        raise TableUnreadableError(file=CODEBOOK_NAME, detail="It lacks columns of a codebook.")
    tables: dict[str, tuple[TableColumn, ...]] = {}
    for row in rows:
        column = TableColumn(**{**{name: row[name] or "" for name in names}, "table": ""})
        table = str(row["table"]).removesuffix(".csv")
        tables[table] = (*tables.get(table, ()), _place(column, table))
    return Codebook(tables={**tables, LANDMARKS: describe_landmarks()})


def _place(column: TableColumn, table: str) -> TableColumn:
    return TableColumn(
        name=column.name,
        unit=column.unit,
        definition=column.definition,
        source=column.source,
        table=table,
    )


def list_landmarks(columns: Sequence[TableColumn]) -> list[str]:
    """Return the landmarks that a table of femora has in patient space, in order.

    Examples
    --------
    >>> names = ["lt_x_mm", "lt_y_mm", "lt_z_mm", "head_x_mm"]
    >>> make = lambda name: TableColumn(name=name, unit="mm", definition="", source="", table="")
    >>> list_landmarks([make(name) for name in names])
    ['lt']
    """
    names = {column.name for column in columns}
    found = [match["landmark"] for name in names if (match := _POINT.fullmatch(name))]
    order = {column.name: place for place, column in enumerate(columns)}
    whole = [one for one in found if {f"{one}_y_mm", f"{one}_z_mm"} <= names]
    return sorted(whole, key=lambda one: order[f"{one}_x_mm"])


def describe_landmarks() -> tuple[TableColumn, ...]:
    """Return the columns of the table of landmarks: one row a femur and landmark."""
    texts = (
        ("case_id", "", "Keyed hash that names the measured series."),
        ("side", "", "left or right, from patient coordinates."),
        ("landmark", "", "What stands before _x_mm in femurs.csv; columns.csv defines it there."),
    )
    points = tuple(
        pair
        for axis, way in (("x", "to the left"), ("y", "to the back"), ("z", "to the head"))
        for pair in (
            (f"{axis}_mm", "mm", f"Patient {axis} ({way})."),
            (f"{axis}_mm_u", "mm", f"Standard uncertainty (coverage factor 1) of {axis}_mm."),
        )
    )
    return tuple(
        TableColumn(name=name, unit=unit, definition=words, source="", table=LANDMARKS)
        for name, unit, words in texts + points
    )
