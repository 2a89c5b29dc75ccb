"""The tables of an acceptance: one row a number, and one row a promise and method."""

import csv
import io
from collections.abc import Iterable, Iterator, Sequence
from math import isfinite
from pathlib import Path

from canalmorph.export.files import write_atomically
from canalmorph_cli.acceptance.judging import Judgement, get_domain
from canalmorph_cli.acceptance.plain_methods import PlainMethod
from canalmorph_cli.acceptance.records import Record
from canalmorph_cli.acceptance.run import AcceptanceResult
from canalmorph_cli.acceptance.summaries import ErrorSummary

ERRORS_NAME, SUMMARY_NAME = "verify_errors.csv", "verify_summary.csv"
#: What the tool's own rows are called in the column of methods.
OWN_METHOD = "canalmorph"
ERROR_COLUMNS = (
    *("method", "scan", "side", "column", "level_mm", "unit", "measured", "u", "true", "error"),
    *("z", "wall_mm", "domain", "slice_mm", "noise_hu", "edge_enhancement"),
    *("warnings", "quality", "reason"),
)
SUMMARY_COLUMNS = (
    *("domain", "promise", "method", "unit", "n", "n_blank", "n_femora"),
    *("bias", "bias_bound", "sd", "sd_bound", "worst", "worst_bound", "worst_in"),
    *("flagged_share", "flagged_bound", "z_sd", "coverage_95", "beyond_3u", "beyond_3u_bound"),
    *("standing", "words"),
)


def write_verify_tables(result: AcceptanceResult, folder: Path) -> None:
    """Write ``verify_errors.csv`` and ``verify_summary.csv``, each whole or not at all.

    Parameters
    ----------
    result : AcceptanceResult
        What to write; numbers of the studies are rows too.
    folder : Path
        Must exist.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    write_atomically(folder / ERRORS_NAME, _format_rows(ERROR_COLUMNS, _list_errors(result)))
    write_atomically(folder / SUMMARY_NAME, _format_rows(SUMMARY_COLUMNS, _list_sums(result)))


def _list_errors(result: AcceptanceResult) -> Iterator[Sequence[object]]:
    studied = [record for one in result.studies for point in one.records for record in point]
    for record in (*result.records, *studied):
        yield _describe_record(OWN_METHOD, record)
    for method in PlainMethod:
        for record in result.list_plain(method):
            yield _describe_record(method.value, record)


def _describe_record(method: str, record: Record) -> Sequence[object]:
    scan = record.conditions
    return (
        *(method, record.scan, record.side, record.column, record.level_mm, record.unit),
        *(record.measured, record.u, record.true, record.error, record.z, record.wall_mm),
        *(get_domain(scan).value, scan.slice_mm, scan.noise_hu, scan.edge_enhancement),
        *(";".join(record.warnings), ";".join(record.quality), record.reason),
    )


def _list_sums(result: AcceptanceResult) -> Iterator[Sequence[object]]:
    for judgement in result.judgements:
        yield _describe_sum(judgement, OWN_METHOD, judgement.summary)
        for method, summary in result.summarise_plain(judgement).items():
            if summary.n:
                yield _describe_sum(judgement, method.value, summary)


def _describe_sum(judgement: Judgement, method: str, summary: ErrorSummary) -> Sequence[object]:
    own = method == OWN_METHOD
    bounds = {check.name: check.bound for check in judgement.checks} if own else {}
    promise = judgement.promise
    return (
        *(judgement.domain.value, promise.key, method, promise.unit, summary.n, summary.n_blank),
        judgement.n_femora if own else None,
        *(summary.bias, bounds.get("bias"), summary.sd, bounds.get("SD")),
        *(summary.worst, bounds.get("worst"), summary.worst_in),
        *(judgement.flagged if own else None, bounds.get("flagged")),
        *(summary.z_sd, summary.coverage, summary.beyond, bounds.get("beyond 3 u")),
        *(judgement.standing.value if own else "", promise.words),
    )


def _format_rows(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(columns)
    for row in rows:
        writer.writerow([_format_cell(cell) for cell in row])
    return text.getvalue().encode("utf-8")


def _format_cell(cell: object) -> str:
    """Return a cell; blank for what is missing.

    Examples
    --------
    >>> [_format_cell(cell) for cell in (None, float("nan"), 0.123456789, 12, "left", -0.0)]
    ['', '', '0.123457', '12', 'left', '0']
    """
    if cell is None or (isinstance(cell, float) and not isfinite(cell)):
        return ""
    return f"{cell + 0.0:.6g}" if isinstance(cell, float) else str(cell)
