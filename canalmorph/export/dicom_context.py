"""What all objects of one case have in common: whose they are, what they refer to, their UIDs.

UIDs are hashes (root 2.25), so that the same results of the same scan are the same objects again
and a resend replaces them. A series hangs on the scan alone; an object also on what it was
measured with, since an object of other content must have another UID.
"""

import hashlib
import hmac
import json
import re
import uuid
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from typing import Any

from pydicom.dataset import Dataset
from pydicom.uid import CTImageStorage

from canalmorph.export.dicom_codes import list_schemes
from canalmorph.model.dicom_source import DicomSource
from canalmorph.model.results import CaseResult

MAKER = "canalmorph"
#: In place of a date that a de-identified object must have.
DUMMY_DATE, DUMMY_TIME = "19000101", "000000"
#: Options of PS3.15 annex E that describe what is done: everything identifying is left out, and
#: descriptions and structured content are written by this program alone.
_DEIDENTIFICATION = (
    ("113100", "Basic Application Confidentiality Profile"),
    ("113104", "Clean Structured Content Option"),
    ("113105", "Clean Descriptors Option"),
)
_SHAPES = {
    "StudyDate": r"\d{8}",
    "PatientBirthDate": r"\d{8}",
    "StudyTime": r"\d{2}(\d{2}(\d{2}(\.\d{1,6})?)?)?",
    "PatientSex": r"[MFO]",
    "PatientAge": r"\d{3}[DWMY]",
    "TimezoneOffsetFromUTC": r"[+-]\d{4}",
    "LossyImageCompression": r"0[01]",
}
#: What tells when an object was made, and may be left out.
_TIMED = ("InstanceCreationDate", "InstanceCreationTime", "ContributingEquipmentSequence")
#: Attributes that every object has, empty where the source does not say.
_ALWAYS = (
    "PatientName",
    "PatientID",
    "PatientBirthDate",
    "PatientSex",
    "AccessionNumber",
    "StudyID",
    "StudyDate",
    "StudyTime",
    "ReferringPhysicianName",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ObjectContext:
    """One case on its way into DICOM.

    Attributes
    ----------
    case : CaseResult
        The numbers.
    sources : tuple of DicomSource
        The measured series first, then the one that showed the knees, if any; one study.
    moment : datetime
        When the objects are made.
    deidentified : bool
        Whether the sources are those of `deidentify_source`.
    """

    case: CaseResult
    sources: tuple[DicomSource, ...]
    moment: datetime
    deidentified: bool = False

    @property
    def source(self) -> DicomSource:
        """The measured series."""
        return self.sources[0]

    def make_series_uid(self, kind: str) -> str:
        """Return the UID of the series of one kind of object."""
        return make_uid("series", kind, self.source.study_uid, self.source.series_uid)

    def make_object_uid(self, kind: str) -> str:
        """Return the UID of an object.

        Another for other images, settings, another version, or another state of the review.
        """
        case = self.case
        images = [image.sop_instance_uid for each in self.sources for image in each.images]
        made_with = [case.settings_hash, case.software_version, case.scan.input_sha256]
        if case.review is not None and case.review.version:
            made_with.append(json.dumps(asdict(case.review), default=str, sort_keys=True))
        return make_uid("object", self.make_series_uid(kind), *made_with, *images)

    def describe_object(self, kind: str, number: int, description: str) -> dict[str, Any]:
        """Return what the makers of all kinds of objects are told."""
        return {
            "series_instance_uid": self.make_series_uid(kind),
            "series_number": number,
            "sop_instance_uid": self.make_object_uid(kind),
            # What takes the place of an earlier object of its series comes after it.
            "instance_number": 1 if self.case.review is None else 1 + self.case.review.version,
            "manufacturer": MAKER,
            "manufacturer_model_name": MAKER,
            "software_versions": self.case.software_version,
            "device_serial_number": self.case.settings_hash,
            "series_description": description,
            "specific_character_set": "ISO_IR 192",
            "content_date": DUMMY_DATE if self.deidentified else self.moment.date(),
            "content_time": DUMMY_TIME if self.deidentified else self.moment.time(),
            "coding_schemes": list_schemes(),
        }


def make_uid(*parts: str, key: bytes = b"") -> str:
    """Return a UID that is the same for the same parts; with a key nobody can try the parts out.

    Examples
    --------
    >>> make_uid("a", "b") == make_uid("a", "b") != make_uid("a", "b", key=b"secret")
    True
    """
    text = "\0".join(parts).encode("utf-8", "surrogateescape")
    digest = hmac.new(key or MAKER.encode(), text, hashlib.sha256).digest()
    return f"2.25.{uuid.UUID(bytes=digest[:16], version=4).int}"


def deidentify_source(source: DicomSource, *, case_id: str, key: bytes) -> DicomSource:
    """Return the source with the case's name for the patient's and keyed UIDs for its own."""

    def hide(text: str) -> str:
        return make_uid("hidden", text, key=key)

    return replace(
        source,
        study_uid=hide(source.study_uid),
        series_uid=hide(source.series_uid),
        frame_of_reference_uid=hide(source.frame_of_reference_uid),
        images=tuple(
            replace(image, sop_instance_uid=hide(image.sop_instance_uid)) for image in source.images
        ),
        tags={"PatientName": case_id, "PatientID": case_id}
        | {name: text for name, text in source.tags.items() if name == "LossyImageCompression"},
    )


def make_patient_and_study(source: DicomSource) -> Dataset:
    """Return patient and study of a source; a value that DICOM forbids is left empty."""
    dataset = Dataset()
    dataset.SpecificCharacterSet = "ISO_IR 192"
    dataset.StudyInstanceUID = source.study_uid
    for keyword in dict.fromkeys((*_ALWAYS, *source.tags)):
        text = source.tags.get(keyword, "")
        fits = re.fullmatch(_SHAPES.get(keyword, ".*"), text, re.DOTALL)
        if keyword in _ALWAYS or (text and fits):
            setattr(dataset, keyword, text if fits else "")
    return dataset


def list_evidence(source: DicomSource) -> list[Dataset]:
    """Return each object of the source once, as far as a reference to it needs."""
    evidence = []
    classes = {image.sop_instance_uid: image.sop_class_uid for image in source.images}
    for instance_uid, class_uid in classes.items():
        dataset = make_patient_and_study(source)
        dataset.SOPClassUID, dataset.SOPInstanceUID = class_uid, instance_uid
        dataset.SeriesInstanceUID, dataset.Modality = source.series_uid, "CT"
        evidence.append(dataset)
    return evidence


def list_planes(source: DicomSource, shape: Sequence[int], spacing_mm: float) -> list[Dataset]:
    """Return each plane of the source as an image of its own, without pixels.

    A plane of a multi-frame object has no UID of its own: it is known by its place here, and what
    refers to it must be set right (`canalmorph.export.dicom_seg`).
    """
    planes = []
    for k, image in enumerate(source.images):
        dataset = make_patient_and_study(source)
        dataset.SOPClassUID = CTImageStorage
        dataset.SOPInstanceUID = image.sop_instance_uid if not image.frame else name_plane(k)
        dataset.SeriesInstanceUID, dataset.Modality = source.series_uid, "CT"
        dataset.FrameOfReferenceUID = source.frame_of_reference_uid
        dataset.PositionReferenceIndicator = source.tags.get("PositionReferenceIndicator", "")
        dataset.Rows, dataset.Columns = shape
        dataset.ImagePositionPatient = list(image.position_mm)
        dataset.ImageOrientationPatient = list(source.orientation)
        dataset.PixelSpacing = list(source.pixel_spacing_mm)
        dataset.SliceThickness = dataset.SpacingBetweenSlices = round(spacing_mm, 6)
        planes.append(dataset)
    return planes


def name_plane(k: int) -> str:
    """Return what stands for the UID of a plane that has none."""
    return make_uid("plane", str(k))


def mark_object(dataset: Dataset, context: ObjectContext) -> Dataset:
    """Write into an object, in place, what became of its patient's identity, and return it."""
    if not context.deidentified:
        return dataset
    dataset.PatientIdentityRemoved = "YES"
    dataset.DeidentificationMethod = "Made without identity; UIDs replaced by keyed hashes"
    dataset.LongitudinalTemporalInformationModified = "REMOVED"
    methods = []
    for value, meaning in _DEIDENTIFICATION:
        item = Dataset()
        item.CodeValue, item.CodingSchemeDesignator, item.CodeMeaning = value, "DCM", meaning
        methods.append(item)
    dataset.DeidentificationMethodCodeSequence = methods
    for keyword in _TIMED:
        if keyword in dataset:
            delattr(dataset, keyword)
    return dataset
