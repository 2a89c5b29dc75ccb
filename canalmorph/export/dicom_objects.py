"""The results of a case as DICOM objects in the study of its scan."""

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from pydicom import dcmread
from pydicom.dataset import Dataset
from pydicom.errors import InvalidDicomError

from canalmorph.export.dicom_context import ObjectContext, mark_object
from canalmorph.export.dicom_pdf import make_pdf_object
from canalmorph.export.dicom_seg import make_segmentation
from canalmorph.export.dicom_sr import make_report_document
from canalmorph.export.files import open_atomically
from canalmorph.export.masks import make_masks
from canalmorph.model.dicom_source import DicomSource
from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import CaseResult
from canalmorph.model.volume import CtVolume
from canalmorph.quiet import keep_libraries_quiet

SEGMENTATION_NAME, REPORT_NAME, PDF_NAME = "segmentation.dcm", "measurements.dcm", "report.dcm"


def write_dicom_objects(
    folder: Path,
    case: CaseResult,
    aligned: Sequence[AlignedFemur],
    volume: CtVolume,
    sources: Sequence[DicomSource],
    *,
    deidentified: bool = False,
    report_pdf: Path | None = None,
    moment: datetime | None = None,
    predecessors: Sequence[Dataset] = (),
) -> list[Path]:
    """Write segmentation, numbers and, where there is one, the report's PDF as DICOM files.

    Parameters
    ----------
    folder : Path
        Usually ``RESULTS/cases/CASE_ID/dicom``; made where it is missing.
    case : CaseResult
        The numbers.
    aligned : sequence of AlignedFemur
        The femora with their surfaces.
    volume : CtVolume
        The scan.
    sources : sequence of DicomSource
        The scan's series first, then that of its knees, if another; where `deidentified`, those of
        `canalmorph.export.dicom_context.deidentify_source`.
    deidentified : bool
        Whether the objects are marked as made without identity.
    report_pdf : Path, optional
        The report; passed over where it does not exist.
    moment : datetime, optional
        When the objects are made, now by default.
    predecessors : sequence of Dataset
        Documents of numbers that these take the place of, as of `list_predecessors`.

    Returns
    -------
    list of Path
        The files, in the order in which they should be sent.

    Raises
    ------
    OSError
        If a file cannot be written.

    Notes
    -----
    All objects have the source's study, patient and frame of reference, and UIDs that are the
    same whenever the same scan is measured with the same settings and version. What a person
    set right or signed has other UIDs in the same series, and the document of numbers names
    those before it as its predecessors.
    """
    context = ObjectContext(
        case=case,
        sources=tuple(sources),
        moment=moment or datetime.now(UTC).astimezone(),
        deidentified=deidentified,
    )
    # What lies in a gap between the slices was seen on none of them.
    labels = make_masks(volume, aligned)[list(context.source.places)]
    folder.mkdir(exist_ok=True)
    written = []
    with keep_libraries_quiet():
        segmentation = make_segmentation(context, labels, float(volume.spacing_mm[0]))
        objects: list[tuple[str, Dataset | None]] = [
            (SEGMENTATION_NAME, segmentation),
            (REPORT_NAME, make_report_document(context, labels, segmentation, predecessors)),
        ]
        if report_pdf is not None and report_pdf.exists():
            objects.append((PDF_NAME, make_pdf_object(context, report_pdf.read_bytes())))
        for name, dataset in objects:
            if dataset is not None:
                with open_atomically(folder / name) as stream:
                    mark_object(dataset, context).save_as(stream, enforce_file_format=True)
                written.append(folder / name)
    return written


def list_predecessors(folder: Path) -> tuple[Dataset, ...]:
    """Return the document of numbers in a folder, and its own predecessors, as references.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    path = folder / REPORT_NAME
    if not path.exists():
        return ()
    try:
        document = dcmread(path)
    except InvalidDicomError:
        return ()
    found = [_refer(document.StudyInstanceUID, document.SeriesInstanceUID, document)]
    for study in document.get("PredecessorDocumentsSequence", ()):
        for series in study.ReferencedSeriesSequence:
            found += [
                _refer(study.StudyInstanceUID, series.SeriesInstanceUID, item)
                for item in series.ReferencedSOPSequence
            ]
    return tuple(found)


def _refer(study_uid: str, series_uid: str, item: Dataset) -> Dataset:
    reference = Dataset()
    reference.StudyInstanceUID, reference.SeriesInstanceUID = study_uid, series_uid
    reference.SOPClassUID = item.get("SOPClassUID") or item.ReferencedSOPClassUID
    reference.SOPInstanceUID = item.get("SOPInstanceUID") or item.ReferencedSOPInstanceUID
    return reference
