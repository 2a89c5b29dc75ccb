"""``canalmorph survey``: what is there, what would be measured, and why not the rest."""

import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph_cli.exits import ExitStatus, turn_errors_into_status

if TYPE_CHECKING:
    from canalmorph.read.found import SeriesFound

#: What the status of a series is called for people.
STATUS_WORDS = {"refused": "cannot be read", "left_out": "left out"}
#: Before all but the first line of a series.
INDENT = " " * 15


@turn_errors_into_status
def survey(
    inputs: Annotated[
        list[Path],
        typer.Argument(metavar="SCANS", help="Files, folders or zips with CT scans."),
    ],
    all_series: Annotated[
        bool, typer.Option("--all-series", help="As `measure --all-series` would choose.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """List what would be measured, and why.

    Reads headers only: every series, whether `measure` would take it, and what to do if not.
    """
    from canalmorph.read.scans import survey_scans
    from canalmorph.read.settings import ReadSettings
    from canalmorph_cli.console import make_console, write_line

    found = survey_scans(inputs, ReadSettings(all_series=all_series))
    console = make_console()
    for series in sorted(found, key=_rank):
        for line in describe_series(series):
            for part in fold_line(line, console.width if console.is_terminal else None):
                write_line(console, part)
    n_chosen = sum(series.chosen for series in found)
    n_refused = sum(series.status == "refused" for series in found)
    write_line(console, "")
    write_line(
        console,
        f"{n_chosen} of {len(found)} would be measured, {n_refused} cannot be read, "
        f"{len(found) - n_chosen - n_refused} left out.",
    )
    if not n_chosen:
        return ExitStatus.NOTHING_MEASURED
    return ExitStatus.DONE_WITH_REFUSALS if n_refused else ExitStatus.DONE


def _rank(series: "SeriesFound") -> int:
    """Return what comes first: what is measured, what needs someone's care, the rest."""
    return 0 if series.chosen else 1 if series.status == "refused" else 2


def fold_line(line: str, width: int | None) -> list[str]:
    """Return a line folded to a terminal's width; whole where it goes to a file or a pipe.

    A path is never broken, so that it can be copied.
    """
    if width is None:
        return [line]
    return textwrap.wrap(
        line,
        max(width, 2 * len(INDENT)),
        subsequent_indent=INDENT,
        break_long_words=False,
        break_on_hyphens=False,
    )


def describe_series(series: "SeriesFound") -> list[str]:
    """Return the lines that tell a technician of one series."""
    from canalmorph.model.codes import describe_warning, find_left_out_action
    from canalmorph_cli.words import make_printable

    verdict = "measure" if series.chosen else STATUS_WORDS.get(series.status, "left out")
    lines = [f"{verdict:<14} {series.source}  {describe_facts(series)}"]
    if series.message:
        code = f" [{series.code}]" if series.code else ""
        lines.append(f"{INDENT}{series.message}{code}")
    if series.status != "refused" and not series.chosen:
        lines.append(f"{INDENT}to do: {find_left_out_action(series.code)}")
    lines += [f"{INDENT}note: {describe_warning(code)}" for code in series.warnings]
    return [make_printable(line) for line in lines]


def describe_facts(series: "SeriesFound") -> str:
    """Return format, grid and kernel in a few words, as far as they are known."""
    from canalmorph.model.volume import FORMAT_NAMES

    facts = [FORMAT_NAMES.get(series.file_format, ""), series.orientation]
    if series.spacing_mm is not None:
        slices, rows, columns = series.spacing_mm
        facts += [f"{series.n_slices} slices every {slices:.3g} mm"]
        facts += [f"pixels {rows:.3g} x {columns:.3g} mm"]
    if series.coverage_mm is not None:
        facts += [f"covers {series.coverage_mm:.0f} mm"]
    if series.kernel:
        facts += [f"kernel {series.kernel}"]
    return ", ".join(fact for fact in facts if fact)
