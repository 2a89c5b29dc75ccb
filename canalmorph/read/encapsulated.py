"""Compressed pixels, looked at before any decoder is: whether they end, and their own size.

A decoder allocates what the stream itself declares, whatever the header of the image says.
"""

import struct
from collections.abc import Iterator

from canalmorph.errors import MalformedTagError, TruncatedFileError
from canalmorph.read.slices import SliceHeader
from canalmorph.read.tags import tag_label

#: Start of a JPEG 2000 stream and its size marker; of a JPEG or JPEG-LS stream.
_J2K_START, _JPEG_START = b"\xff\x4f\xff\x51", b"\xff\xd8"
#: Markers of JPEG and JPEG-LS that begin a frame.
_FRAME_MARKERS = frozenset({*range(0xC0, 0xD0), 0xF7}) - {0xC4, 0xC8, 0xCC}


def check_fragments(data: bytes, header: SliceHeader) -> None:
    """Refuse encapsulated pixels that end early or whose streams declare another size.

    Some decoders fill what is missing silently.

    Raises
    ------
    TruncatedFileError, MalformedTagError
        Naming the file.
    """
    for start, length in _list_fragments(data, header):
        size = _find_size(data[start : start + min(length, 1 << 16)])
        if size not in (None, (header.rows, header.columns)):
            raise MalformedTagError(
                file=header.entry.name,
                tag=tag_label("PixelData"),
                detail="The compressed pixels declare another size than the image.",
            )


def _list_fragments(data: bytes, header: SliceHeader) -> Iterator[tuple[int, int]]:
    """Yield where each fragment starts and its length [bytes]."""
    position = header.pixel_offset + 12
    while position + 8 <= len(data):
        group, element, length = struct.unpack_from("<HHI", data, position)
        if (group, element) == (0xFFFE, 0xE0DD):
            return
        if (group, element) != (0xFFFE, 0xE000):
            break
        yield position + 8, length
        position += 8 + length
    raise TruncatedFileError(
        file=header.entry.name,
        tag=tag_label("PixelData"),
        detail="The compressed pixels end before their end mark.",
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
