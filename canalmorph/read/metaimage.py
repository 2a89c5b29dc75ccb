"""Read the header of a MetaImage file strictly: spacing and direction are never defaulted."""

import numpy as np

from canalmorph.errors import (
    CorruptFileError,
    MalformedTagError,
    MissingTagError,
    NoOrientationError,
    NotThreeDimensionalError,
    UnsupportedEncodingError,
    UnsupportedPixelsError,
)
from canalmorph.read.raster import RasterFile, RasterHeader, parse_numbers, square_axes

_TYPES = {
    "MET_CHAR": "i1", "MET_UCHAR": "u1", "MET_SHORT": "i2", "MET_USHORT": "u2",
    "MET_INT": "i4", "MET_UINT": "u4", "MET_LONG_LONG": "i8", "MET_ULONG_LONG": "u8",
    "MET_FLOAT": "f4", "MET_DOUBLE": "f8",
}  # fmt: skip
_UNITS_MM = {"mm": 1.0, "um": 0.001, "cm": 10.0, "m": 1000.0}
_DIRECTION_KEYS = ("TransformMatrix", "Rotation", "Orientation")
_ORIGIN_KEYS = ("Offset", "Position", "Origin")


def looks_like_metaimage(head: bytes) -> bool:
    """Return whether the first bytes are those of a MetaImage header."""
    start = head[:64].lstrip()
    return start.startswith((b"ObjectType", b"NDims")) and b"=" in start


def parse_metaimage_header(head: bytes, file: str) -> RasterFile:
    """Return the checked header.

    Parameters
    ----------
    head : bytes
        The file's beginning, or all of it.
    file : str
        For the message.

    Raises
    ------
    ReadError
        Naming the field.
    """
    fields, data_start = _split_header(head, file)
    n_axes = int(_numbers(fields, "NDims", file, 1)[0])
    sizes = [int(size) for size in _numbers(fields, "DimSize", file, n_axes)]
    if n_axes < 3 or any(size != 1 for size in sizes[3:]) or _channels(fields, file) != 1:
        raise NotThreeDimensionalError(
            file=file,
            tag="DimSize",
            detail=f"The image has the axes {' x '.join(map(str, sizes))}.",
        )
    squared, warnings = square_axes(_matrix(fields, n_axes, file), file, "TransformMatrix")
    detached = fields["ElementDataFile"]
    local = detached.upper() == "LOCAL"
    if not local and _numbers(fields, "HeaderSize", file, 1, "0")[0] != 0:
        raise UnsupportedEncodingError(
            file=file, tag="HeaderSize", detail="The data file starts with a header."
        )
    return RasterFile(
        header=RasterHeader(
            file_format="metaimage",
            shape=(sizes[2], sizes[1], sizes[0]),
            index_to_lps_mm=squared,
            warnings=warnings,
        ),
        dtype=_dtype(fields, file),
        encoding=_encoding(fields, file),
        offset=data_start if local else 0,
        data_file="" if local else detached,
    )


def _split_header(head: bytes, file: str) -> tuple[dict[str, str], int]:
    fields: dict[str, str] = {}
    position = number = 0
    while position < len(head):
        end = head.find(b"\n", position)
        end = len(head) if end < 0 else end
        line = head[position:end].decode("utf-8", errors="replace")
        position, number = end + 1, number + 1
        if not line.strip():
            continue
        name, equals, value = line.partition("=")
        name = name.strip()
        if not equals or name in fields:
            # Its number only: what stands there may be anything, a name among them.
            detail = f"Line {number} of its header is malformed."
            raise CorruptFileError(file=file, detail=detail)
        fields[name] = value.strip()
        # By definition the last line of the header.
        if name == "ElementDataFile":
            return fields, position
    raise CorruptFileError(file=file, tag="ElementDataFile", detail="The header has no end.")


def _numbers(
    fields: dict[str, str], name: str, file: str, count: int, default: str = ""
) -> tuple[float, ...]:
    text = fields.get(name, default)
    if not text:
        raise MissingTagError(file=file, tag=name, detail="The field is absent.")
    return parse_numbers(text, count, file, name)


def _channels(fields: dict[str, str], file: str) -> int:
    return int(_numbers(fields, "ElementNumberOfChannels", file, 1, "1")[0])


def _matrix(
    fields: dict[str, str], n_axes: int, file: str
) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    direction_key = next((key for key in _DIRECTION_KEYS if key in fields), "")
    origin_key = next((key for key in _ORIGIN_KEYS if key in fields), "")
    if not direction_key or not origin_key:
        raise NoOrientationError(
            file=file, tag="TransformMatrix", detail="The axes' directions or origin are absent."
        )
    unit = fields.get("DistanceUnits", "mm").lower()
    if unit not in _UNITS_MM:
        raise MalformedTagError(file=file, tag="DistanceUnits", detail="The unit is unknown.")
    spacing = _numbers(fields, "ElementSpacing", file, n_axes)
    if min(spacing) <= 0:
        raise MalformedTagError(
            file=file, tag="ElementSpacing", detail="A spacing is not positive."
        )
    values = _numbers(fields, direction_key, file, n_axes * n_axes)
    # One axis' direction cosines after the other.
    axes = np.reshape(values, (n_axes, n_axes))[:3, :3]
    if not np.allclose(np.linalg.norm(axes, axis=1), 1.0, atol=1e-3):
        raise MalformedTagError(
            file=file, tag=direction_key, detail="The directions are not of unit length."
        )
    matrix = np.eye(4)
    for column, axis in enumerate((2, 1, 0)):
        matrix[:3, column] = axes[axis] * spacing[axis] * _UNITS_MM[unit]
    matrix[:3, 3] = np.array(_numbers(fields, origin_key, file, n_axes)[:3]) * _UNITS_MM[unit]
    return matrix


def _dtype(fields: dict[str, str], file: str) -> np.dtype[np.generic]:
    code = _TYPES.get(fields.get("ElementType", ""))
    if code is None:
        raise UnsupportedPixelsError(
            file=file, tag="ElementType", detail="The type is no real number of up to 64 bits."
        )
    big = any(_flag(fields, key) for key in ("ElementByteOrderMSB", "BinaryDataByteOrderMSB"))
    return np.dtype((">" if big else "<") + code)


def _flag(fields: dict[str, str], name: str, default: bool = False) -> bool:
    text = fields.get(name, "")
    return text[:1].lower() in ("t", "1", "y") if text else default


def _encoding(fields: dict[str, str], file: str) -> str:
    if not _flag(fields, "BinaryData", default=True):
        raise UnsupportedEncodingError(
            file=file, tag="BinaryData", detail="The voxels are written as text."
        )
    return "zlib" if _flag(fields, "CompressedData") else "raw"
