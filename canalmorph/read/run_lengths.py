"""Planes in runs of equal bytes (RLE Lossless, PS3.5 annex G).

The compiled decoder beside pydicom prints a trace on the standard error where a stream is damaged,
from where no caller can keep it; pydicom's own takes ten times as long and lets streams pass that
are longer than the plane.
"""

import numpy as np
from numba import njit
from numpy.typing import NDArray

#: A frame begins with 16 numbers: how many segments there are, and where each begins.
_HEADER = np.dtype("<u4")
_HEADER_NUMBERS = 16
#: Of 16 bits: all high bytes, then all low ones.
_N_SEGMENTS = 2
#: A segment is filled up to an even length.
_MOST_PADDING = 1


def unpack_plane(frame: bytes, n_pixels: int) -> NDArray[np.uint16]:
    """Return the pixels of one frame of 16 bits a pixel, in one row.

    Raises
    ------
    ValueError
        If the frame does not hold exactly so many pixels.

    Examples
    --------
    >>> header = np.array([2, 64, 66, *[0] * 13], "<u4").tobytes()
    >>> unpack_plane(header + bytes([254, 1, 2, 7, 8, 9]), 3)
    array([263, 264, 265], dtype=uint16)
    """
    if len(frame) < _HEADER_NUMBERS * _HEADER.itemsize:
        raise ValueError("The frame is shorter than its header.")
    header = np.frombuffer(frame, _HEADER, _HEADER_NUMBERS)
    if header[0] != _N_SEGMENTS:
        raise ValueError(f"The frame has {header[0]} segments; {_N_SEGMENTS} make 16 bits.")
    packed = np.frombuffer(frame, np.uint8)
    pixels = np.empty((n_pixels, _N_SEGMENTS), np.uint8)
    starts = header[1 : 1 + _N_SEGMENTS].tolist()
    for segment, (start, end) in enumerate(zip(starts, [*starts[1:], len(frame)], strict=True)):
        if not _unpack_segment(packed[start:end], pixels[:, _N_SEGMENTS - 1 - segment]):
            raise ValueError("A segment does not hold one byte a pixel.")
    return pixels.view("<u2")[:, 0]


@njit(cache=True, nogil=True)
def _unpack_segment(packed, out):  # type: ignore[no-untyped-def]  # compiled
    """Fill `out` and return whether runs and bytes are exactly as many."""
    place = filled = 0
    while filled < len(out):
        if place >= len(packed):
            return False
        control = int(packed[place])
        place += 1
        if control < 128:  # as many bytes as they are, and one
            n_bytes = n_taken = control + 1
        elif control > 128:  # one byte, several times
            n_bytes, n_taken = 257 - control, 1
        else:
            continue
        if place + n_taken > len(packed) or filled + n_bytes > len(out):
            return False
        for step in range(n_bytes):
            out[filled + step] = packed[place + (step if n_taken > 1 else 0)]
        place += n_taken
        filled += n_bytes
    return len(packed) - place <= _MOST_PADDING
