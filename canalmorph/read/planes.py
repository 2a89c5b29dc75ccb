"""From one parsed CT header to its planes: layout, geometry, scale, and what tells planes apart."""

import hashlib
import math
import os
from typing import Any

from pydicom.dataset import Dataset, FileDataset
from pydicom.tag import Tag

from canalmorph.errors import (
    CorruptFileError,
    MalformedTagError,
    NoPositionsError,
    TooLargeError,
    TruncatedFileError,
    UnsupportedPixelsError,
)
from canalmorph.model.counting import count_noun
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import (
    DEFLATED,
    EXPLICIT_BIG,
    EXPLICIT_LITTLE,
    IMPLICIT_LITTLE,
    NATIVE_SYNTAXES,
    SliceHeader,
)
from canalmorph.read.sources import FileEntry
from canalmorph.read.tags import (
    read_integer,
    read_numbers,
    read_optional_numbers,
    read_text,
    tag_label,
)

#: Identities are compared, never kept: the key lives as long as the process. See `_digest`.
_PROCESS_KEY = os.urandom(16)
#: No CT has more rows or columns; 2048 is the finest in use.
LARGEST_MATRIX = 4096
LARGEST_PIXELS_PER_BYTE = 1000
#: What a file may hold beside its pixels: overlays, private data, signatures. [bytes]
LARGEST_EXTRA_BYTES = 64 * 2**20


def read_planes(
    dataset: FileDataset, entry: FileEntry, offset: int, bare: bool, settings: ReadSettings
) -> list[SliceHeader]:
    """Return the planes of a CT object.

    Parameters
    ----------
    dataset : FileDataset
        The header.
    entry : FileEntry
        Its file.
    offset : int
        Where the pixel data element starts. [bytes]
    bare : bool
        The file lacks its preamble.
    settings : ReadSettings
        Bounds.

    Raises
    ------
    ReadError
        Naming the file and the tag that is absent, malformed or contradicted.
    """
    file = entry.name
    common = _read_layout(dataset, entry, offset, bare)
    _check_size(common, entry, settings)
    _read_identity(dataset, common)
    n_frames = int(common["n_frames"])
    if Tag("PerFrameFunctionalGroupsSequence") in dataset:
        return _read_frames(dataset, entry, common, n_frames)
    if n_frames > 1:
        raise NoPositionsError(
            file=file,
            tag=tag_label("NumberOfFrames"),
            detail=f"The object has {n_frames} frames and no position for each.",
        )
    return [_make_slice(common, dataset, dataset, dataset, dataset, dataset, entry)]


def _read_layout(dataset: FileDataset, entry: FileEntry, offset: int, bare: bool) -> dict[str, Any]:
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
            detail=f"{count_noun(samples, 'sample')} of {stored} bits in {allocated}, "
            f"high bit {high}.",
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
        "bits_stored": stored,
        "signed": bool(signed),
        "n_frames": read_integer(dataset, "NumberOfFrames", file=file, default=1),
        "lossy": lossy,
        "warnings": ("no-preamble",) if bare else (),
    }


def _check_size(layout: dict[str, Any], entry: FileEntry, settings: ReadSettings) -> None:
    """Refuse what declares more pixels than the file holds, before anything is allocated."""
    rows, columns, frames = (int(layout[name]) for name in ("rows", "columns", "n_frames"))
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
    if entry.size > rows * columns * frames * 2 + LARGEST_EXTRA_BYTES:
        raise TooLargeError(
            file=entry.name,
            tag=tag_label("Rows"),
            detail=f"It holds {entry.size} bytes for {rows} x {columns} x {frames} pixels.",
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
    held = entry.size - int(layout["pixel_offset"]) - (8 if layout["implicit"] else 12)
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


def _read_identity(dataset: FileDataset, common: dict[str, Any]) -> None:
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
        "gantry_tilt": read_text(dataset, "GantryDetectorTilt"),
        "patient_position": read_text(dataset, "PatientPosition").upper(),
        "acquisition_number": read_text(dataset, "AcquisitionNumber"),
        "acquisition_time": read_text(dataset, "AcquisitionDateTime")
        or read_text(dataset, "AcquisitionTime"),
        "content_time": read_text(dataset, "ContentTime"),
        "temporal_position": read_text(dataset, "TemporalPositionIdentifier")
        or read_text(dataset, "TriggerTime"),
    }


def _make_slice(
    common: dict[str, Any],
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
        **(common | values | overrides),
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
    dataset: FileDataset, entry: FileEntry, common: dict[str, Any], n_frames: int
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
    common: dict[str, Any],
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
