"""A cohort in numbers: from a results folder to statistics, shares, gaps and profiles by group."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from canalmorph.cohort.codebook import TableColumn
from canalmorph.cohort.conditions import suggest_names
from canalmorph.cohort.facts import Facts, join_facts
from canalmorph.cohort.profiles import WidthProfile, gather_profiles
from canalmorph.cohort.selection import FEMURS, select_rows
from canalmorph.cohort.statistics import (
    ClassShare,
    NumberSummary,
    share_classes,
    summarise_numbers,
)

if TYPE_CHECKING:
    import pandas as pd

#: Columns of classes, with the order of those that have one.
CLASS_COLUMNS: dict[str, tuple[str, ...]] = {
    "canal_shape": ("stovepipe", "normal", "champagne_flute"),
    "bone_letter": ("A", "B", "C"),
    "fixation": ("press_fit", "cemented", "undecided", "not_given"),
    "status": ("measured", "partial"),
    "plane": ("neck", "condylar", "scanner"),
}
#: Widths whose profile along the shaft is shown.
PROFILE_COLUMNS = ("outer_ml_mm", "canal_ml_mm", "outer_ap_mm", "canal_ap_mm")
#: More groups are no grouping but a measurement: they would fit no table and no picture.
MOST_GROUPS = 12
#: The group of all femora, where none is asked for.
ALL = "all"
#: Name of the group of femora that have no value in the column of groups.
NO_GROUP = "(blank)"
#: Groups of fewer femora than this are marked: their SD is known worse than by a quarter, since
#: an SD of n numbers is known to about 1 / sqrt(2 (n - 1)).
FEWEST_FEMORA = 9
NO_REASON = "No reason is recorded."


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """One group of femora.

    Attributes
    ----------
    name : str
        Value of the column of groups.
    femora : DataFrame
        Its rows of ``femurs.csv``, with facts.
    numbers : mapping of str to NumberSummary
        By column.
    classes : mapping of str to list of ClassShare
        By column; without those that no femur has.
    missing : mapping of str to (mapping of str to int)
        How many femora lack a number, by column and reason.
    profiles : list of WidthProfile
        Along the shaft.
    """

    name: str
    femora: "pd.DataFrame"
    numbers: Mapping[str, NumberSummary]
    classes: Mapping[str, list[ClassShare]]
    missing: Mapping[str, Mapping[str, int]]
    profiles: list[WidthProfile]

    @property
    def n_cases(self) -> int:
        """How many cases its femora are of."""
        return int(self.femora["case_id"].nunique())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CohortSummary:
    """A described cohort.

    Attributes
    ----------
    by : str
        Column of the groups; empty where all femora are one group.
    groups : tuple of Group
        In the order of their names.
    columns : tuple of TableColumn
        The numbers that are described.
    facts : tuple of str
        Columns that the user's facts added.
    remarks : tuple of str
        What a reader must know: facts that fit nothing, mixed versions or planes, small groups.
    """

    by: str
    groups: tuple[Group, ...]
    columns: tuple[TableColumn, ...]
    facts: tuple[str, ...]
    remarks: tuple[str, ...]


def describe_cohort(
    results: Path, *, by: str = "", where: str = "", facts: Facts | None = None
) -> CohortSummary:
    """Return a results folder in statistics.

    Parameters
    ----------
    results : Path
        A results folder.
    by : str
        Column of the femora, or of the facts, that makes the groups; one group where empty.
    where : str
        Which femora, see `canalmorph.cohort.conditions`.
    facts : Facts, optional
        Joined by case.

    Raises
    ------
    ValueError
        If no femur is left, `by` is no column, or makes more than `MOST_GROUPS` groups.
    ResultsNoTablesError, TableUnreadableError
        If the folder or a table cannot be read.
    """
    selection = select_rows(results, FEMURS, where=where)
    femora = selection.read_frame()
    if femora.empty:
        raise ValueError("No femur is left to describe; loosen 'where'.")
    remarks: list[str] = []
    if facts is not None:
        femora, remarks = join_facts(femora, facts)
    added = () if facts is None else facts.names
    labels = _label_groups(femora, by, added)
    names = sorted(set(labels), key=lambda name: (name == NO_GROUP, name))
    codes = np.array([names.index(label) for label in labels], dtype=np.int64)
    columns = (*list_numbers(selection.columns), *_list_facts(femora, added, by))
    blanks = _read_blanks(results, "blanks" in selection.codebook.tables)
    profiles = _gather(results, femora, codes)
    groups = tuple(
        _describe_group(name, femora[codes == place], columns, blanks, profiles[place])
        for place, name in enumerate(names)
    )
    return CohortSummary(
        by=by,
        groups=groups,
        columns=columns,
        facts=added,
        remarks=(*remarks, *_list_cautions(femora, groups)),
    )


def is_coordinate(name: str) -> bool:
    """Return whether a column is a coordinate in the scan, whose mean means nothing.

    Examples
    --------
    >>> is_coordinate("head_x_mm"), is_coordinate("isthmus_canal_ml_mm")
    (True, False)
    """
    return name.endswith(("_x_mm", "_y_mm", "_z_mm"))


def list_numbers(columns: Sequence[TableColumn]) -> list[TableColumn]:
    """Return the columns that are measured: those that an uncertainty follows."""
    names = {column.name for column in columns}
    return [one for one in columns if f"{one.name}_u" in names and not is_coordinate(one.name)]


def _list_facts(femora: "pd.DataFrame", facts: Sequence[str], by: str) -> list[TableColumn]:
    return [
        TableColumn(name=name, unit="1", definition="From the facts.", source="", table="facts")
        for name in facts
        if femora[name].dtype.kind == "f" and name != by
    ]


def _label_groups(femora: "pd.DataFrame", by: str, facts: Sequence[str]) -> list[str]:
    if not by:
        return [ALL] * len(femora)
    if by not in femora.columns:
        grouping = ", ".join(_list_grouping(femora, facts))
        usable = f" Columns that make groups here: {grouping}." if grouping else ""
        raise ValueError(
            f"'by' must be a column of femurs.csv or of the facts, got {by!r}."
            f"{suggest_names(by, femora.columns)}{usable}"
        )
    labels = [
        NO_GROUP if blank else f"{value:g}" if isinstance(value, float) else str(value)
        for value, blank in zip(femora[by], femora[by].isna(), strict=True)
    ]
    if len(set(labels)) > MOST_GROUPS:
        raise ValueError(
            f"{by!r} makes {len(set(labels))} groups, more than {MOST_GROUPS}; take a column of "
            "classes, or put classes into the facts."
        )
    return labels


def _list_grouping(femora: "pd.DataFrame", facts: Sequence[str]) -> list[str]:
    """Return texts and facts that set femora apart into few groups, of two and more on average."""
    most = min(MOST_GROUPS, len(femora) // 2)
    return [
        name
        for name in femora.columns
        if 1 < femora[name].nunique(dropna=False) <= most
        and (femora[name].dtype.kind != "f" or name in facts)
    ]


def _read_blanks(results: Path, recorded: bool) -> "pd.DataFrame | None":
    return select_rows(results, "blanks").read_frame() if recorded else None


def _gather(
    results: Path, femora: "pd.DataFrame", codes: NDArray[np.int64]
) -> list[list[WidthProfile]]:
    sections = select_rows(results, "sections", columns=PROFILE_COLUMNS)
    keys = (femora["case_id"] + "/" + femora["side"]).tolist()
    return gather_profiles(sections, keys, codes, PROFILE_COLUMNS)


def _describe_group(
    name: str,
    femora: "pd.DataFrame",
    columns: Sequence[TableColumn],
    blanks: "pd.DataFrame | None",
    profiles: list[WidthProfile],
) -> Group:
    numbers = {}
    for column in columns:
        u = femora[f"{column.name}_u"].to_numpy() if f"{column.name}_u" in femora else None
        numbers[column.name] = summarise_numbers(femora[column.name].to_numpy(), u)
    classes = {
        column: share_classes(femora[column].tolist(), order)
        for column, order in CLASS_COLUMNS.items()
        if column in femora and femora[column].notna().any()
    }
    return Group(
        name=name,
        femora=femora,
        numbers=numbers,
        classes=classes,
        missing=_count_reasons(femora, numbers, blanks),
        profiles=profiles,
    )


def _count_reasons(
    femora: "pd.DataFrame",
    numbers: Mapping[str, NumberSummary],
    blanks: "pd.DataFrame | None",
) -> dict[str, dict[str, int]]:
    """Return how many femora lack each number, by the reason that is recorded."""
    reasons: dict[str, dict[str, int]] = {}
    if blanks is not None:
        mine = blanks.merge(femora[["case_id", "side"]], on=["case_id", "side"])
        counted = mine.groupby(["column", "reason"], sort=True).size()
        for (column, reason), n in counted.items():
            if column in numbers:
                reasons.setdefault(column, {})[reason] = int(n)
    for column, summary in numbers.items():
        untold = summary.n_missing - sum(reasons.get(column, {}).values())
        if untold > 0:
            reasons.setdefault(column, {})[NO_REASON] = untold
    return {
        column: dict(sorted(found.items(), key=lambda item: (-item[1], item[0])))
        for column, found in reasons.items()
    }


def _list_cautions(femora: "pd.DataFrame", groups: Sequence[Group]) -> list[str]:
    """Return what makes the femora of a cohort less comparable than one table of them looks."""
    cautions = []
    n_cases = femora["case_id"].nunique()
    if n_cases < len(femora):
        cautions.append(
            f"{len(femora)} femora of {n_cases} cases: two femora of one person are alike, so that "
            "SD and intervals take them for more than they are. For intervals take one side, with "
            "--where 'side = right'."
        )
    for column, words in (
        ("software_version", "versions of the program"),
        ("settings_hash", "settings"),
        ("plane", "planes of ML and AP"),
    ):
        counts = femora[column].value_counts()
        if len(counts) > 1:
            each = ", ".join(f"{name} ({n})" for name, n in sorted(counts.items()))
            cautions.append(
                f"The femora have several {words}: {each}. Their numbers are comparable only as "
                f"far as that allows; --by {column} sets them apart."
            )
    small = [group.name for group in groups if len(group.femora) < FEWEST_FEMORA]
    if small:
        cautions.append(
            f"Fewer than {FEWEST_FEMORA} femora in: {', '.join(small)}. Such an SD is known worse "
            "than by a quarter."
        )
    return cautions
