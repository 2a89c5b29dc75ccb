"""``canalmorph phantom``: digital femora whose true measures are known exactly."""

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from canalmorph_cli.exits import ExitStatus, WrongUsageError, turn_errors_into_status
from canalmorph_cli.parts import make_folder

if TYPE_CHECKING:
    from canalmorph_phantoms.spec import PhantomScan


class ScanFormat(StrEnum):
    """How a phantom's scan is written."""

    DICOM = "dicom"
    NIFTI = "nifti"


@turn_errors_into_status
def phantom(
    names: Annotated[
        list[str] | None, typer.Argument(metavar="NAME", help="Phantoms, see --list.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="DIR", help="Folder for the scans.")
    ] = None,
    scan_format: Annotated[
        ScanFormat, typer.Option("--format", help="How the scans are written.")
    ] = ScanFormat.DICOM,
    show_list: Annotated[
        bool, typer.Option("--list", help="List the phantoms and what each is good for.")
    ] = False,
    debug: Annotated[bool, typer.Option("--debug", help="Show the traceback of errors.")] = False,
) -> ExitStatus:
    """Write scans of digital femora.

    Each comes with a file of its exact measures beside it.
    """
    from canalmorph_cli.console import make_console, write_line
    from canalmorph_phantoms.catalogue import CATALOGUE

    console = make_console()
    if show_list:
        width = max(len(name) for name in CATALOGUE)
        for name, spec in CATALOGUE.items():
            write_line(console, f"{name:<{width}}  {spec.purpose}")
        return ExitStatus.DONE
    if not names:
        raise WrongUsageError("name the phantoms to write; --list shows them.")
    unknown = [name for name in names if name not in CATALOGUE]
    if unknown:
        from canalmorph.cohort.conditions import suggest_names

        meant = suggest_names(unknown[0], CATALOGUE)
        raise WrongUsageError(f"There is no phantom {', '.join(unknown)}.{meant} --list shows all.")
    if out is None:
        raise WrongUsageError("name a folder for the scans with --out.")
    make_folder(out)
    for name in names:
        write_line(console, f"{name}: {write_phantom(CATALOGUE[name], out, scan_format)}")
    return ExitStatus.DONE


def write_phantom(spec: "PhantomScan", out: Path, scan_format: ScanFormat) -> Path:
    """Write one phantom and its truth; return where the scan lies."""
    from canalmorph_phantoms.build import build_scan
    from canalmorph_phantoms.write import write_dicom, write_nifti, write_truth

    result = build_scan(spec)
    if scan_format is ScanFormat.DICOM:
        place = out / spec.name
        write_dicom(result, place)
    else:
        place = write_nifti(result, out / f"{spec.name}.nii.gz")
    write_truth(result, out / f"{spec.name}.truth.json")
    return place
