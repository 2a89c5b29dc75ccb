"""Results folders made by hand through the library's own tables: no scan is measured."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from canalmorph.export.rows import CaseRows, Cell, expand_columns
from canalmorph.export.tables import write_tables
from canalmorph.model.column import Column
from canalmorph.model.columns import (
    BLANK_COLUMNS,
    FEMUR_COLUMNS,
    REFUSAL_COLUMNS,
    SECTION_COLUMNS,
)

Rows = Sequence[Mapping[str, Cell]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Made:
    """What a results folder is made from: only the cells that matter, by table."""

    femurs: Rows = field(default=())
    sections: Rows = field(default=())
    blanks: Rows = field(default=())
    refusals: Rows = field(default=())


def complete(rows: Rows, columns: Sequence[Column]) -> list[dict[str, Cell]]:
    """Return rows with a blank in every column that they do not name."""
    expanded = list(expand_columns(columns))
    names = {column.name for column in expanded}
    for row in rows:
        assert row.keys() <= names, row.keys() - names
    return [
        {column.name: row.get(column.name, None if column.unit else "") for column in expanded}
        for row in rows
    ]


def make_results(folder: Path, made: Made) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    rows = CaseRows(
        femurs=complete(made.femurs, FEMUR_COLUMNS),
        sections=complete(made.sections, SECTION_COLUMNS),
        blanks=complete(made.blanks, BLANK_COLUMNS),
        refusals=complete(made.refusals, REFUSAL_COLUMNS),
    )
    write_tables(folder, [rows])
    return folder


@pytest.fixture(scope="session")
def results_of() -> Callable[..., Path]:
    """Return a function that writes a results folder from rows by table."""

    def write(folder: Path, **tables: Rows) -> Path:
        return make_results(folder, Made(**tables))

    return write
