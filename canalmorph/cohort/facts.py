"""A user's own table of facts (age, sex, centre), joined to the femora by case id.

Nothing is guessed: a case with two rows, a name that the results have already, or a table that
fits no case is refused; what fits no case, and cases without facts, are counted and told.
"""

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from canalmorph.model.counting import count_noun

if TYPE_CHECKING:
    import pandas as pd

CASE_ID, SIDE = "case_id", "side"
#: Separators that the first line is searched for.
SEPARATORS = (",", ";", "\t")
#: What `canalmorph.model.naming` makes of a hash.
_CASE_NAME = re.compile(r"[g-v][0-9a-f]+")
#: So many names are told; the rest is counted.
MOST_TOLD = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Facts:
    """A table of facts, and by which columns it is joined."""

    frame: "pd.DataFrame"
    keys: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The columns that it adds."""
        return tuple(name for name in self.frame.columns if name not in self.keys)


def read_facts(path: Path) -> Facts:
    """Return the facts in a CSV.

    Parameters
    ----------
    path : Path
        A CSV in UTF-8 with a column ``case_id``, one row a case; with a column ``side`` too, one
        row a femur. Separated by commas, semicolons or tabs. A column whose cells are all numbers
        (with semicolons also with a decimal comma) holds numbers, another one text.

    Raises
    ------
    ValueError
        If it cannot be read, lacks ``case_id``, or has two rows for one case.
    """
    import pandas as pd

    header, rows, separator = read_cells(path)
    if CASE_ID not in header:
        raise ValueError(f"{path.name} has no column {CASE_ID}; its cells join it to the results.")
    repeated = sorted({name for name in header if header.count(name) > 1})
    if repeated:
        raise ValueError(f"{path.name} has several columns called {', '.join(repeated)}.")
    frame = pd.DataFrame(rows, columns=header, dtype=str)
    keys = (CASE_ID, SIDE) if SIDE in frame.columns else (CASE_ID,)
    for name in keys:
        frame[name] = frame[name].str.strip()
    frame = frame[frame[CASE_ID] != ""].copy()
    doubled = frame[frame.duplicated(list(keys), keep=False)]
    if len(doubled):
        names = tell_cases(sorted(set(doubled[CASE_ID])))
        raise ValueError(f"{path.name} has several rows for the same femur or case: {names}.")
    for name in frame.columns:
        if name not in keys:
            frame[name] = _read_numbers(frame[name], comma=separator != ",")
    return Facts(frame=frame, keys=keys)


def join_facts(femora: "pd.DataFrame", facts: Facts) -> tuple["pd.DataFrame", list[str]]:
    """Return the femora with the facts beside them, in their own order, and what was odd.

    Raises
    ------
    ValueError
        If a fact has the name of a column of the results, or no case fits.
    """
    taken = sorted(set(facts.names) & set(femora.columns))
    if taken:
        raise ValueError(f"The facts have columns that the results have too: {', '.join(taken)}.")
    keys = list(facts.keys)
    joined = femora.merge(facts.frame, how="left", on=keys, validate="many_to_one", indicator=True)
    known = joined["_merge"] == "both"
    if not known.any():
        raise ValueError(
            "No row of the facts fits a case of the results: 'case_id' must be as in femurs.csv."
        )
    remarks = []
    unknown = sorted(set(facts.frame[CASE_ID]) - set(femora[CASE_ID]))
    if unknown:
        told = tell_cases(unknown)
        remarks.append(
            f"The facts name {count_noun(len(unknown), 'case')} without a femur: {told}."
        )
    if not known.all():
        cases = sorted(set(joined.loc[~known, CASE_ID]))
        femora_left = count_noun(int((~known).sum()), "femur", "femora")
        of_cases = count_noun(len(cases), "case")
        remarks.append(f"Without facts: {femora_left} of {of_cases}: {tell_cases(cases)}.")
    return joined.drop(columns="_merge"), remarks


def read_cells(path: Path) -> tuple[list[str], list[list[str]], str]:
    """Return header, rows and separator of a user's CSV.

    Raises
    ------
    ValueError
        If it cannot be read, or a row has not the header's number of cells.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        reason = type(error).__name__
        raise ValueError(f"{path.name} cannot be read as a CSV in UTF-8 ({reason}).") from error
    first = text.partition("\n")[0]
    try:
        counts = {mark: len(next(csv.reader([first], delimiter=mark), [])) for mark in SEPARATORS}
        separator = max(SEPARATORS, key=lambda mark: counts[mark])
        numbered = list(enumerate(csv.reader(io.StringIO(text), delimiter=separator), start=1))
    except csv.Error as error:
        raise ValueError(f"{path.name} is no CSV ({error}).") from error
    numbered = [(number, row) for number, row in numbered if any(row)]
    if not numbered:
        raise ValueError(f"{path.name} is empty.")
    header = numbered[0][1]
    for number, row in numbered:
        if len(row) != len(header):
            raise ValueError(
                f"{path.name}: row {number} has {len(row)} cells and the header {len(header)}; "
                "a text with a separator in it needs quotes."
            )
    return [name.strip() for name in header], [row for _, row in numbered[1:]], separator


def _read_numbers(texts: "pd.Series[str]", *, comma: bool) -> "pd.Series[float] | pd.Series[str]":
    """Return a column as numbers where all its cells are; ids with leading zeros stay text."""
    import pandas as pd

    texts = texts.str.strip()
    given = texts[texts != ""]
    plain = given.str.replace(",", ".", regex=False) if comma else given
    is_number = plain.str.fullmatch(r"[+-]?(0|[1-9]\d*)(\.\d+)?|[+-]?0?\.\d+")
    if not len(given) or not is_number.all():
        return texts.where(texts != "")
    return pd.to_numeric(plain).reindex(texts.index).astype("float64")


def tell_cases(names: Sequence[str]) -> str:
    """Return the first of many case names; what is none may name a person, and is counted only.

    Examples
    --------
    >>> tell_cases(["g00a1", "k12", "Quill"])
    'g00a1, k12, and 1 that is no case name'
    """
    cases = [name for name in names if _CASE_NAME.fullmatch(name)]
    others, more = len(names) - len(cases), len(cases) - MOST_TOLD
    parts = cases[:MOST_TOLD]
    if more > 0:
        parts.append(f"and {more} more")
    if others:
        parts.append(
            f"and {others} that {'is no case name' if others == 1 else 'are no case names'}"
        )
    return ", ".join(parts)
