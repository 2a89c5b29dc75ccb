"""Read from a surveyed DICOM series what objects made of it must repeat or refer to."""

import numpy as np

from canalmorph.errors import MissingTagError
from canalmorph.model.dicom_source import DicomSource, SourceImage
from canalmorph.model.volume import CtVolume
from canalmorph.quiet import keep_libraries_quiet
from canalmorph.read.found import DicomPlan, SeriesFound
from canalmorph.read.headers import ENHANCED_CT, parse_dicom
from canalmorph.read.slices import SliceHeader
from canalmorph.read.sources import FileEntry, FileOpener
from canalmorph.read.tags import decode_text, read_text, tag_label

#: What is copied; nothing else of the source reaches a result.
COPIED_KEYWORDS = (
    "PatientName",
    "PatientID",
    "IssuerOfPatientID",
    "PatientBirthDate",
    "PatientSex",
    "PatientAge",
    "AccessionNumber",
    "StudyID",
    "StudyDate",
    "StudyTime",
    "StudyDescription",
    "ReferringPhysicianName",
    "PositionReferenceIndicator",
    "TimezoneOffsetFromUTC",
    "LossyImageCompression",
)
#: Without these no object can say what it belongs to, by the name of the header's field.
_NEEDED = {
    "study_uid": "StudyInstanceUID",
    "series_uid": "SeriesInstanceUID",
    "sop_uid": "SOPInstanceUID",
    "frame_of_reference": "FrameOfReferenceUID",
}


def read_dicom_source(found: SeriesFound, volume: CtVolume) -> DicomSource:
    """Return identifiers, planes and patient of a surveyed DICOM series.

    Parameters
    ----------
    found : SeriesFound
        As `survey_scans` returned it, of the format ``dicom``.
    volume : CtVolume
        What was read of it: files that could not be read are no planes.

    Raises
    ------
    ValueError
        If the series is no measurable DICOM series.
    MissingTagError
        If the files lack an identifier that results must refer to.
    ReadError
        If a file has gone.
    """
    plan = found.plan
    if not isinstance(plan, DicomPlan):
        raise ValueError(f"'found' must be a measurable DICOM series, got {found.file_format!r}.")
    plan = plan.leave_out(_list_unread(plan, volume))
    for header in plan.slices:
        _check_identifiers(header)
    first = plan.slices[0]
    with keep_libraries_quiet(), FileOpener() as opener:
        tags = _read_tags(opener, first.entry)
        classes: dict[FileEntry, str] = {}
        for header in plan.slices:
            # Multi-frame files are few and each is asked; a classic series is of one class.
            if header.n_frames > 1 and header.entry not in classes:
                classes[header.entry] = _read_class(opener, header.entry)
        usual = _read_class(opener, first.entry)
    positions = _list_positions(plan)
    images = [
        _describe_image(each, position, classes.get(each.entry, usual))
        for each, position in zip(plan.slices, positions, strict=True)
    ]
    return DicomSource(
        study_uid=first.study_uid,
        series_uid=first.series_uid,
        frame_of_reference_uid=first.frame_of_reference,
        orientation=first.orientation,
        pixel_spacing_mm=first.pixel_spacing_mm,
        images=tuple(images),
        places=plan.places,
        tags=tags,
    )


def _list_unread(plan: DicomPlan, volume: CtVolume) -> list[int]:
    """Return the places of slices that were left out of the volume while it was read."""
    files = {getattr(error, "file", "") for error in volume.unread}
    pairs = zip(plan.places, plan.slices, strict=True)
    return [place for place, header in pairs if header.entry.name in files]


def _check_identifiers(header: SliceHeader) -> None:
    for field, keyword in _NEEDED.items():
        if not getattr(header, field):
            raise MissingTagError(
                file=header.entry.name,
                tag=tag_label(keyword),
                detail="Objects made from the scan must refer to it.",
            )


def _list_positions(plan: DicomPlan) -> list[tuple[float, float, float]]:
    """Return where the first pixel of each plane lies, as the volume has it [mm]."""
    if plan.tilt is None:
        return [header.position_mm for header in plan.slices]
    # The planes of an upright grid start elsewhere than those that the gantry tilted.
    start, step = (np.array(plan.index_to_lps_mm)[:3, column] for column in (3, 0))
    return [(x, y, z) for x, y, z in (start + np.outer(plan.places, step)).tolist()]


def _describe_image(
    header: SliceHeader, position_mm: tuple[float, float, float], sop_class: str
) -> SourceImage:
    return SourceImage(
        sop_class_uid=sop_class,
        sop_instance_uid=header.sop_uid,
        frame=header.frame + 1 if sop_class in ENHANCED_CT else 0,
        position_mm=position_mm,
    )


def _read_tags(opener: FileOpener, entry: FileEntry) -> dict[str, str]:
    with opener.open(entry) as stream:
        dataset, _ = parse_dicom(stream, stream.read(132), stop_before_pixels=True)
    texts = {keyword: decode_text(dataset, keyword) for keyword in COPIED_KEYWORDS}
    return {keyword: text for keyword, text in texts.items() if text}


def _read_class(opener: FileOpener, entry: FileEntry) -> str:
    with opener.open(entry) as stream:
        dataset, _ = parse_dicom(
            stream, stream.read(132), stop_before_pixels=True, specific_tags=["SOPClassUID"]
        )
    return read_text(dataset, "SOPClassUID")
