"""Tell DICOM files from others and read their headers, without pixels."""

import io
import struct
import zlib
from typing import Any, BinaryIO

import pydicom
from pydicom.dataset import Dataset, FileDataset
from pydicom.tag import Tag

from canalmorph.errors import CorruptFileError, ReadError, TruncatedFileError
from canalmorph.read.encapsulated import check_end
from canalmorph.read.planes import read_planes
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import DEFLATED, OtherObject, SliceHeader
from canalmorph.read.sources import FileEntry
from canalmorph.read.tags import read_text

CT_IMAGE = "1.2.840.10008.5.1.4.1.1.2"
ENHANCED_CT = frozenset({"1.2.840.10008.5.1.4.1.1.2.1", "1.2.840.10008.5.1.4.1.1.2.2"})
DIRECTORY = "1.2.840.10008.1.3.10"
#: Where the standard says how an enhanced image was computed from a volume, and what is no section
#: of the body then or, by its image type, in classic images: projections, renderings, and values
#: that are no Hounsfield units. PS3.3 C.8.16.2 and C.7.6.16, from memory; MIP, MINIP and VRT are
#: common practice, no source. A cut through a volume (MPR) or a mean of planes is a section.
CALCULATION = "VolumeBasedCalculationTechnique"
COMPUTED = frozenset(
    {
        "MIP", "MINIP", "MAX_IP", "MIN_IP", "MAXIMUM", "MINIMUM", "VRT", "VOLUME_RENDER",
        "SURFACE_RENDER", "CURVED_MPR", "SUBTRACT", "SUBTRACTION", "STD_DEVIATION", "DIVISION",
        "MULTIPLICATION", "QUANTITY", "IODINE", "PERFUSION",
    }
)  # fmt: skip
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
    "FloatPixelData", "DoubleFloatPixelData", "GantryDetectorTilt", "PatientPosition", CALCULATION,
]  # fmt: skip
_TAGS: list[Any] = [Tag(keyword) for keyword in _KEYWORDS]
#: The elements with the transfer syntax and with the length of the meta information, and where the
#: latter's end lies at most.
_SYNTAX = b"\x02\x00\x10\x00UI"
_META_LENGTH, _META_BYTES = b"\x02\x00\x00\x00UL\x04\x00", 4096
#: A deflated CT shrinks 2 to 4 times, one of air 1000 times; below this size that does no harm.
LARGEST_INFLATED_RATIO, HARMLESS_INFLATED_BYTES = 100, 64 * 2**20
_PIECE_BYTES = 1 << 20
#: Pixel data in both byte orders.
_PIXEL_TAGS = (b"\xe0\x7f\x10\x00", b"\x7f\xe0\x00\x10")


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
    facts: dict[str, Any] = {
        "entry": entry,
        "study_uid": read_text(dataset, "StudyInstanceUID"),
        "series_uid": read_text(dataset, "SeriesInstanceUID"),
        "image_type": read_text(dataset, "ImageType"),
    }
    if sop_class == DIRECTORY:
        return OtherObject(code="junk", reason="It is a directory of a medium.", **facts)
    reason = _not_ct(dataset, sop_class)
    if reason:
        return OtherObject(code="not-ct-image", reason=reason, **facts)
    if "LOCALIZER" in _list_kinds(facts["image_type"]):
        return OtherObject(
            code="localizer",
            reason="A localizer is a projection, not a section.",
            **facts,
        )
    try:
        planes = read_planes(dataset, entry, offset, bare, settings)
        check_end(stream, planes[0])
        kinds = {*_list_kinds(facts["image_type"]), *_list_kinds(planes[0].image_type)}
        computed = sorted(COMPUTED & {*kinds, read_text(dataset, CALCULATION).upper()})
        if computed:
            reason = f"It is computed from sections and none itself ({computed[0]})."
            return OtherObject(code="computed-image", reason=reason, **facts)
        return planes
    except ReadError as error:
        fault = error
    except Exception as error:  # the library raises many kinds on damaged elements
        detail = f"An element cannot be parsed ({type(error).__name__})."
        fault = CorruptFileError(file=entry.name, detail=detail)
    if offset >= entry.size:
        # Tags are absent because the file ends before them.
        detail = "The file ends inside its header, before any pixels."
        fault = TruncatedFileError(file=entry.name, detail=detail)
    return OtherObject(code=fault.code, reason=str(fault), error=fault, **facts)


def _list_kinds(image_type: str) -> list[str]:
    return image_type.upper().split("\\")


def parse_dicom(stream: BinaryIO, head: bytes, **how: Any) -> tuple[FileDataset, int]:
    """Return the data set of a file that looks like DICOM, and where parsing stopped.

    Parameters
    ----------
    stream, head
        The file and its first bytes.
    **how
        Arguments of `pydicom.dcmread`.
    """
    _check_inflated(stream, head)
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


def _check_inflated(stream: BinaryIO, head: bytes) -> None:
    """Refuse a deflated data set that would fill the memory: the library unpacks it whole.

    Raises
    ------
    ValueError
        If it unpacks to more than `LARGEST_INFLATED_RATIO` times the file, or has no start.
    """
    place = head.find(_SYNTAX, 0, _META_BYTES) + len(_SYNTAX)
    if not head.startswith(DEFLATED.encode(), place + 2):
        return
    start = head.find(_META_LENGTH, 0, _META_BYTES)
    if start < 0:
        raise ValueError("'stream' must state the length of its meta information.")
    (length,) = struct.unpack_from("<I", head, start + 8)
    stream.seek(start + 12 + length)
    data = stream.read()
    limit = max(HARMLESS_INFLATED_BYTES, LARGEST_INFLATED_RATIO * len(data))
    inflater = zlib.decompressobj(wbits=-15)
    total = 0
    while data and not inflater.eof:
        total += len(inflater.decompress(data, _PIECE_BYTES))
        data = inflater.unconsumed_tail
        if total > limit:
            raise ValueError(f"'stream' unpacks to more than {limit} bytes.")


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


def _failed(entry: FileEntry, error: ReadError) -> OtherObject:
    return OtherObject(entry=entry, code=error.code, reason=str(error), error=error)
