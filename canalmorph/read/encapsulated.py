"""Compressed pixels, looked at before any decoder is: whether they end, and their own size.

A decoder allocates what the stream itself declares, whatever the header of the image says.
"""

import io
import struct
from collections.abc import Iterator
from typing import BinaryIO

from canalmorph.errors import MalformedTagError, TruncatedFileError
from canalmorph.read.slices import DEFLATED, NATIVE_SYNTAXES, SliceHeader
from canalmorph.read.tags import tag_label

#: Start of a JPEG 2000 stream and its size marker; of a JPEG or JPEG-LS stream.
_J2K_START, _JPEG_START = b"\xff\x4f\xff\x51", b"\xff\xd8"
#: Markers of JPEG and JPEG-LS that begin a frame.
_FRAME_MARKERS = frozenset({*range(0xC0, 0xD0), 0xF7}) - {0xC4, 0xC8, 0xCC}
#: Encoders cut a frame into pieces of some kilobytes at least.
MOST_FRAGMENTS = 1000
#: The header of the pixel data: tag, type and length; undefined where it is in fragments.
_ELEMENT_BYTES, _UNDEFINED = 12, 0xFFFFFFFF
#: Tags of a fragment, and of the end of all.
_ITEM, _END = b"\xfe\xff\x00\xe0", b"\xfe\xff\xdd\xe0"


def check_end(stream: BinaryIO, header: SliceHeader) -> None:
    """Refuse compressed pixels that end early, by their fragments' lengths alone.

    Raises
    ------
    TruncatedFileError, MalformedTagError
        Naming the file.
    """
    if header.syntax in NATIVE_SYNTAXES or header.syntax == DEFLATED:
        return
    stream.seek(header.pixel_offset)
    element = stream.read(_ELEMENT_BYTES)
    if len(element) == _ELEMENT_BYTES and struct.unpack_from("<I", element, 8)[0] != _UNDEFINED:
        return  # not in fragments: the decoder has its say
    for _ in _list_fragments(stream, header):
        pass


def check_fragments(data: bytes, header: SliceHeader) -> None:
    """Refuse encapsulated pixels that end early or whose streams declare another size.

    Some decoders fill what is missing silently.

    Raises
    ------
    TruncatedFileError, MalformedTagError
        Naming the file.
    """
    for start, length in _list_fragments(io.BytesIO(data), header):
        size = _find_size(data[start : start + min(length, 1 << 16)])
        if size not in (None, (header.rows, header.columns)):
            raise MalformedTagError(
                file=header.entry.name,
                tag=tag_label("PixelData"),
                detail="The compressed pixels declare another size than the image.",
            )


def _list_fragments(stream: BinaryIO, header: SliceHeader) -> Iterator[tuple[int, int]]:
    """Yield where each fragment starts and its length [bytes]."""
    position = header.pixel_offset + _ELEMENT_BYTES
    for _ in range(MOST_FRAGMENTS * header.n_frames):
        stream.seek(position)
        item = stream.read(8)
        tag, length = (item[:4], int.from_bytes(item[4:], "little"))
        if len(item) == 8 and tag == _END:
            return
        if len(item) < 8 or tag != _ITEM:
            raise TruncatedFileError(
                file=header.entry.name,
                tag=tag_label("PixelData"),
                detail="The compressed pixels end before their end mark.",
            )
        yield position + 8, length
        position += 8 + length
    raise MalformedTagError(
        file=header.entry.name,
        tag=tag_label("PixelData"),
        detail="The compressed pixels lie in more pieces than those of an image do.",
    )


def _find_size(stream: bytes) -> tuple[int, int] | None:
    """Return rows and columns that a stream declares, None where it declares none.

    A JPEG 2000 stream of more than one component has none that would do: (-1, -1).
    """
    place = stream.find(_J2K_START)
    if place >= 0:
        if len(stream) < place + 42:
            return -1, -1
        right, bottom, left, top = struct.unpack_from(">4I", stream, place + 8)
        (components,) = struct.unpack_from(">H", stream, place + 40)
        return (bottom - top, right - left) if components == 1 else (-1, -1)
    return _find_jpeg_size(stream) if stream.startswith(_JPEG_START) else None


def _find_jpeg_size(stream: bytes) -> tuple[int, int] | None:
    place = 2
    while place + 9 <= len(stream) and stream[place] == 0xFF:
        marker = stream[place + 1]
        if marker in _FRAME_MARKERS:
            rows, columns = struct.unpack_from(">HH", stream, place + 5)
            return rows, columns
        if marker == 0xFF:  # filling
            place += 1
            continue
        place += 2 + int(struct.unpack_from(">H", stream, place + 2)[0])
    return None
