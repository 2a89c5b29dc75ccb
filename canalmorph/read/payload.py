"""Bytes of a research format to an array, with length and checksum verified first."""

import math
import zlib

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import CorruptFileError, MalformedTagError, TooLargeError, TruncatedFileError
from canalmorph.read.settings import ReadSettings

#: Deflate cannot shrink more than this.
LARGEST_DEFLATE_RATIO = 1040
#: What may follow the voxels: a line end, padding to a block. [bytes]
TRAILING_BYTES = 1024
#: How `zlib` names the two wrappings of deflated data.
_WINDOW_BITS = {"gzip": 31, "zlib": 15}


def check_declared_size(
    shape: tuple[int, ...],
    itemsize: int,
    held_bytes: int,
    encoding: str,
    file: str,
    settings: ReadSettings,
) -> None:
    """Refuse what declares more than the limit or than the file could hold.

    Parameters
    ----------
    shape, itemsize
        Declared voxels, and bytes of one.
    held_bytes : int
        Bytes of the voxel data in the file, still packed.
    encoding : str
        ``raw``, ``gzip`` or ``zlib``.
    file : str
        For the message.
    settings : ReadSettings
        Limits.

    Raises
    ------
    MalformedTagError, TooLargeError, TruncatedFileError
        Before anything is allocated.
    """
    size = " x ".join(str(n) for n in reversed(shape))
    if min(shape) < 1:
        raise MalformedTagError(
            file=file, tag="dimensions", detail=f"The size {size} is not positive."
        )
    if math.prod(shape) > settings.max_voxels:
        raise TooLargeError(file=file, tag="dimensions", detail=f"It declares {size} voxels.")
    needed = math.prod(shape) * itemsize
    largest = held_bytes if encoding == "raw" else held_bytes * LARGEST_DEFLATE_RATIO
    if needed > largest:
        raise TruncatedFileError(
            file=file,
            tag="dimensions",
            detail=f"The header declares {needed} bytes of voxels, the file holds {held_bytes}.",
        )
    if encoding == "raw" and held_bytes > needed + TRAILING_BYTES:
        raise MalformedTagError(
            file=file,
            tag="dimensions",
            detail=f"The header declares {needed} bytes of voxels, the file holds {held_bytes}.",
        )


def decode_voxels(
    data: bytes | memoryview,
    encoding: str,
    offset: int,
    dtype: np.dtype[np.generic],
    shape: tuple[int, int, int],
    file: str,
) -> NDArray[np.generic]:
    """Return the voxels, shape (k, j, i), from raw or packed data.

    Parameters
    ----------
    data : bytes
        Packed or raw.
    encoding : str
        ``raw``, ``gzip`` or ``zlib``.
    offset : int
        Where the voxels start, unpacked. [bytes]
    dtype, shape
        Type and size of the array.
    file : str
        For the message.

    Raises
    ------
    TruncatedFileError, CorruptFileError, MalformedTagError
        If the data end early, fail their checksum, or are longer than declared.
    """
    needed = offset + math.prod(shape) * dtype.itemsize
    if encoding != "raw":
        data = _inflate(data, encoding, needed, file)
    if len(data) < needed:
        raise TruncatedFileError(
            file=file, detail=f"The header declares {needed} bytes, the file holds {len(data)}."
        )
    rest = bytes(data[needed : needed + TRAILING_BYTES + 1])
    # Inserted bytes push voxels out at the end: only filling may follow.
    if len(rest) > TRAILING_BYTES or rest.strip(b"\0\r\n"):
        raise MalformedTagError(
            file=file,
            tag="dimensions",
            detail=f"The header declares {needed} bytes, the file holds {len(data)} or more.",
        )
    return np.frombuffer(data, dtype, math.prod(shape), offset).reshape(shape)


def _inflate(data: bytes | memoryview, encoding: str, needed: int, file: str) -> bytes:
    """Return the unpacked bytes; the checksum at the end of the stream has been verified."""
    if not data:
        raise TruncatedFileError(file=file, detail="There are no compressed data.")
    limit = needed + TRAILING_BYTES + 1
    unpacked = b""
    # Parallel packers write several streams one after the other.
    while data:
        stream = zlib.decompressobj(wbits=_WINDOW_BITS[encoding])
        try:
            # Never more than a little beyond what is needed: a bomb stops here.
            unpacked += stream.decompress(data, limit - len(unpacked))
        except zlib.error:
            raise CorruptFileError(
                file=file, detail="The compressed data are damaged or fail their checksum."
            ) from None
        if not stream.eof or len(unpacked) >= limit:
            break
        data = stream.unused_data if stream.unused_data[:2] == b"\x1f\x8b" else b""
    if not stream.eof and len(unpacked) < limit:
        raise TruncatedFileError(file=file, detail="The compressed data end early.")
    return unpacked
