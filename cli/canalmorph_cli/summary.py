"""What a run prints at its end: the femora, what was not measured, and where everything lies."""

import csv
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from canalmorph.batch.dicom_results import DICOM_FOLDER
from canalmorph.batch.outcomes import BatchResult, CaseOutcome
from canalmorph.export.rows import Row
from canalmorph.model.counting import count_noun
from canalmorph.model.results import Refusal
from canalmorph.report.brief import name_refusal, summarise_shape
from canalmorph.report.parts import DRAWING_EXTRA, PAGE_NAME, list_missing_parts
from canalmorph.report.wording import name_class
from canalmorph_cli.console import start_table, write_line
from canalmorph_cli.exits import ExitStatus
from canalmorph_cli.words import (
    format_duration,
    format_measurement,
    make_printable,
)

#: More femora than this are for the table's file, not for a screen.
MOST_ROWS = 60
#: Slow scans that are named.
SLOWEST = 3
CAPTION = (
    "± is one standard uncertainty; the suggestion is for discussion, the report has its reasons"
)


def judge_batch(result: BatchResult) -> ExitStatus:
    """Return the exit status that a batch deserves."""
    if result.found_bug:
        return ExitStatus.BUG
    if not result.measured:
        return ExitStatus.NOTHING_MEASURED
    return ExitStatus.DONE_WITH_REFUSALS if result.refusals else ExitStatus.DONE


def print_batch(console: Console, result: BatchResult) -> None:
    """Print the end of a run."""
    measured = result.measured
    n_femora = sum(len(outcome.femora) for outcome in measured)
    if 0 < n_femora <= MOST_ROWS:
        console.print(tabulate_femora(measured))
    _print_refusals(console, result.refusals)
    if len(result.refusals) > len({refusal.code for refusal in result.refusals}):
        _print_reasons(console, result.refusals)
    _print_lines(console, "Measured, and better sent or scanned again:", list_again(measured))
    femora, scans = count_noun(n_femora, "femur", "femora"), count_noun(len(measured), "scan")
    lines = ["", f"{femora} of {scans} measured, {count_noun(len(result.refusals), 'refusal')}."]
    if result.left_out:
        left_out = count_noun(len(result.left_out), "series", "series")
        lines.append(f"{left_out} left out (not needed, or no such images); refusals.csv says why.")
    lines += _describe_others(result)
    lines += _describe_review(measured)
    lines += _describe_effort(result)
    missing = list_missing_parts()
    if missing and measured:
        lines.append(
            f"No pages: {' and '.join(missing)} not installed; install {DRAWING_EXTRA}, then "
            f"`canalmorph report {result.folder}` draws them."
        )
    elif n_femora <= MOST_ROWS:
        lines += [
            f"Report: {find_report(result, one.case_id)}  ({make_printable(one.source)})"
            for one in measured
        ]
    lines.append(f"List of all cases: {result.folder / 'cohort.html'}")
    lines.append(f"Tables: {result.folder / 'femurs.csv'} (columns.csv explains every column)")
    for line in lines:
        write_line(console, line)


def print_without_dicom(console: Console, result: BatchResult) -> None:
    """Print once how many of the measured scans have no DICOM objects, and why that may be."""
    places = [result.folder / "cases" / one.case_id / DICOM_FOLDER for one in result.measured]
    missing = sum(not place.exists() for place in places)
    if missing:
        scans = count_noun(missing, "measured scan", "measured scans")
        write_line(
            console,
            f"No DICOM objects for {scans}: of another format than DICOM, or without the UIDs "
            "that objects must refer to (warning no-dicom-results).",
        )


def find_report(result: BatchResult, case_id: str) -> Path:
    """Return where the page of a case lies."""
    return result.folder / "cases" / case_id / PAGE_NAME


def tabulate_femora(outcomes: Sequence[CaseOutcome]) -> Table:
    """Return the femora as a table, one row each."""
    table = start_table(caption=CAPTION)
    for name in ("case", "side"):
        table.add_column(name, no_wrap=True)
    table.add_column("canal shape")
    for name in ("CFI", "CTI at LT-100", "isthmus [mm]"):
        table.add_column(Text(name), justify="right")
    table.add_column("suggestion")
    table.add_column("warnings", overflow="fold")
    for outcome in outcomes:
        for row in outcome.femora:
            table.add_row(*_describe_femur(row))
        table.add_section()
    return table


def _describe_femur(row: Row) -> list[Text]:
    cells = (
        row["case_id"],
        row["side"],
        summarise_shape(row),
        _format_flare(row),
        format_measurement(row, "cti_ml_lt_minus100", 3),
        format_measurement(row, "isthmus_canal_ml_mm", 2),
        name_class(str(row["fixation"])),
        str(row["warnings"]).replace(";", "\n"),
    )
    return [Text(str(cell)) for cell in cells]


def _format_flare(row: Row) -> str:
    if row["cfi_ml"] is None and row["cfi_ml_lower_bound"] is not None:
        return f"at least {format_measurement(row, 'cfi_ml_lower_bound', 2)}"
    return format_measurement(row, "cfi_ml", 2)


def _print_refusals(console: Console, refusals: tuple[Refusal, ...]) -> None:
    lines = [describe_refusal(refusal) for refusal in refusals]
    _print_lines(console, "Not measured:", lines, more=", see refusals.csv")


def list_again(measured: Sequence[CaseOutcome]) -> list[str]:
    """Return which scans would give more if they were sent or taken again, and why, a line each."""
    from canalmorph.model.codes import asks_for_scan, describe_warning

    lines = []
    for outcome in measured:
        sides: dict[str, list[str]] = {}
        for row in outcome.femora:
            for code in filter(asks_for_scan, str(row["warnings"]).split(";")):
                sides.setdefault(code, []).append(str(row["side"]))
        for code, of in sides.items():
            side = "" if len(of) == len(outcome.femora) > 1 else f" ({' and '.join(of)})"
            lines.append(f"{outcome.source}{side}: {describe_warning(code)} [{code}]")
    return [make_printable(line) for line in lines]


def _print_lines(console: Console, title: str, lines: Sequence[str], *, more: str = "") -> None:
    """Print a list under its title, or nothing where it is empty; what is too long is cut short."""
    if not lines:
        return
    shown = [f"  {line}" for line in lines[:MOST_ROWS]]
    if len(lines) > MOST_ROWS:
        shown.append(f"  and {len(lines) - MOST_ROWS} more{more}")
    for line in ("", title, *shown):
        write_line(console, line)


def _print_reasons(console: Console, refusals: tuple[Refusal, ...]) -> None:
    """Print how often each reason occurred and what to do, the most frequent first."""
    from canalmorph.model.codes import CODES

    sentences = {code.name: code.sentence for code in reversed(CODES)}
    write_line(console, "")
    write_line(console, "Reasons:")
    for code, number in Counter(refusal.code for refusal in refusals).most_common():
        write_line(console, f"  {number:>4} {code}: {sentences.get(code, '')}")


def _describe_review(measured: Sequence[CaseOutcome]) -> list[str]:
    """Return how many scans a person saw, once there is one; the rest are still to be seen."""
    said = [str(row["reviewed_by_hand"]) for one in measured for row in one.femora[:1]]
    if not any(said):
        return []
    counts = [
        f"{sum(state in words.split(';') for words in said)} {state}"
        for state in ("corrected", "signed", "rejected")
    ]
    return [f"Review of {count_noun(len(said), 'scan')}: {', '.join(counts)}."]


def _describe_others(result: BatchResult) -> list[str]:
    """Return how many scans of the folder that were none of this run want someone's care, too.

    A node measures into the folder what it receives, and only its log tells of that.
    """
    from canalmorph.model.codes import asks_for_scan, is_left_out

    here = {one.case_id for one in result.outcomes}
    unneeded = {refusal.source for refusal in result.left_out}
    refused = _read_cells(result.folder / "refusals.csv", "case_id", "reason_code", "file")
    doubted = _read_cells(result.folder / "femurs.csv", "case_id", "warnings")
    others = {
        case_id for case_id, code, file in refused if not is_left_out(code) and file not in unneeded
    }
    others |= {
        case_id
        for case_id, warnings in doubted
        if any(asks_for_scan(code) for code in warnings.split(";"))
    }
    n_others = len(others - here)
    if not n_others:
        return []
    scans = count_noun(n_others, "other scan", "other scans")
    where = "of this folder (the node's, or of other runs)"
    return [f"{scans} {where} gave nothing or too little, too; the list of all cases says why."]


def _read_cells(path: Path, *columns: str) -> list[tuple[str, ...]]:
    """Return some columns of a table of the results; nothing where it is not there."""
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            reader = csv.reader(stream)
            places = list(map(next(reader).index, columns))
            return [tuple(row[place] for place in places) for row in reader]
    except FileNotFoundError:
        return []


def _describe_effort(result: BatchResult) -> list[str]:
    """Return what an earlier run had done, and which scans took longest."""
    lines = []
    n_kept = sum(outcome.kept for outcome in result.outcomes)
    if n_kept:
        scans = count_noun(n_kept, "scan was", "scans were")
        lines.append(f"{scans} done by an earlier run; --again measures anew.")
    timed = [one for one in result.outcomes if one.seconds and not one.kept]
    if len(timed) > SLOWEST:
        timed.sort(key=lambda outcome: -(outcome.seconds or 0.0))
        slowest = [
            f"{make_printable(one.source)} {format_duration(one.seconds or 0.0)}"
            for one in timed[:SLOWEST]
        ]
        lines.append(f"Slowest: {', '.join(slowest)}.")
    return lines


def describe_refusal(refusal: Refusal) -> str:
    """Return one line: which scan and side, why, what to do, and the code."""
    return make_printable(f"{name_refusal(refusal)} [{refusal.code}]")
