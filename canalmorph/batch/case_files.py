"""The files of one case: all of them on the disk under their final name, or none."""

import os
import shutil
from pathlib import Path

from canalmorph.batch.folder import OUTDATED_SUFFIX, UNFINISHED_PREFIX, ResultsFolder
from canalmorph.export.masks import write_masks
from canalmorph.export.record import write_record
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement
from canalmorph.report.page import write_report
from canalmorph.results_errors import ResultsNotWritableError


def write_case(
    measurement: ScanMeasurement, volume: CtVolume, folder: ResultsFolder, *, deidentify: bool
) -> None:
    """Write record, page and masks of one case; an earlier case of the same name is replaced.

    Raises
    ------
    ResultsNotWritableError
        If the folder cannot be written.
    """
    case, aligned = measurement.case, measurement.aligned
    unfinished = folder.cases / f"{UNFINISHED_PREFIX}{case.case_id}"
    try:
        shutil.rmtree(unfinished, ignore_errors=True)
        unfinished.mkdir()
        write_masks(unfinished / "masks.nii.gz", volume, aligned)
        write_report(case, aligned, unfinished / "report.html", deidentify=deidentify)
        # Names of files are hidden already, by a keyed hash, where they are to be hidden.
        write_record(unfinished / "result.json", case)
        _sync(unfinished)
        _put_in_place(unfinished, folder.cases / case.case_id)
        _sync(folder.cases)
    except OSError as error:
        raise ResultsNotWritableError(folder=str(folder.path)) from error


def discard_case(case_id: str, folder: ResultsFolder) -> None:
    """Remove what an earlier run left of a case, if anything."""
    shutil.rmtree(folder.cases / case_id, ignore_errors=True)


def _put_in_place(unfinished: Path, final: Path) -> None:
    """Rename a folder over another, which no file system does in one step."""
    outdated = final.with_name(f"{UNFINISHED_PREFIX}{final.name}{OUTDATED_SUFFIX}")
    shutil.rmtree(outdated, ignore_errors=True)
    if final.exists():
        final.rename(outdated)
    unfinished.rename(final)
    shutil.rmtree(outdated, ignore_errors=True)


def _sync(folder: Path) -> None:
    """Bring a folder's entries and files to the disk; Windows opens no folders."""
    if os.name == "nt":
        return
    for path in (*(entry for entry in folder.iterdir() if entry.is_file()), folder):
        descriptor = os.open(path, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
