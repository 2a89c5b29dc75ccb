"""``canalmorph fetch``: scans from an archive."""

import json
from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph_cli.commands.receive import NETWORK_EXTRA, NETWORK_PARTS
from canalmorph_cli.exits import ExitStatus, WrongUsageError, turn_errors_into_status
from canalmorph_cli.parts import check_parts, refuse_wrong_words

if TYPE_CHECKING:
    from canalmorph.network.fetching import FetchedStudy


@turn_errors_into_status
def fetch(
    configuration: Annotated[
        Path, typer.Argument(metavar="CONFIGURATION", help="TOML file of the site's node.")
    ],
    archive: Annotated[
        str, typer.Option("--from", metavar="ARCHIVE", help="Name of an archive in that file.")
    ],
    accession: Annotated[
        list[str] | None,
        typer.Option("--accession", metavar="NUMBER", help="Accession number; may be repeated."),
    ] = None,
    patient: Annotated[
        list[str] | None,
        typer.Option("--patient", metavar="ID", help="Patient ID; may be repeated."),
    ] = None,
    listed: Annotated[
        Path | None,
        typer.Option(
            "--list",
            metavar="FILE",
            help="Text file with one accession number a line (with --patients: one patient ID).",
        ),
    ] = None,
    patients: Annotated[
        bool, typer.Option("--patients", help="The list holds patient IDs.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "--out", metavar="SCANS", help="Folder for the scans; by default the node's inbox."
        ),
    ] = None,
    all_series: Annotated[
        bool, typer.Option("--all-series", help="Fetch every series that could be measured.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Write a JSON object a line.")] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Fetch CT from an archive, the series that would be measured.

    What is there already is not fetched again. In the node's inbox it is measured by `receive`.
    """
    check_parts("fetch", NETWORK_PARTS, NETWORK_EXTRA)
    from canalmorph.network.configuration import read_configuration
    from canalmorph.network.fetching import ACCESSION, PATIENT, fetch_studies
    from canalmorph.read.settings import ReadSettings

    with refuse_wrong_words():
        settings = read_configuration(configuration)
        known = {each.name: each for each in settings.archives}
        if archive not in known:
            names = ", ".join(known) or "none"
            raise WrongUsageError(f"There is no archive {archive!r}; the file has: {names}.")
        by_patient = bool(patient) or patients
        words = _gather_words(accession or [], patient or [], listed, patients=patients)
        told = fetch_studies(
            settings,
            known[archive],
            words,
            kind=PATIENT if by_patient else ACCESSION,
            out=out,
            read=ReadSettings(all_series=all_series),
        )
        return _show(told, len(words), as_json=as_json)


def _gather_words(
    accession: list[str], patient: list[str], listed: Path | None, *, patients: bool
) -> list[str]:
    """Return all numbers that are asked for, which must be of one kind."""
    mixed = (accession and (patient or patients)) or (patient and listed and not patients)
    words = [] if mixed else [*accession, *patient, *_read_list(listed)]
    if not words:
        raise WrongUsageError("Name --accession, --patient or --list, one of these kinds.")
    return words


def _read_list(file: Path | None) -> list[str]:
    if file is None:
        return []
    try:
        lines = file.read_text("utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise WrongUsageError(f"{file} cannot be read ({type(error).__name__}).") from error
    return [line.strip() for line in lines if line.strip()]


def _show(told: "Iterable[FetchedStudy]", n_words: int, *, as_json: bool) -> ExitStatus:
    """Print what became of each study, by its place in the list, and return the status."""
    from canalmorph_cli.console import make_console, write_line

    console = make_console()
    n_good = n_bad = 0
    for one in told:
        n_good, n_bad = n_good + (not one.problem), n_bad + bool(one.problem)
        if as_json:
            write_line(console, json.dumps(asdict(one)))
            continue
        text = one.problem or f"{one.n_series} series, {one.n_images} images"
        doubt = "" if one.certain else " (all: the archive tells too little to choose)"
        write_line(console, f"{one.number} of {n_words}  {one.study:24}  {text}{doubt}")
    if n_bad:
        return ExitStatus.DONE_WITH_REFUSALS if n_good else ExitStatus.NOTHING_MEASURED
    return ExitStatus.DONE
