"""``canalmorph measure``: scans in, tables and pages out."""

from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph.report.parts import DRAWING_PARTS
from canalmorph_cli.exits import ExitStatus, WrongUsageError, turn_errors_into_status
from canalmorph_cli.options import FactsOption
from canalmorph_cli.parts import check_parts, refuse_wrong_words

if TYPE_CHECKING:
    from canalmorph.pipeline import Settings


@turn_errors_into_status
def measure(
    inputs: Annotated[
        list[Path],
        typer.Argument(metavar="SCANS", help="Files, folders or zips with CT scans."),
    ],
    out: Annotated[Path, typer.Option("--out", metavar="RESULTS", help="Folder for the results.")],
    all_series: Annotated[
        bool, typer.Option("--all-series", help="Measure every series, not the best of a study.")
    ] = False,
    axial: Annotated[
        bool,
        typer.Option(
            "--axial", help="Measure the scanner's own slices too, into the table axial.csv."
        ),
    ] = False,
    dicom: Annotated[
        bool,
        typer.Option(
            "--dicom",
            help="Write the results of DICOM series as DICOM objects of their study, too.",
        ),
    ] = False,
    deidentify: Annotated[
        bool,
        typer.Option("--deidentify", help="Write no patient's and no file's name anywhere."),
    ] = False,
    case_key: Annotated[
        Path | None,
        typer.Option(
            "--case-key",
            metavar="FILE",
            help="Secret of the case names, for the same names in several results folders.",
        ),
    ] = None,
    workers: Annotated[
        int | None,
        typer.Option(
            "--workers",
            metavar="N",
            min=1,
            help="Scans measured at a time; by default as many as cores and memory allow.",
        ),
    ] = None,
    scheduler: Annotated[
        str,
        typer.Option(
            "--scheduler", metavar="ADDRESS", help="Dask scheduler to use, tcp://host:8786."
        ),
    ] = "",
    case_timeout: Annotated[
        float | None,
        typer.Option(
            "--case-timeout", metavar="MINUTES", help="Give up a scan that takes longer, twice."
        ),
    ] = None,
    like: Annotated[
        Path | None,
        typer.Option(
            "--like", metavar="RESULTS", help="Take the settings with which RESULTS were made."
        ),
    ] = None,
    facts: FactsOption = None,
    again: Annotated[
        bool, typer.Option("--again", help="Measure what was measured already, too.")
    ] = False,
    as_json: Annotated[
        bool,
        typer.Option("--json", help="Write a JSON object a line, without any name of a file."),
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Measure the femora in CT scans.

    Writes one page a scan, tables of all femora, masks, and why anything was not measured.
    """
    # Long: most of it is its options.
    if dicom:
        check_parts("measure --dicom", ("highdicom", *DRAWING_PARTS), "canalmorph[dicom]")
    from canalmorph.batch.clinic import ClinicTable, read_clinic_table
    from canalmorph.batch.engine import FittingEngine
    from canalmorph.batch.outcomes import BatchOptions
    from canalmorph.batch.run import measure_inputs
    from canalmorph_cli.console import make_console
    from canalmorph_cli.progress import JsonLines, show_progress
    from canalmorph_cli.summary import judge_batch, print_batch, print_without_dicom

    if workers and scheduler:
        raise WrongUsageError("--workers and --scheduler exclude each other.")
    if case_timeout is not None and not case_timeout > 0:
        raise WrongUsageError(f"--case-timeout must be above 0 minutes, got {case_timeout:g}.")
    settings = _choose_settings(like, all_series=all_series, axial=axial)
    console = make_console()
    with refuse_wrong_words():
        clinic = ClinicTable() if facts is None else read_clinic_table(facts)
    options = BatchOptions(
        deidentify=deidentify, key_file=case_key, again=again, dicom=dicom, clinic=clinic
    )
    engine = FittingEngine(
        workers=workers,
        scheduler=scheduler,
        case_timeout_s=None if case_timeout is None else 60.0 * case_timeout,
    )
    lines = JsonLines(console, debug=debug)
    shown = nullcontext(lines) if as_json else show_progress(console, debug=debug)
    with shown as listener:
        result = measure_inputs(
            inputs, out, settings, options=options, listener=listener, engine=engine
        )
    status = judge_batch(result)
    if as_json:
        lines.end_batch(status)
    else:
        print_batch(console, result)
        if dicom:
            print_without_dicom(console, result)
    return status


def _choose_settings(like: Path | None, *, all_series: bool, axial: bool) -> "Settings":
    """Return the settings that are asked for, or those of an earlier run."""
    from canalmorph.batch.repeat import read_settings
    from canalmorph.pipeline import Settings

    if like is not None:
        if all_series or axial:
            raise WrongUsageError("--like has all settings; leave out --all-series and --axial.")
        return read_settings(like)
    usual = Settings()
    return replace(
        usual,
        read=replace(usual.read, all_series=all_series),
        measure=replace(usual.measure, axial=axial),
    )
