"""Read what grouping and geometry need from one DICOM file, without its pixels."""

import hashlib
import io
import math
import os
import struct
from dataclasses import dataclass
from typing import Any, BinaryIO

import pydicom
from pydicom.dataset import Dataset, FileDataset
from pydicom.tag import Tag

from canalmorph.errors import (
    CorruptFileError,
    MalformedTagError,
    NoPositionsError,
    ReadError,
    TooLargeError,
    TruncatedFileError,
    UnsupportedPixelsError,
)
from canalmorph.read.settings import ReadSettings
from canalmorph.read.sources import FileEntry
from canalmorph.read.tags import (
    read_integer,
    read_numbers,
    read_optional_numbers,
    read_text,
    tag_label,
)

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT = frozenset({"1.2.840.10008.5.1.4.1.1.2.1", "1.2.840.10008.5.1.4.1.1.2.2"})
DIRECTORY = "1.2.840.10008.1.3.10"
IMPLICIT_LITTLE = "1.2.840.10008.1.2"
EXPLICIT_LITTLE = "1.2.840.10008.1.2.1"
DEFLATED = "1.2.840.10008.1.2.1.99"
EXPLICIT_BIG = "1.2.840.10008.1.2.2"
NATIVE_SYNTAXES = frozenset({IMPLICIT_LITTLE, EXPLICIT_LITTLE, EXPLICIT_BIG})

#: Identities are compared, never kept: the key lives as long as the process. See `_digest`.
_PROCESS_KEY = os.urandom(16)

#: No CT has more rows or columns; 2048 is the finest in use.
LARGEST_MATRIX = 4096
LARGEST_PIXELS_PER_BYTE = 1000

_KEYWORDS = [
    "SOPClassUID", "SOPInstanceUID", "Modality", "ImageType", "StudyInstanceUID",
    "SeriesInstanceUID", "FrameOfReferenceUID", "PatientID", "PatientName", "PatientBirthDate",
    "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "SliceThickness",
    "Rows", "Columns", "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation",
    "SamplesPerPixel", "NumberOfFrames", "RescaleSlope", "RescaleIntercept", "RescaleType",
    "PixelPaddingValue", "PixelPaddingRangeLimit", "ConvolutionKernel", "KVP",
    "AcquisitionNumber", "AcquisitionTime", "AcquisitionDateTime", "ContentTime",
    "TemporalPositionIdentifier", "TriggerTime", "LossyImageCompression", "Manufacturer",
    "SharedFunctionalGroupsSequence", "PerFrameFunctionalGroupsSequence",
    "FloatPixelData", "DoubleFloatPixelData",
]  # fmt: skip

_TAGS: list[Any] = [Tag(keyword) for keyword in _KEYWORDS]
#: Pixel data in both byte orders.
_PIXEL_TAGS = (b"\xe0\x7f\x10\x00", b"\x7f\xe0\x00\x10")


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
    """

    entry: FileEntry
    frame: int = 0
    n_frames: int = 1
    pixel_offset: int
    syntax: str
    implicit: bool
    rows: int
    columns: int
    bits_allocated: int
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


def looks_like_dicom(head: bytes) -> bool:
    """Return whether the first bytes are those of a DICOM file, with or without its preamble.

    Files without the preamble must start with a plausible element of group 2 or 8; being
    parsed by a forgiving reader is no test.
    """
    return head[128:132] == b"DICM" or _bare_start(head) >= 0


def _bare_start(head: bytes) -> int:
    """Return where a data set without preamble starts, -1 if there is none."""
    start = 4 if head[:4] == b"DICM" else 0
    if len(head) < start + 8:
        return -1
    group, element = struct.unpack_from("<HH", head, start)
    kind = head[start + 4 : start + 6]
    if group == 0x0002 and element <= 0x0102 and kind in (b"UL", b"OB", b"UI", b"SH"):
        return start
    if group != 0x0008 or element not in (0x0000, 0x0001, 0x0005, 0x0008, 0x0012, 0x0016):
        return -1
    if kind in (b"UL", b"CS", b"DA", b"UI"):
        return start
    (length,) = struct.unpack_from("<I", head, start + 4)
    return start if length <= 128 else -1


def read_slice_headers(
    stream: BinaryIO, head: bytes, entry: FileEntry, settings: ReadSettings
) -> list[SliceHeader] | OtherObject:
    """Return the planes of one DICOM file, or why it holds none."""
    try:
        dataset, offset, bare = _parse(stream, head, entry)
    except ReadError as error:
        return _failed(entry, error)
    sop_class = read_text(dataset, "SOPClassUID")
    facts = {
        "entry": entry,
        "study_uid": read_text(dataset, "StudyInstanceUID"),
        "series_uid": read_text(dataset, "SeriesInstanceUID"),
        "image_type": read_text(dataset, "ImageType"),
    }
    if sop_class == DIRECTORY:
        return OtherObject(code="junk", reason="It is a directory of a medium.", **facts)  # type: ignore[arg-type]
    reason = _not_ct(dataset, sop_class)
    if reason:
        return OtherObject(code="not-ct-image", reason=reason, **facts)  # type: ignore[arg-type]
    if "LOCALIZER" in str(facts["image_type"]).upper().split("\\"):
        return OtherObject(
            code="localizer",
            reason="A localizer is a projection, not a section.",
            **facts,  # type: ignore[arg-type]
        )
    try:
        return _read_planes(dataset, entry, offset, bare, settings)
    except ReadError as error:
        fault = error
    except Exception as error:  # the library raises many kinds on damaged elements
        detail = f"An element cannot be parsed ({type(error).__name__})."
        fault = CorruptFileError(file=entry.name, detail=detail)
    return OtherObject(code=fault.code, reason=str(fault), error=fault, **facts)  # type: ignore[arg-type]


def parse_dicom(stream: BinaryIO, head: bytes, **how: Any) -> tuple[FileDataset, int]:
    """Return the data set of a file that looks like DICOM, and where parsing stopped.

    Parameters
    ----------
    stream, head
        The file and its first bytes.
    **how
        Arguments of `pydicom.dcmread`.
    """
    if head[128:132] == b"DICM":
        stream.seek(0)
        return pydicom.dcmread(stream, **how), stream.tell()
    start = _bare_start(head)
    if start < 0:
        raise ValueError("'stream' must look like DICOM, got other content.")
    stream.seek(start)
    # Forced only because `_bare_start` has seen a plausible first element.
    if not start:
        return pydicom.dcmread(stream, force=True, **how), stream.tell()
    rest = io.BytesIO(stream.read())
    return pydicom.dcmread(rest, force=True, **how), rest.tell() + start


def _failed(entry: FileEntry, error: ReadError) -> OtherObject:
    return OtherObject(entry=entry, code=error.code, reason=str(error), error=error)


def _parse(stream: BinaryIO, head: bytes, entry: FileEntry) -> tuple[FileDataset, int, bool]:
    """Return the header, the offset of the pixel data and whether the preamble was missing."""
    bare = head[128:132] != b"DICM"
    try:
        dataset, offset = _parse_quickly(stream, head)
    except EOFError:
        raise TruncatedFileError(
            file=entry.name, detail="The file ends inside its header."
        ) from None
    except Exception as error:  # pydicom raises many kinds on damaged headers
        raise CorruptFileError(
            file=entry.name, detail=f"The header cannot be parsed ({type(error).__name__})."
        ) from None
    if read_text(dataset, "SOPClassUID") == "" and read_text(dataset, "Modality") == "":
        raise CorruptFileError(
            file=entry.name, detail="It starts like DICOM and holds no image header."
        )
    return dataset, offset, bare


def _parse_quickly(stream: BinaryIO, head: bytes) -> tuple[FileDataset, int]:
    """Return the header from the first bytes alone where the pixels start within them."""
    how: dict[str, Any] = {"stop_before_pixels": True, "specific_tags": _TAGS}
    try:
        dataset, offset = parse_dicom(io.BytesIO(head), head, **how)
        if head[offset : offset + 4] in _PIXEL_TAGS:
            return dataset, offset
    except Exception:  # whatever is wrong shows again, and counts, on the whole file
        pass
    return parse_dicom(stream, head, **how)


def _not_ct(dataset: Dataset, sop_class: str) -> str:
    modality = read_text(dataset, "Modality")
    if sop_class and sop_class != CT_IMAGE and sop_class not in ENHANCED_CT:
        name = pydicom.uid.UID(sop_class).name if sop_class[:1].isdigit() else "unknown"
        return f"The object is no CT image ({name})."
    if modality and modality != "CT":
        return f"The modality is {modality[:16]}, not CT."
    return ""


def _read_planes(
    dataset: FileDataset, entry: FileEntry, offset: int, bare: bool, settings: ReadSettings
) -> list[SliceHeader]:
    file = entry.name
    common = _read_layout(dataset, entry, offset, bare)
    _check_size(common, entry, settings)
    _read_identity(dataset, common)
    n_frames = int(common["n_frames"])  # type: ignore[call-overload]
    if Tag("PerFrameFunctionalGroupsSequence") in dataset:
        return _read_frames(dataset, entry, common, n_frames)
    if n_frames > 1:
        raise NoPositionsError(
            file=file,
            tag=tag_label("NumberOfFrames"),
            detail=f"The object has {n_frames} frames and no position for each.",
        )
    return [_make_slice(common, dataset, dataset, dataset, dataset, dataset, entry)]


def _read_layout(
    dataset: FileDataset, entry: FileEntry, offset: int, bare: bool
) -> dict[str, object]:
    file = entry.name
    syntax = str(dataset.file_meta.get("TransferSyntaxUID", "")) if dataset.file_meta else ""
    implicit, little = dataset.original_encoding
    if not syntax:
        syntax = IMPLICIT_LITTLE if implicit else EXPLICIT_LITTLE if little else EXPLICIT_BIG
    samples = read_integer(dataset, "SamplesPerPixel", file=file, default=1)
    allocated = read_integer(dataset, "BitsAllocated", file=file)
    stored = read_integer(dataset, "BitsStored", file=file)
    high = read_integer(dataset, "HighBit", file=file, default=stored - 1)
    signed = read_integer(dataset, "PixelRepresentation", file=file)
    if samples != 1 or allocated != 16 or not 8 < stored <= 16 or high != stored - 1:
        raise UnsupportedPixelsError(
            file=file,
            tag=tag_label("BitsStored"),
            detail=f"{samples} sample(s) of {stored} bits in {allocated}, high bit {high}.",
        )
    if signed not in (0, 1):
        raise MalformedTagError(
            file=file, tag=tag_label("PixelRepresentation"), detail="It is neither 0 nor 1."
        )
    if Tag("FloatPixelData") in dataset or Tag("DoubleFloatPixelData") in dataset:
        raise UnsupportedPixelsError(file=file, detail="The pixels are floating-point values.")
    lossy = read_text(dataset, "LossyImageCompression") == "01"
    return {
        "entry": entry,
        "pixel_offset": -1 if syntax == DEFLATED else offset,
        "syntax": syntax,
        "implicit": bool(implicit),
        "rows": read_integer(dataset, "Rows", file=file),
        "columns": read_integer(dataset, "Columns", file=file),
        "bits_allocated": allocated,
        "bits_stored": stored,
        "signed": bool(signed),
        "n_frames": read_integer(dataset, "NumberOfFrames", file=file, default=1),
        "lossy": lossy,
        "warnings": ("no-preamble",) if bare else (),
    }


def _check_size(layout: dict[str, object], entry: FileEntry, settings: ReadSettings) -> None:
    """Refuse what declares more pixels than the file holds, before anything is allocated."""
    rows, columns, frames = (int(layout[name]) for name in ("rows", "columns", "n_frames"))  # type: ignore[call-overload]
    if rows < 1 or columns < 1 or frames < 1:
        raise MalformedTagError(
            file=entry.name, tag=tag_label("Rows"), detail="The image has no pixels."
        )
    if rows * columns * frames > settings.max_voxels or max(rows, columns) > LARGEST_MATRIX:
        raise TooLargeError(
            file=entry.name,
            tag=tag_label("Rows"),
            detail=f"It declares {rows} x {columns} x {frames} pixels.",
        )
    if layout["syntax"] not in NATIVE_SYNTAXES:
        # A slice of one value, 1024 x 1024, shrinks to some hundred bytes beside its header.
        if rows * columns * frames > LARGEST_PIXELS_PER_BYTE * entry.size:
            raise TooLargeError(
                file=entry.name,
                tag=tag_label("Rows"),
                detail=f"It declares {rows} x {columns} pixels in {entry.size} bytes.",
            )
        return
    held = entry.size - int(layout["pixel_offset"])  # type: ignore[call-overload]
    needed = rows * columns * frames * 2
    if held <= 0:
        raise TruncatedFileError(
            file=entry.name, tag=tag_label("PixelData"), detail="The file holds no pixel data."
        )
    if held < needed:
        raise TruncatedFileError(
            file=entry.name,
            tag=tag_label("PixelData"),
            detail=f"The header declares {needed} bytes of pixels, the file holds {held}.",
        )


def _digest(text: str) -> str:
    return hashlib.blake2b(text.encode(), key=_PROCESS_KEY, digest_size=8).hexdigest()


def _read_identity(dataset: FileDataset, common: dict[str, object]) -> None:
    identity = [read_text(dataset, key) for key in ("PatientID", "PatientName", "PatientBirthDate")]
    # The ID decides where there is one: names are spelt in several ways for one person.
    patient = identity[0] or "|".join(identity)
    common |= {
        "patient_key": _digest(patient) if patient.strip("|") else "",
        "study_uid": read_text(dataset, "StudyInstanceUID"),
        "series_uid": read_text(dataset, "SeriesInstanceUID"),
        "sop_uid": read_text(dataset, "SOPInstanceUID"),
        "frame_of_reference": read_text(dataset, "FrameOfReferenceUID"),
        "manufacturer": read_text(dataset, "Manufacturer"),
        "acquisition_number": read_text(dataset, "AcquisitionNumber"),
        "acquisition_time": read_text(dataset, "AcquisitionDateTime")
        or read_text(dataset, "AcquisitionTime"),
        "content_time": read_text(dataset, "ContentTime"),
        "temporal_position": read_text(dataset, "TemporalPositionIdentifier")
        or read_text(dataset, "TriggerTime"),
    }


def _make_slice(
    common: dict[str, object],
    place: Dataset,
    axes: Dataset,
    measures: Dataset,
    rescale: Dataset,
    padding: Dataset,
    entry: FileEntry,
    **overrides: object,
) -> SliceHeader:
    """Join what the file says for all frames with what its groups say for this one."""
    file = entry.name
    orientation = read_numbers(axes, "ImageOrientationPatient", count=6, file=file)
    spacing = read_numbers(measures, "PixelSpacing", count=2, file=file)
    if min(spacing) <= 0:
        raise MalformedTagError(
            file=file, tag=tag_label("PixelSpacing"), detail="A spacing is not positive."
        )
    _check_axes(orientation, file)
    (slope,) = read_numbers(rescale, "RescaleSlope", count=1, file=file)
    (intercept,) = read_numbers(rescale, "RescaleIntercept", count=1, file=file)
    if slope <= 0:
        raise MalformedTagError(
            file=file, tag=tag_label("RescaleSlope"), detail="The slope is not positive."
        )
    unit = read_text(rescale, "RescaleType").upper()
    if unit not in ("", "HU", "US"):
        raise UnsupportedPixelsError(
            file=file, tag=tag_label("RescaleType"), detail=f"The unit is {unit[:16]}, not HU."
        )
    values = {
        "image_type": read_text(padding, "ImageType"),
        "kernel": read_text(padding, "ConvolutionKernel"),
        "kvp": _first(read_optional_numbers(padding, "KVP", file=file)),
        "thickness_mm": _first(read_optional_numbers(measures, "SliceThickness", file=file)),
        "padding": _stored_bits(read_optional_numbers(padding, "PixelPaddingValue", file=file)),
        "padding_limit": _stored_bits(
            read_optional_numbers(padding, "PixelPaddingRangeLimit", file=file)
        ),
    }
    position = read_numbers(place, "ImagePositionPatient", count=3, file=file)
    return SliceHeader(
        **(common | values | overrides),  # type: ignore[arg-type]
        position_mm=(position[0], position[1], position[2]),
        orientation=orientation,
        pixel_spacing_mm=(spacing[0], spacing[1]),
        slope=slope,
        intercept=intercept,
    )


def _check_axes(orientation: tuple[float, ...], file: str) -> None:
    rows, columns = orientation[:3], orientation[3:]
    lengths = math.hypot(*rows), math.hypot(*columns)
    dot = sum(a * b for a, b in zip(rows, columns, strict=True))
    # Cosines with two decimals, the coarsest in use, miss unit length by less than 0.01.
    if max(abs(length - 1) for length in lengths) > 0.01 or abs(dot) > 1e-3:
        raise MalformedTagError(
            file=file,
            tag=tag_label("ImageOrientationPatient"),
            detail="The two directions are not unit vectors at right angles.",
        )


def _first(numbers: tuple[float, ...]) -> float | None:
    return numbers[0] if numbers else None


def _stored_bits(numbers: tuple[float, ...]) -> int | None:
    return int(numbers[0]) & 0xFFFF if numbers else None


def _read_frames(
    dataset: FileDataset, entry: FileEntry, common: dict[str, object], n_frames: int
) -> list[SliceHeader]:
    """Return the planes of an enhanced multi-frame object from its functional groups."""
    file = entry.name
    try:
        frames = list(dataset.PerFrameFunctionalGroupsSequence)
        shared_items = list(dataset.get("SharedFunctionalGroupsSequence", []))
    except Exception as error:  # damaged sequences raise many kinds
        raise CorruptFileError(
            file=file, detail=f"The functional groups cannot be parsed ({type(error).__name__})."
        ) from None
    if len(frames) != n_frames:
        raise MalformedTagError(
            file=file,
            tag=tag_label("NumberOfFrames"),
            detail=f"{n_frames} frames are declared, {len(frames)} are described.",
        )
    shared = shared_items[0] if shared_items else Dataset()
    return [
        _make_frame(dataset, frame, shared, index, common, entry)
        for index, frame in enumerate(frames)
    ]


def _make_frame(
    dataset: Dataset,
    frame: Dataset,
    shared: Dataset,
    index: int,
    common: dict[str, object],
    entry: FileEntry,
) -> SliceHeader:
    def group(keyword: str) -> Dataset:
        for level in (frame, shared):
            if keyword in level and len(level[keyword].value):
                found: Dataset = level[keyword].value[0]
                return found
        return Dataset()

    content, kind = group("FrameContentSequence"), group("CTImageFrameTypeSequence")
    exposure, recon = group("CTExposureSequence"), group("CTReconstructionSequence")
    acquisition = group("CTAcquisitionDetailsSequence") or exposure
    return _make_slice(
        common,
        group("PlanePositionSequence"),
        group("PlaneOrientationSequence"),
        group("PixelMeasuresSequence"),
        group("PixelValueTransformationSequence"),
        dataset,
        entry,
        frame=index,
        image_type=read_text(kind, "FrameType") or read_text(dataset, "ImageType"),
        kernel=read_text(recon, "ConvolutionKernel"),
        kvp=_first(read_optional_numbers(acquisition, "KVP", file=entry.name)),
        acquisition_number=read_text(content, "FrameAcquisitionNumber"),
        acquisition_time=read_text(content, "FrameAcquisitionDateTime"),
        temporal_position=read_text(content, "TemporalPositionIndex"),
        content_time="",
    )
