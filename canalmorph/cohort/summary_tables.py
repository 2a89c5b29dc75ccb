"""The tables of a described cohort: statistics, classes, missing numbers, profiles."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import astuple, fields
from math import isfinite
from pathlib import Path

from canalmorph.cohort.describe import CohortSummary
from canalmorph.cohort.statistics import ClassShare, NumberSummary
from canalmorph.export.files import write_atomically
from canalmorph.export.tables import write_text

Cells = Sequence[object]
_NUMBER_NAMES = tuple(field.name for field in fields(NumberSummary))
_SHARE_NAMES = tuple(field.name for field in fields(ClassShare))


def write_summary_tables(summary: CohortSummary, folder: Path) -> list[Path]:
    """Write ``statistics.csv``, ``classes.csv``, ``missing.csv`` and ``profiles.csv``.

    Parameters
    ----------
    summary : CohortSummary
        What to write; a column ``group`` has the group's name.
    folder : Path
        Must exist.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    tables = {
        "statistics.csv": _list_statistics(summary),
        "classes.csv": _list_classes(summary),
        "missing.csv": _list_missing(summary),
        "profiles.csv": _list_profiles(summary),
    }
    for name, rows in tables.items():
        write_atomically(folder / name, format_lines(rows))
    return [folder / name for name in tables]


def format_lines(rows: Iterable[Cells]) -> bytes:
    """Return rows as CSV; numbers to six digits, what is not known blank, text safe."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(
        [format_cell(cell) for cell in row] for row in rows
    )
    return text.getvalue().encode("utf-8")


def format_cell(cell: object) -> str:
    """Return a cell's text.

    Examples
    --------
    >>> format_cell(3.14159265), format_cell(None), format_cell(float("nan")), format_cell("=1")
    ('3.14159', '', '', "'=1")
    """
    if cell is None or (isinstance(cell, float) and not isfinite(cell)):
        return ""
    return f"{cell:.6g}" if isinstance(cell, float) else write_text(str(cell))


def _list_statistics(summary: CohortSummary) -> Iterator[Cells]:
    yield ("group", "column", "unit", *_NUMBER_NAMES)
    for column in summary.columns:
        for group in summary.groups:
            numbers = astuple(group.numbers[column.name])
            yield (group.name, column.name, column.unit, *numbers)


def _list_classes(summary: CohortSummary) -> Iterator[Cells]:
    yield ("group", "column", "class", *_SHARE_NAMES[1:])
    for group in summary.groups:
        for column, shares in group.classes.items():
            for share in shares:
                yield (group.name, column, *astuple(share))


def _list_missing(summary: CohortSummary) -> Iterator[Cells]:
    yield ("group", "column", "n", "reason")
    for group in summary.groups:
        for column, reasons in group.missing.items():
            for reason, n in reasons.items():
                yield (group.name, column, n, reason)


def _list_profiles(summary: CohortSummary) -> Iterator[Cells]:
    yield ("group", "column", "level_mm", "n", "mean", "sd")
    for group in summary.groups:
        for profile in group.profiles:
            for place, level_mm in enumerate(profile.levels_mm[::-1]):
                last = len(profile.levels_mm) - 1 - place
                numbers = (float(profile.mean[last]), float(profile.sd[last]))
                yield (group.name, profile.column, float(level_mm), int(profile.n[last]), *numbers)
