"""Which femur of one results folder is which of another."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canalmorph.cohort.facts import CASE_ID, SIDE, read_cells, tell_cases
from canalmorph.cohort.selection import FEMURS, Selection, select_rows

if TYPE_CHECKING:
    import pandas as pd

#: Columns of a table of pairs.
CASE_A, CASE_B = "case_id_a", "case_id_b"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PairedFemora:
    """The femora of two folders, row by row the same femur.

    Attributes
    ----------
    a, b : DataFrame
        Rows of ``femurs.csv`` of each folder, in the same order.
    selection : Selection
        Of the first folder, with its columns.
    only_a, only_b : int
        Femora without a partner.
    """

    a: "pd.DataFrame"
    b: "pd.DataFrame"
    selection: Selection
    only_a: int
    only_b: int


def pair_femora(
    results_a: Path, results_b: Path, *, where: str = "", pairs: Path | None = None
) -> PairedFemora:
    """Return the femora that two results folders share.

    Parameters
    ----------
    results_a, results_b : Path
        Results folders.
    where : str
        Which femora of the first folder, see `canalmorph.cohort.conditions`.
    pairs : Path, optional
        CSV with columns ``case_id_a`` and ``case_id_b`` that says which case is which, as for scan
        and rescan, which are two series; without it a case has the same name in both.

    Raises
    ------
    ValueError
        If no femur is in both, or the table of pairs cannot be used.
    ResultsNoTablesError, TableUnreadableError
        If a folder or a table cannot be read.
    """
    selection = select_rows(results_a, FEMURS, where=where)
    a, b = selection.read_frame(), select_rows(results_b, FEMURS).read_frame()
    partner = a[CASE_ID] if pairs is None else a[CASE_ID].map(_read_pairs(pairs))
    keys = (partner + "/" + a[SIDE]).tolist()
    places = {key: place for place, key in enumerate((b[CASE_ID] + "/" + b[SIDE]).tolist())}
    found = [(row, places[key]) for row, key in enumerate(keys) if key in places]
    if not found:
        raise ValueError(
            "No femur is in both folders. Cases have the same names only where they are the same "
            "series measured with the same key (--case-key); else name a table with --pairs."
        )
    rows_a, rows_b = [row for row, _ in found], [row for _, row in found]
    return PairedFemora(
        a=a.iloc[rows_a].reset_index(drop=True),
        b=b.iloc[rows_b].reset_index(drop=True),
        selection=selection,
        only_a=len(a) - len(found),
        only_b=len(b) - len(found),
    )


def _read_pairs(path: Path) -> dict[str, str]:
    header, rows, _ = read_cells(path)
    if not {CASE_A, CASE_B} <= set(header):
        raise ValueError(f"{path.name} must have the columns {CASE_A} and {CASE_B}.")
    a, b = header.index(CASE_A), header.index(CASE_B)
    named = [(row[a].strip(), row[b].strip()) for row in rows]
    for place, letter in ((0, CASE_A), (1, CASE_B)):
        names = [pair[place] for pair in named]
        _refuse_doubles(names, path.name, letter)
    return dict(named)


def _refuse_doubles(names: Sequence[str], file: str, column: str) -> None:
    counts = Counter(names)
    doubled = sorted(name for name, n in counts.items() if n > 1)
    if doubled:
        raise ValueError(f"{file} has several rows with the same {column}: {tell_cases(doubled)}.")
