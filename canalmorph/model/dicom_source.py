"""What DICOM results must know of the series that they were measured on; no DICOM library here."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceImage:
    """One plane of the scan, as other objects refer to it.

    Attributes
    ----------
    sop_class_uid, sop_instance_uid : str
        The object that holds it.
    frame : int
        From 1 in a multi-frame object; 0 where the object is the plane.
    position_mm : tuple of 3 floats
        ImagePositionPatient of the volume's plane, whose slice it is. [mm]
    """

    sop_class_uid: str
    sop_instance_uid: str
    frame: int
    position_mm: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class DicomSource:
    """One scanned series: its identifiers, its planes in the volume's order, and whose it is.

    Attributes
    ----------
    study_uid, series_uid, frame_of_reference_uid : str
        As in the files.
    orientation : tuple of 6 floats
        ImageOrientationPatient of the volume's planes.
    pixel_spacing_mm : tuple of 2 floats
        Between rows and between columns. [mm]
    images : tuple of SourceImage
        One for each slice of the volume that is there.
    places : tuple of int
        The slice k of each image; slices that are missing have none.
    tags : mapping of str to str
        Patient and study, by DICOM keyword, decoded from the file's own character set.
    """

    study_uid: str
    series_uid: str
    frame_of_reference_uid: str
    orientation: tuple[float, ...]
    pixel_spacing_mm: tuple[float, float]
    images: tuple[SourceImage, ...]
    places: tuple[int, ...]
    tags: Mapping[str, str] = field(default_factory=dict)
