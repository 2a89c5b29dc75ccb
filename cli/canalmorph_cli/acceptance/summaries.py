"""Errors summed up: how many, bias, spread, worst case, and whether the uncertainty is right."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import nan

import numpy as np

from canalmorph_cli.acceptance.records import Record

#: A normal error lies within so many standard uncertainties in 95 % of the numbers.
COVERAGE_FACTOR = 1.96
#: An error beyond so many standard uncertainties is one that the uncertainty does not explain.
BEYOND_FACTOR = 3.0


@dataclass(frozen=True, slots=True, kw_only=True)
class ErrorSummary:
    """Errors of one group of numbers.

    Attributes
    ----------
    n, n_blank : int
        Numbers with an error; numbers that have a truth and were left blank.
    bias, sd, worst : float
        Mean, standard deviation about the mean (divided by n) and largest absolute error, in the
        numbers' unit; NaN where there is no number.
    worst_in : str
        Scan, side and column of the worst.
    n_scored : int
        Numbers with a standard uncertainty.
    z_mean, z_sd : float
        Mean and standard deviation of error over uncertainty.
    coverage, beyond : float
        Share of the numbers within 1.96 uncertainties, and beyond 3.
    """

    n: int
    n_blank: int
    bias: float
    sd: float
    worst: float
    worst_in: str
    n_scored: int
    z_mean: float
    z_sd: float
    coverage: float
    beyond: float


def summarise(records: Iterable[Record]) -> ErrorSummary:
    """Return one summary of all records, whatever their column.

    Examples
    --------
    >>> summarise([]).n
    0
    """
    everything = list(records)
    given = [(one, one.error) for one in everything if one.error is not None]
    scores = np.array([one.z for one, _ in given if one.z is not None])
    errors = np.array([error for _, error in given])
    worst = max(given, key=lambda pair: abs(pair[1]), default=None)
    return ErrorSummary(
        n=len(given),
        n_blank=len(everything) - len(given),
        bias=float(errors.mean()) if given else nan,
        sd=float(errors.std()) if given else nan,
        worst=abs(worst[1]) if worst else nan,
        worst_in=_name_record(worst[0]) if worst else "",
        n_scored=scores.size,
        z_mean=float(scores.mean()) if scores.size else nan,
        z_sd=float(scores.std()) if scores.size else nan,
        coverage=float((np.abs(scores) <= COVERAGE_FACTOR).mean()) if scores.size else nan,
        beyond=float((np.abs(scores) > BEYOND_FACTOR).mean()) if scores.size else nan,
    )


def summarise_columns(records: Iterable[Record]) -> Mapping[str, ErrorSummary]:
    """Return a summary a column, by name in order; sections of all levels together."""
    groups: dict[str, list[Record]] = {}
    for record in records:
        prefix = "" if record.level_mm is None else "section "
        groups.setdefault(f"{prefix}{record.column}", []).append(record)
    return {name: summarise(groups[name]) for name in sorted(groups)}


def format_summaries(summaries: Mapping[str, ErrorSummary]) -> str:
    """Return summaries as a plain table."""
    head = ("n", "blank", "bias", "SD", "worst", "SD of z", "in 1.96u")
    width = max((len(name) for name in summaries), default=8)
    lines = [f"{'quantity':{width}s}" + "".join(f"{word:>9s}" for word in head)]
    for name, one in summaries.items():
        numbers = "".join(
            f"{value:9.3f}" for value in (one.bias, one.sd, one.worst, one.z_sd, one.coverage)
        )
        lines.append(f"{name:{width}s}{one.n:9d}{one.n_blank:9d}{numbers}  {one.worst_in}")
    return "\n".join(lines).replace("nan", "  -")


def _name_record(record: Record) -> str:
    level = "" if record.level_mm is None else f" at LT{record.level_mm:+.0f}"
    return f"{record.scan} {record.side} {record.column}{level}"
