"""Stored pixels of one DICOM plane to Hounsfield units."""

import io
import struct

import numpy as np
from numpy.typing import NDArray
from pydicom.encaps import get_frame
from pydicom.pixels.decoders.base import Decoder, get_decoder
from pydicom.uid import UID, RLELossless

from canalmorph.errors import (
    CorruptFileError,
    MalformedTagError,
    ReadError,
    TruncatedFileError,
    UnsupportedSyntaxError,
)
from canalmorph.read.encapsulated import check_fragments
from canalmorph.read.headers import parse_dicom
from canalmorph.read.slices import DEFLATED, EXPLICIT_BIG, NATIVE_SYNTAXES, SliceHeader
from canalmorph.read.tags import tag_label

#: What lies outside the scanned circle. [HU]
AIR_HU = -1024
#: A padding value that would mean more than this is no padding: it lies among tissue. [HU]
HIGHEST_PADDING_HU = -500.0
#: Decoders in the order of trust.
_PLUGINS = ("pylibjpeg", "pyjpegls", "pydicom", "pillow", "gdcm")
LOSSY_SYNTAXES = frozenset(
    {
        "1.2.840.10008.1.2.4.50",
        "1.2.840.10008.1.2.4.51",
        "1.2.840.10008.1.2.4.81",
        "1.2.840.10008.1.2.4.91",
        "1.2.840.10008.1.2.4.203",
    }
)


def decode_plane(data: bytes, header: SliceHeader) -> NDArray[np.uint16]:
    """Return the stored 16 bits of one plane, unmasked, shape (rows, columns).

    Raises
    ------
    TruncatedFileError, CorruptFileError, MalformedTagError, UnsupportedSyntaxError
        Naming the file.
    """
    if header.syntax in NATIVE_SYNTAXES:
        return _decode_native(data, header)
    return _decode_with_plugin(data, header)


def check_syntax(header: SliceHeader) -> ReadError | None:
    """Return the error of a transfer syntax that cannot be decoded here, before any is tried."""
    if header.syntax in NATIVE_SYNTAXES or header.syntax == DEFLATED:
        return None
    name = UID(header.syntax).name
    tag = tag_label("TransferSyntaxUID")
    try:
        decoder = get_decoder(UID(header.syntax))
    except NotImplementedError:
        detail = f"The transfer syntax {name!r} is not supported."
        return UnsupportedSyntaxError(file=header.entry.name, tag=tag, detail=detail)
    if not decoder.is_available:
        missing = "; ".join(decoder.missing_dependencies)
        detail = f"The transfer syntax {name!r} needs a decoder that is not installed ({missing})."
        return UnsupportedSyntaxError(file=header.entry.name, tag=tag, detail=detail)
    return None


def is_lossy(header: SliceHeader) -> bool:
    """Return whether the plane was ever compressed with loss."""
    return header.lossy or header.syntax in LOSSY_SYNTAXES


def _decode_native(data: bytes, header: SliceHeader) -> NDArray[np.uint16]:
    big = header.syntax == EXPLICIT_BIG
    start, length = _find_native_value(data, header, ">" if big else "<")
    plane_bytes = header.rows * header.columns * 2
    needed = plane_bytes * header.n_frames
    if length != needed:
        raise MalformedTagError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail=f"It holds {length} bytes, the image size asks for {needed}.",
        )
    if len(data) < start + needed:
        raise TruncatedFileError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail=f"{needed} bytes of pixels are declared, {max(len(data) - start, 0)} are there.",
        )
    _check_rest(data, start + needed, header, ">" if big else "<")
    stored = np.frombuffer(
        data,
        dtype=">u2" if big else "<u2",
        count=header.rows * header.columns,
        offset=start + header.frame * plane_bytes,
    )
    return stored.astype(np.uint16, copy=False).reshape(header.rows, header.columns)


def _check_rest(data: bytes, end: int, header: SliceHeader, order: str) -> None:
    """Refuse what follows the pixels and is no element: inserted bytes push pixels out there."""
    rest = data[end : end + 8]
    if not rest.strip(b"\0"):
        return
    group, element = struct.unpack_from(f"{order}HH", rest.ljust(8, b"\0"))
    if (group, element) not in ((0xFFFC, 0xFFFC), (0xFFFA, 0xFFFA)):
        raise CorruptFileError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail="More bytes follow the pixels than the file declares.",
        )


def _find_native_value(data: bytes, header: SliceHeader, order: str) -> tuple[int, int]:
    """Return where the pixel value starts and its declared length."""
    offset = header.pixel_offset
    try:
        group, element = struct.unpack_from(f"{order}HH", data, offset)
        if header.implicit:
            start = offset + 8
            (length,) = struct.unpack_from(f"{order}I", data, offset + 4)
        else:
            start = offset + 12
            (length,) = struct.unpack_from(f"{order}I", data, offset + 8)
    except struct.error:
        raise TruncatedFileError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail="The file ends before its pixel data.",
        ) from None
    if (group, element) != (0x7FE0, 0x0010):
        raise CorruptFileError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail="The file changed since it was surveyed, or holds no integer pixel data.",
        )
    return start, length


def _decode_with_plugin(data: bytes, header: SliceHeader) -> NDArray[np.uint16]:
    missing = check_syntax(header)
    if missing:
        raise missing
    if header.syntax != DEFLATED:
        check_fragments(data, header)
    try:
        dataset, _ = parse_dicom(io.BytesIO(data), data[:132])
        if header.syntax == DEFLATED:
            plane = _as_plane(np.frombuffer(dataset.PixelData, "<u2"), header)
        elif header.syntax == RLELossless:
            # Compiled, and so slow to load: not where headers alone are read.
            from canalmorph.read.run_lengths import unpack_plane

            frame = get_frame(dataset.PixelData, header.frame, number_of_frames=header.n_frames)
            plane = _as_plane(unpack_plane(frame, header.rows * header.columns), header)
        else:
            decoder = get_decoder(UID(header.syntax))
            array, _ = decoder.as_array(
                dataset, index=header.frame, raw=True, decoding_plugin=_pick_plugin(decoder)
            )
            plane = _as_plane(array, header)
    except (ReadError, KeyboardInterrupt, SystemExit, MemoryError):
        raise
    except BaseException as error:  # plugins raise their own kinds, compiled ones may panic
        raise CorruptFileError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail=f"The compressed pixels cannot be decoded ({type(error).__name__}).",
        ) from None
    return plane


def _pick_plugin(decoder: Decoder) -> str:
    """Return the one decoder that is tried.

    Left to itself the library goes on to the next where one fails, and the last in line, written
    in C++, ends the whole process on some damaged streams instead of raising an error.
    """
    at_hand = decoder.available_plugins
    return next((name for name in _PLUGINS if name in at_hand), at_hand[0])


def _as_plane(array: NDArray[np.generic], header: SliceHeader) -> NDArray[np.uint16]:
    size = header.rows * header.columns
    if header.syntax == DEFLATED and array.size == size * header.n_frames:
        array = array[header.frame * size : (header.frame + 1) * size]
    if array.size != size or array.dtype.itemsize != 2:
        raise MalformedTagError(
            file=header.entry.name,
            tag=tag_label("PixelData"),
            detail=f"The pixels decode to {array.size} values of {array.dtype}, {size} are needed.",
        )
    return np.ascontiguousarray(array).view(np.uint16).reshape(header.rows, header.columns)


def rescale_plane(
    bits: NDArray[np.uint16], header: SliceHeader, out: NDArray[np.int16]
) -> set[str]:
    """Write the plane's Hounsfield units to `out` and return warning codes.

    High bits beyond the stored ones are masked, padding becomes air, and the plane's own slope
    and intercept are applied in floating point before rounding.
    """
    values = _stored_values(bits, header)
    padding, warnings = _find_padding(bits, values, header)
    if header.bits_stored < 16:
        stray = values.view(np.uint16) != bits
        if padding is not None:
            stray &= ~padding
        if stray.any():
            warnings.add("stray-high-bits")
    intercept = int(header.intercept)
    if header.slope == 1 and header.intercept == intercept and _fits(values, header, intercept):
        # Modular: an unsigned value above 32767 wraps to where the sum belongs.
        np.add(values.view(np.int16), np.int16(intercept), out=out)
    else:
        exact = np.rint(values * header.slope + header.intercept)
        if exact.min() < -32768 or exact.max() > 32767:
            warnings.add("values-clipped")
            np.clip(exact, -32768, 32767, out=exact)
        out[...] = exact
    if padding is not None:
        out[padding] = AIR_HU
    return warnings


def _stored_values(bits: NDArray[np.uint16], header: SliceHeader) -> NDArray[np.integer]:
    n = header.bits_stored
    if n == 16:
        return bits.view(np.int16) if header.signed else bits
    low = bits & np.uint16((1 << n) - 1)
    if not header.signed:
        return low
    sign = 1 << (n - 1)
    return (low ^ np.uint16(sign)).view(np.int16) - np.int16(sign)


def _stored_value(bits: int, header: SliceHeader) -> int:
    value = bits & ((1 << header.bits_stored) - 1)
    return (
        value - (1 << header.bits_stored)
        if header.signed and value >> (header.bits_stored - 1)
        else value
    )


def _find_padding(
    bits: NDArray[np.uint16], values: NDArray[np.integer], header: SliceHeader
) -> tuple[NDArray[np.bool_] | None, set[str]]:
    if header.padding is None:
        return None, set()
    first = _stored_value(header.padding, header)
    last = first if header.padding_limit is None else _stored_value(header.padding_limit, header)
    low, high = min(first, last), max(first, last)
    # A value that does not fit the stored bits is told by all 16.
    exact = (bits == header.padding) if header.padding >> header.bits_stored else None
    if high * header.slope + header.intercept > HIGHEST_PADDING_HU:
        return exact if exact is not None and header.signed is False else None, {
            "padding-in-tissue"
        } if bool(((values >= low) & (values <= high)).any()) else set()
    inside = (values >= low) & (values <= high) if high > low else values == low
    return (inside if exact is None else inside | exact), set()


def _fits(values: NDArray[np.integer], header: SliceHeader, intercept: int) -> bool:
    """Return whether adding the intercept stays within 16 signed bits."""
    if not -32768 <= intercept <= 32767:
        return False
    n = header.bits_stored
    low, high = (-(1 << (n - 1)), (1 << (n - 1)) - 1) if header.signed else (0, (1 << n) - 1)
    if low + intercept < -32768 or high + intercept > 32767:
        low, high = int(values.min()), int(values.max())
    return bool(low + intercept >= -32768 and high + intercept <= 32767)
