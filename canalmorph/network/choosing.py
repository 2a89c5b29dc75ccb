"""Which series of a study to fetch: those that the survey would choose, by headers alone.

The headers that an archive tells are laid into files whose pixels are empty, and the same survey
that reads scans looks at them, so that there is one rule. Such a file is sparse: it has the length
of the image and takes the space of its header.
"""

import tempfile
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from canalmorph.quiet import keep_libraries_quiet
from canalmorph.read.found import DicomPlan, SeriesFound
from canalmorph.read.scans import survey_scans
from canalmorph.read.settings import ReadSettings

#: Asked for of every image: what the choice rests on.
CHOICE_KEYWORDS = (
    "SOPClassUID", "SOPInstanceUID", "Modality", "ImageType", "StudyInstanceUID",
    "SeriesInstanceUID", "FrameOfReferenceUID", "PatientID", "ImagePositionPatient",
    "ImageOrientationPatient", "PixelSpacing", "SliceThickness", "Rows", "Columns",
    "NumberOfFrames", "ConvolutionKernel", "KVP", "AcquisitionNumber", "AcquisitionTime",
    "ContentTime", "TemporalPositionIdentifier", "PatientPosition", "GantryDetectorTilt",
)  # fmt: skip
_NEEDED = ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "Rows", "Columns")
#: What the choice does not look at and a file must say.
_FILLED = {
    "BitsAllocated": 16,
    "BitsStored": 16,
    "HighBit": 15,
    "PixelRepresentation": 1,
    "SamplesPerPixel": 1,
    "RescaleSlope": 1,
    "RescaleIntercept": 0,
}
_PIXEL_DATA = b"\xe0\x7f\x10\x00OW\x00\x00"


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesChoice:
    """What to fetch of one study.

    Attributes
    ----------
    images : dict of str to int
        Series to fetch, and how many objects each has.
    reasons : tuple of str
        Codes of the series that are not fetched.
    certain : bool
        False where the archive tells too little to choose: all series are fetched then.
    """

    images: dict[str, int] = field(default_factory=dict)
    reasons: tuple[str, ...] = ()
    certain: bool = True


def choose_remote_series(
    headers: Sequence[Dataset], settings: ReadSettings | None = None
) -> SeriesChoice:
    """Return which series of a study should be fetched.

    Parameters
    ----------
    headers : sequence of Dataset
        Of all CT images of the study, with what the archive tells of `CHOICE_KEYWORDS`.
    settings : ReadSettings, optional
        Of the survey.
    """
    by_series = _count(headers)
    if not all(_tells_enough(header) for header in headers if not _is_localizer(header)):
        return SeriesChoice(images=by_series, certain=False)
    with tempfile.TemporaryDirectory(prefix="canalmorph-") as folder, keep_libraries_quiet():
        for number, header in enumerate(headers):
            _write_header(header, Path(folder) / f"{number:06d}.dcm")
        found = survey_scans(Path(folder), settings)
    chosen = {uid for series in found if series.chosen for uid in _list_series(series)}
    return SeriesChoice(
        images={uid: n for uid, n in by_series.items() if uid in chosen},
        reasons=tuple(series.code for series in found if not series.chosen and series.code),
    )


def _count(headers: Iterable[Dataset]) -> dict[str, int]:
    counts: dict[str, int] = {}
    for header in headers:
        uid = str(header.get("SeriesInstanceUID", ""))
        counts[uid] = counts.get(uid, 0) + 1
    return counts


def _is_localizer(header: Dataset) -> bool:
    return "LOCALIZER" in str(header.get("ImageType", "")).upper()


def _tells_enough(header: Dataset) -> bool:
    # The places of an enhanced object's frames are told by no query.
    return all(header.get(word) not in (None, "") for word in _NEEDED)


def _list_series(series: SeriesFound) -> set[str]:
    """Return the UIDs of the series that a chosen line needs, its knees' too."""
    plans = [each.plan for each in (series, series.knees) if each is not None]
    return {
        header.series_uid for plan in plans if isinstance(plan, DicomPlan) for header in plan.slices
    }


def _write_header(header: Dataset, file: Path) -> None:
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    told = FileDataset(str(file), {}, file_meta=meta, preamble=b"\0" * 128)
    with warnings.catch_warnings():
        # An archive's answer is taken as it is; the survey judges it.
        warnings.simplefilter("ignore")
        for word in CHOICE_KEYWORDS:
            if header.get(word) not in (None, ""):
                setattr(told, word, header.get(word))
        for word, value in _FILLED.items():
            setattr(told, word, value)
        told.SOPClassUID = header.get("SOPClassUID") or CTImageStorage
        meta.MediaStorageSOPClassUID = told.SOPClassUID
        meta.MediaStorageSOPInstanceUID = told.get("SOPInstanceUID", "1.2")
        told.save_as(file, enforce_file_format=True)
    n_bytes = 2 * int(told.get("Rows") or 1) * int(told.get("Columns") or 1)
    with file.open("ab") as stream:
        stream.write(_PIXEL_DATA + n_bytes.to_bytes(4, "little"))
        stream.truncate(stream.tell() + n_bytes)
