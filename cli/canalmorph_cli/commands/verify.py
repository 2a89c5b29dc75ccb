"""``canalmorph verify``: whether this version is as exact as promised, on this machine."""

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph.report.parts import DRAWING_EXTRA, DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, turn_errors_into_status
from canalmorph_cli.parts import check_parts, make_folder

if TYPE_CHECKING:
    from rich.console import Console

    from canalmorph_cli.acceptance.examine import ExaminedScan
    from canalmorph_cli.acceptance.run import AcceptanceResult, Listener


@turn_errors_into_status
def verify(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for the page and the tables.")
    ] = Path("canalmorph-verify"),
    quick: Annotated[
        bool, typer.Option("--quick", help="Measure a few scans only; a look in some minutes.")
    ] = False,
    no_studies: Annotated[
        bool, typer.Option("--no-studies", help="Leave the studies of sensitivity out.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Check the accuracy that is promised.

    Makes digital femora whose measures are known, measures them, and shows the errors beside what
    is promised. Ends with status 1 where a promise is broken. Run it once after installing and
    after every update.
    """
    check_parts("verify", DRAWING_PARTS, DRAWING_EXTRA)
    make_folder(out)

    from canalmorph_cli.acceptance.page import write_verify_page
    from canalmorph_cli.acceptance.run import run_acceptance
    from canalmorph_cli.acceptance.scans import QUICK, WHOLE
    from canalmorph_cli.acceptance.studies import STUDIES
    from canalmorph_cli.acceptance.tables import write_verify_tables
    from canalmorph_cli.console import make_console, write_line

    console = make_console()
    specs = QUICK if quick else WHOLE
    studies = () if quick or no_studies else STUDIES
    n_points = sum(len(study.points) for study in studies)
    write_line(
        console,
        f"{len(specs)} scans of digital femora"
        + (f" and {n_points} of {len(studies)} studies." if studies else "."),
    )
    result = run_acceptance(
        list(specs.values()), studies, quick=quick, listener=make_listener(console)
    )
    write_verify_tables(result, out)
    page = write_verify_page(result, out)
    print_judgements(console, result)
    write_line(console, f"Page and tables: {page}")
    return ExitStatus.PROMISE_BROKEN if result.broken else ExitStatus.DONE


def make_listener(console: "Console") -> "Listener":
    """Return what writes one line a scan; lines are never written over, so a log is as good."""
    from canalmorph_cli.acceptance.records import FEMUR_MEASURED
    from canalmorph_cli.console import write_line

    start = time.monotonic()

    def write_scan(number: int, total: int, scan: "ExaminedScan") -> None:
        femora = [record for record in scan.records if record.column == FEMUR_MEASURED]
        refused = [f"{one.side} not ({one.reason})" for one in femora if one.reason]
        n_measured = len(femora) - len(refused)
        words = ", ".join([f"{n_measured} of {len(femora)} femora", *refused])
        minutes = (time.monotonic() - start) / 60
        write_line(console, f"[{number}/{total}] {scan.name}: {words}, {minutes:.1f} min")

    return write_scan


def print_judgements(console: "Console", result: "AcceptanceResult") -> None:
    """Print bias, SD and worst case of every promise, beside the promise and the plain methods."""
    from canalmorph_cli.acceptance.judging import Domain
    from canalmorph_cli.acceptance.listing import (
        describe_broken,
        describe_verdict,
        tabulate_judgements,
    )
    from canalmorph_cli.console import write_line

    for domain in Domain:
        table = tabulate_judgements(result, domain)
        if table.row_count:
            console.print(table)
    write_line(console, describe_verdict(result))
    for judgement in result.broken:
        write_line(console, f"  broken: {describe_broken(judgement)}")
