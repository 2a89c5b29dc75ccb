"""Two results folders against each other: readers, reconstructions, versions, scan and rescan."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from canalmorph.cohort.agreement import (
    FEW_PAIRS,
    FEWEST_PAIRS,
    ClassAgreement,
    NumberAgreement,
    compare_classes,
    compare_numbers,
    tell_limit_doubt,
)
from canalmorph.cohort.codebook import TableColumn
from canalmorph.cohort.describe import CLASS_COLUMNS, list_numbers
from canalmorph.cohort.pairs import PairedFemora, pair_femora

if TYPE_CHECKING:
    import pandas as pd

#: Classes with an order, so that neighbours disagree less than the ends.
ORDERED = ("canal_shape", "bone_letter")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CohortAgreement:
    """How far two results folders agree.

    Attributes
    ----------
    paired : PairedFemora
        The femora of both.
    columns : tuple of TableColumn
        The numbers that are compared.
    numbers : mapping of str to NumberAgreement
        By column.
    worst_cases : mapping of str to str
        The femur (case and side of the first folder) of the largest difference, by column.
    classes : mapping of str to ClassAgreement
        By column.
    remarks : tuple of str
        What a reader must know.
    """

    paired: PairedFemora
    columns: tuple[TableColumn, ...]
    numbers: Mapping[str, NumberAgreement]
    worst_cases: Mapping[str, str]
    classes: Mapping[str, ClassAgreement]
    remarks: tuple[str, ...]

    @property
    def n(self) -> int:
        """How many femora are in both."""
        return len(self.paired.a)


def compare_cohorts(
    results_a: Path,
    results_b: Path,
    *,
    where: str = "",
    pairs: Path | None = None,
) -> CohortAgreement:
    """Return how far two results folders agree, number by number and class by class.

    Parameters
    ----------
    results_a, results_b : Path
        Results folders; a difference is B less A.
    where : str
        Which femora of the first folder, see `canalmorph.cohort.conditions`.
    pairs : Path, optional
        See `canalmorph.cohort.pairs.pair_femora`, whose errors are raised.
    """
    paired = pair_femora(results_a, results_b, where=where, pairs=pairs)
    in_both = [
        column
        for column in list_numbers(paired.selection.columns)
        if {column.name, f"{column.name}_u"} <= set(paired.b.columns)
    ]
    numbers = {column.name: _compare(paired, column) for column in in_both}
    known = tuple(
        column
        for column in in_both
        if any(getattr(numbers[column.name], count) for count in ("n", "n_only_a", "n_only_b"))
    )
    classes = {
        column: compare_classes(
            paired.a[column].tolist(),
            paired.b[column].tolist(),
            order,
            ordered=column in ORDERED,
        )
        for column, order in CLASS_COLUMNS.items()
        if column in paired.a and column in paired.b and paired.a[column].notna().any()
    }
    return CohortAgreement(
        paired=paired,
        columns=known,
        numbers=numbers,
        worst_cases={column.name: _find_worst(paired, column.name) for column in known},
        classes=classes,
        remarks=tuple(_list_remarks(paired)),
    )


def _compare(paired: PairedFemora, column: TableColumn) -> NumberAgreement:
    name, a, b = column.name, paired.a, paired.b
    return compare_numbers(
        a[name].to_numpy(),
        b[name].to_numpy(),
        unit=column.unit,
        u_a=a[f"{name}_u"].to_numpy(),
        u_b=b[f"{name}_u"].to_numpy(),
    )


def _find_worst(paired: PairedFemora, name: str) -> str:
    difference = np.abs(paired.b[name].to_numpy() - paired.a[name].to_numpy())
    if not (difference > 0).any():
        return ""
    row = paired.a.iloc[int(np.nanargmax(difference))]
    return f"{row['case_id']} {row['side']}"


def _list_remarks(paired: PairedFemora) -> list[str]:
    n, a, b = len(paired.a), paired.a, paired.b
    remarks = []
    if n < FEWEST_PAIRS:
        remarks.append(f"{n} femora are in both: too few for any statistics of agreement.")
    elif n < FEW_PAIRS:
        remarks.append(
            f"Only {n} femora are in both. Each limit of agreement is known to "
            f"{tell_limit_doubt(n):.1f} SD of the differences; read the intervals, not the values."
        )
    if paired.only_a or paired.only_b:
        remarks.append(
            f"Femora in A alone: {paired.only_a}; in B alone: {paired.only_b}. They count for "
            "nothing here, and may be the difficult ones."
        )
    n_cases = a["case_id"].nunique()
    if n_cases < n:
        remarks.append(
            f"{n} femora of {n_cases} cases: two femora of one person are alike, so that intervals "
            "are too narrow. For intervals take one side, with --where 'side = right'."
        )
    for column, words in (
        ("software_version", "version of the program"),
        ("settings_hash", "settings"),
        ("kernel", "kernel"),
    ):
        both = (_list_values(a, column), _list_values(b, column))
        if both[0] != both[1]:
            remarks.append(f"The {words}: {both[0]} in A, {both[1]} in B.")
    n_planes = int((a["plane"].fillna("") != b["plane"].fillna("")).sum())
    if n_planes:
        remarks.append(
            f"{n_planes} femora have another plane of ML and AP in B than in A: their ML and AP "
            "numbers differ by definition."
        )
    return remarks


def _list_values(femora: "pd.DataFrame", column: str) -> str:
    values: Sequence[str] = sorted(set(femora[column].dropna().astype(str)))
    more = f" and {len(values) - 3} more" if len(values) > 3 else ""
    return ", ".join(values[:3]) + more or "none"
