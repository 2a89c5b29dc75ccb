"""The files of one case: all of them on the disk under their final name, or none."""

import os
import secrets
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from canalmorph.advise.clinic import note_clinic
from canalmorph.batch.clinic import CLINIC_NAME, CaseClinic, write_clinic
from canalmorph.batch.dicom_results import DICOM_FOLDER, write_dicom_results
from canalmorph.batch.digest import RECORD_NAME, write_digest
from canalmorph.batch.folder import OUTDATED_SUFFIX, UNFINISHED_PREFIX, ResultsFolder
from canalmorph.batch.ledger import Entry, NamedRefusal
from canalmorph.export.masks import write_masks
from canalmorph.export.record import write_record
from canalmorph.export.surfaces import SURFACES_NAME, write_surfaces
from canalmorph.model.clinic import ClinicFacts
from canalmorph.model.dicom_source import DicomSource
from canalmorph.model.results import CaseResult
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement
from canalmorph.report.case_list import make_thumbnails
from canalmorph.report.content import make_content
from canalmorph.report.parts import PAGE_NAME, SHEET_NAME, list_missing_parts
from canalmorph.report.picture_file import PICTURES_NAME, write_pictures
from canalmorph.report.pictures import FemurPictures, take_all_pictures
from canalmorph.results_errors import ResultsNotWritableError
from canalmorph.threads import map_in_threads

#: Cases are measured without the extra that draws their pages, too.
if not list_missing_parts():
    from canalmorph.report.drawing import pause_collector
    from canalmorph.report.page import write_page
    from canalmorph.report.sheet import write_sheet

#: Warnings of a femur in which a person marked a fracture.
_MARKED_BREAKS = frozenset({"fracture_marked", "neck_fracture_marked"})
#: A worker that was given up may still be writing the same case: its rename may come in between.
MOST_RENAMES = 5


def write_case(
    measurement: ScanMeasurement,
    volume: CtVolume,
    folder: ResultsFolder,
    entry: Entry,
    *,
    noted: Sequence[NamedRefusal] = (),
    sources: Sequence[DicomSource] = (),
    seconds: float,
    facts: ClinicFacts,
) -> None:
    """Write all files of a case; an earlier one of its name is replaced.

    Pages are left out where what draws them is not installed; `redraw` makes them later.

    Parameters
    ----------
    measurement : ScanMeasurement
        The case.
    volume : CtVolume
        Its scan.
    folder : ResultsFolder
        Where to.
    entry : Entry
        The input's line of the ledger.
    noted : sequence of named refusals
        What the ledger will hold beside the case.
    sources : sequence of DicomSource
        The scanned series, where DICOM objects are to be written; empty for none.
    seconds : float
        For reading and measuring. [s]
    facts : ClinicFacts
        As the clinic's table states them.

    Raises
    ------
    ResultsNotWritableError
        If the folder cannot be written.
    """
    case, aligned = measurement.case, measurement.aligned
    clinic = CaseClinic(
        patient=case.patient,
        source=case.scan.source,
        facts=facts,
        deidentified=entry.terms.deidentified,
    )
    unfinished = folder.cases / f"{UNFINISHED_PREFIX}{case.case_id}-{secrets.token_hex(4)}"
    try:
        unfinished.mkdir()
        write_clinic(unfinished / CLINIC_NAME, clinic)
        pictures = take_all_pictures(case.femora, aligned)

        def write_what_was_measured() -> None:
            write_masks(unfinished / "masks.nii.gz", volume, aligned)
            write_surfaces(unfinished / SURFACES_NAME, aligned)

        def write_what_is_read() -> None:
            write_pictures(unfinished / PICTURES_NAME, pictures)
            if not list_missing_parts():
                write_reports(unfinished, case, pictures, clinic)

        # Packing lets go of the interpreter, which drawing needs.
        map_in_threads(lambda write: write(), (write_what_was_measured, write_what_is_read))
        if sources:
            _write_dicom(unfinished, measurement, volume, folder, sources, clinic.deidentified)
        # Names of files are hidden already, by a keyed hash, where they are to be hidden.
        write_record(unfinished / RECORD_NAME, case)
        write_digest(
            unfinished,
            case,
            entry,
            noted=noted,
            thumbnails=make_thumbnails(pictures),
            seconds=seconds,
        )
        _sync(unfinished)
        _put_in_place(unfinished, folder.cases / case.case_id)
        _sync(folder.cases)
    except BaseException as error:
        shutil.rmtree(unfinished, ignore_errors=True)
        if isinstance(error, OSError):
            raise ResultsNotWritableError(folder=str(folder.path)) from error
        raise


def _write_dicom(
    unfinished: Path,
    measurement: ScanMeasurement,
    volume: CtVolume,
    folder: ResultsFolder,
    sources: Sequence[DicomSource],
    deidentified: bool,
) -> None:
    """Write a case as DICOM objects into its own folder of them."""
    from canalmorph.export.dicom_context import deidentify_source

    case = measurement.case
    if deidentified:
        sources = [
            deidentify_source(each, case_id=case.case_id, key=folder.key) for each in sources
        ]
    write_dicom_results(
        unfinished,
        case,
        measurement.aligned,
        volume,
        sources,
        deidentified=deidentified,
        report_pdf=unfinished / SHEET_NAME,
    )
    _sync(unfinished / DICOM_FOLDER)


def write_reports(
    folder: Path, case: CaseResult, pictures: Sequence[FemurPictures], clinic: CaseClinic
) -> None:
    """Write page and paper of one case; the patient and the scan's name are those of `clinic`.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    named = replace(case, patient=clinic.patient, scan=replace(case.scan, source=clinic.source))
    broken = any(_MARKED_BREAKS & set(femur.warnings) for femur in case.femora)
    notes = note_clinic(clinic.known, fracture_seen=broken)
    content = make_content(named, notes=notes, deidentify=clinic.deidentified)
    with pause_collector():
        write_page(case, content, pictures, folder / PAGE_NAME)
        write_sheet(case, content, pictures, folder / SHEET_NAME)


def discard_case(case_id: str, folder: ResultsFolder) -> None:
    """Remove what an earlier run left of a case, if anything."""
    shutil.rmtree(folder.cases / case_id, ignore_errors=True)


def _put_in_place(unfinished: Path, final: Path) -> None:
    """Rename a folder over another, which no file system does in one step."""
    outdated = final.with_name(f"{UNFINISHED_PREFIX}{final.name}{OUTDATED_SUFFIX}")
    for n_left in reversed(range(MOST_RENAMES)):
        shutil.rmtree(outdated, ignore_errors=True)
        try:
            if final.exists():
                final.rename(outdated)
            unfinished.rename(final)
        except OSError:
            if not n_left:
                raise
        else:
            break
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
