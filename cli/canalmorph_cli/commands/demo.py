"""``canalmorph demo``: the whole job on the scans of an invented clinic."""

from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph_cli.exits import ExitStatus, WrongUsageError, turn_errors_into_status
from canalmorph_cli.parts import make_folder

if TYPE_CHECKING:
    from canalmorph_cli.clinic import ClinicScan

#: What the demo makes in its folder; a folder with anything else in it is left alone.
SCANS_NAME, RESULTS_NAME = "scans", "results"
#: Processes that make the scans; each needs some 500 MB.
MAKERS = 2


@turn_errors_into_status
def demo(
    out: Annotated[
        Path, typer.Option("--out", metavar="DIR", help="Folder for scans and results.")
    ] = Path("canalmorph-demo"),
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Measure three invented patients.

    Makes the scans of three digital patients, one of each canal shape, measures them and shows
    where the results lie.
    """
    from canalmorph.batch.engine import FittingEngine
    from canalmorph.batch.run import measure_inputs
    from canalmorph.pipeline import Settings
    from canalmorph_cli.clinic import CLINIC, list_clinic_scans
    from canalmorph_cli.console import make_console, write_line
    from canalmorph_cli.progress import show_progress
    from canalmorph_cli.summary import judge_batch, print_batch

    check_folder(out)
    make_folder(out / SCANS_NAME)
    console = make_console()
    write_line(console, f"{CLINIC} (invented): four scans of three patients who do not exist.")
    scans = list_clinic_scans()
    # Fresh interpreters: a forked one could inherit a lock of a compiled loop's threads.
    with ProcessPoolExecutor(MAKERS, mp_context=get_context("spawn")) as pool:
        made = pool.map(write_scan, scans, [out / SCANS_NAME] * len(scans))
        for scan, _ in zip(scans, made, strict=True):
            write_line(console, f"  made {scan.folder}: {scan.story}")
    with show_progress(console, debug=debug) as listener:
        result = measure_inputs(
            [out / SCANS_NAME],
            out / RESULTS_NAME,
            Settings(),
            listener=listener,
            engine=FittingEngine(),
        )
    print_batch(console, result)
    return judge_batch(result)


def check_folder(out: Path) -> None:
    """Refuse a folder that is not the demo's own.

    Raises
    ------
    WrongUsageError
        If the folder holds anything that the demo did not make.
    """
    if out.exists() and not out.is_dir():
        raise WrongUsageError(f"{out} is no folder; name another with --out.")
    if out.is_dir() and {entry.name for entry in out.iterdir()} - {SCANS_NAME, RESULTS_NAME}:
        raise WrongUsageError(f"{out} holds something else; name a new folder with --out.")


def write_scan(scan: "ClinicScan", folder: Path) -> None:
    """Write one scan of the clinic as DICOM files."""
    from canalmorph_phantoms.build import build_scan
    from canalmorph_phantoms.write import write_dicom

    write_dicom(
        build_scan(scan.spec),
        folder / scan.folder,
        patient_name=scan.patient_name,
        patient_id=scan.patient_id,
        patient_birth_date=scan.birth_date,
        patient_sex=scan.sex,
        patient_age_years=scan.age_years,
    )
