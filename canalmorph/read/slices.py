"""One image plane as the survey knows it, and DICOM objects that are none."""

from dataclasses import dataclass

from canalmorph.errors import ReadError
from canalmorph.read.sources import FileEntry

IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
DEFLATED = "1.2.840.10008.1.2.1.99"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
NATIVE_SYNTAXES = frozenset({IMPLICIT_LITTLE, EXPLICIT_LITTLE, EXPLICIT_BIG})


@dataclass(frozen=True, slots=True, kw_only=True)
class SliceHeader:
    """One image plane: where it lies, how it is stored and what sets it apart from others.

    Attributes
    ----------
    entry : FileEntry
        The file.
    frame : int
        Index inside a multi-frame object, else 0.
    n_frames : int
        Frames of the file.
    pixel_offset : int
        Where the pixel data element starts in the file, -1 in a deflated file. [bytes]
    syntax : str
        Transfer syntax UID.
    position_mm, orientation, pixel_spacing_mm : tuple of float
        ImagePositionPatient, ImageOrientationPatient and PixelSpacing (rows, columns).
    slope, intercept : float
        Rescale of this plane. [HU per stored value] and [HU]
    padding, padding_limit : int or None
        PixelPaddingValue and its range limit as 16 stored bits.
    gantry_tilt : str
        GantryDetectorTilt as written; only set against what the positions say. [deg]
    """

    entry: FileEntry
    frame: int = 0
    n_frames: int = 1
    pixel_offset: int
    syntax: str
    implicit: bool
    rows: int
    columns: int
    bits_stored: int
    signed: bool
    position_mm: tuple[float, float, float]
    orientation: tuple[float, ...]
    pixel_spacing_mm: tuple[float, float]
    slope: float
    intercept: float
    padding: int | None
    padding_limit: int | None
    patient_key: str
    study_uid: str
    series_uid: str
    sop_uid: str
    frame_of_reference: str
    image_type: str
    kernel: str
    kvp: float | None
    thickness_mm: float | None
    manufacturer: str
    gantry_tilt: str
    patient_position: str
    acquisition_number: str
    acquisition_time: str
    content_time: str
    temporal_position: str
    lossy: bool
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class OtherObject:
    """A DICOM object that is no CT plane: why it is left out, or why it cannot be read."""

    entry: FileEntry
    code: str
    reason: str
    study_uid: str = ""
    series_uid: str = ""
    image_type: str = ""
    error: ReadError | None = None
