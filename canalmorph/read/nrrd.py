"""Read the header of an NRRD file strictly: an axis that it does not place is never guessed."""

import re

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import (
    ContradictoryOrientationError,
    CorruptFileError,
    MalformedTagError,
    MissingTagError,
    NoOrientationError,
    NotThreeDimensionalError,
    UnsupportedEncodingError,
    UnsupportedPixelsError,
)
from canalmorph.read.raster import RasterFile, RasterHeader, parse_numbers, square_axes

#: A whole number; no size of an image has more digits.
_INTEGER = re.compile(r"[+-]?\d{1,18}")
#: Signs that turn each space to LPS.
_SPACES = {
    "left-posterior-superior": (1, 1, 1), "lps": (1, 1, 1),
    "right-anterior-superior": (-1, -1, 1), "ras": (-1, -1, 1),
    "left-anterior-superior": (1, -1, 1), "las": (1, -1, 1),
}  # fmt: skip
_TYPES = {
    "signed char": "i1", "int8": "i1", "int8_t": "i1",
    "uchar": "u1", "unsigned char": "u1", "uint8": "u1", "uint8_t": "u1",
    "short": "i2", "short int": "i2", "signed short": "i2", "signed short int": "i2",
    "int16": "i2", "int16_t": "i2",
    "ushort": "u2", "unsigned short": "u2", "unsigned short int": "u2", "uint16": "u2",
    "uint16_t": "u2",
    "int": "i4", "signed int": "i4", "int32": "i4", "int32_t": "i4",
    "uint": "u4", "unsigned int": "u4", "uint32": "u4", "uint32_t": "u4",
    "longlong": "i8", "long long": "i8", "long long int": "i8", "signed long long": "i8",
    "signed long long int": "i8", "int64": "i8", "int64_t": "i8",
    "ulonglong": "u8", "unsigned long long": "u8", "unsigned long long int": "u8",
    "uint64": "u8", "uint64_t": "u8",
    "float": "f4", "double": "f8",
}  # fmt: skip
_ENCODINGS = {"raw": "raw", "gzip": "gzip", "gz": "gzip"}
_UNITS_MM = {"mm": 1.0, "millimeter": 1.0, "um": 0.001, "µm": 0.001, "cm": 10.0, "m": 1000.0}


def looks_like_nrrd(head: bytes) -> bool:
    """Return whether the first bytes are those of an NRRD file."""
    return head[:7] == b"NRRD000"


def parse_nrrd_header(head: bytes, file: str) -> RasterFile:
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
    n_axes = _integers(fields, "dimension", file, 1)[0]
    sizes = _integers(fields, "sizes", file, n_axes)
    directions = _directions(fields, file, n_axes)
    axes = [axis for axis, direction in enumerate(directions) if direction is not None]
    extra = [sizes[axis] for axis in range(n_axes) if axis not in axes]
    if len(axes) != 3 or any(size != 1 for size in extra):
        raise NotThreeDimensionalError(
            file=file,
            tag="sizes",
            detail=f"The image has the axes {' x '.join(map(str, sizes))}.",
        )
    matrix = _matrix(fields, [directions[axis] for axis in axes], file)
    squared, warnings = square_axes(matrix, file, "space directions")
    shape = (sizes[axes[2]], sizes[axes[1]], sizes[axes[0]])
    _check_kinds(fields, axes, file)
    detached = fields.get("data file", fields.get("datafile", ""))
    if _integers(fields, "line skip", file, 1, "0") != [0] or _integers(
        fields, "byte skip", file, 1, "0"
    ) != [0]:
        raise UnsupportedEncodingError(
            file=file, tag="byte skip", detail="The voxels do not follow the header directly."
        )
    return RasterFile(
        header=RasterHeader(
            file_format="nrrd", shape=shape, index_to_lps_mm=squared, warnings=warnings
        ),
        dtype=_dtype(fields, file),
        encoding=_encoding(fields, file),
        offset=0 if detached else data_start,
        data_file=detached,
    )


def _split_header(head: bytes, file: str) -> tuple[dict[str, str], int]:
    ends = [(head.find(mark), len(mark)) for mark in (b"\n\n", b"\r\n\r\n")]
    ends = [(place, length) for place, length in ends if place >= 0]
    # A detached header may end with the file.
    place, length = min(ends) if ends else (len(head), 0)
    fields: dict[str, str] = {}
    lines = head[:place].decode("utf-8", errors="replace").splitlines()
    for number, line in enumerate(lines[1:], start=2):
        if line.startswith("#") or ":=" in line:
            continue
        name, colon, value = line.partition(":")
        name = name.strip().lower()
        if not colon or name in fields:
            # Its number only: what stands there may be anything, a name among them.
            detail = f"Line {number} of its header is malformed."
            raise CorruptFileError(file=file, detail=detail)
        fields[name] = value.strip()
    if not ends and not ({"data file", "datafile"} & fields.keys()):
        raise CorruptFileError(file=file, detail="The header has no end.")
    return fields, place + length


def _integers(
    fields: dict[str, str], name: str, file: str, count: int, default: str = ""
) -> list[int]:
    text = fields.get(name, default)
    if not text:
        raise MissingTagError(file=file, tag=name, detail="The field is absent.")
    parts = text.split()
    if len(parts) != count or not all(_INTEGER.fullmatch(part) for part in parts):
        raise MalformedTagError(file=file, tag=name, detail=f"{count} whole numbers are needed.")
    return [int(part) for part in parts]


def _directions(fields: dict[str, str], file: str, n_axes: int) -> list[NDArray[np.float64] | None]:
    text = fields.get("space directions", "")
    if not text:
        raise NoOrientationError(
            file=file, tag="space directions", detail="The axes' directions are absent."
        )
    parts = text.replace("(", " (").split(" (") if "(" in text else text.split()
    tokens: list[str] = []
    for part in parts:
        body = part.strip()
        while body.lower().startswith("none"):
            tokens.append("none")
            body = body[4:].strip()
        if not body:
            continue
        vector, _, rest = body.partition(")")
        tokens.append(vector)
        tokens += ["none"] * rest.lower().count("none")
    if len(tokens) != n_axes:
        raise MalformedTagError(
            file=file,
            tag="space directions",
            detail=f"{len(tokens)} directions are given for {n_axes} axes.",
        )
    return [
        None if token == "none" else np.array(parse_numbers(token, 3, file, "space directions"))
        for token in tokens
    ]


def _matrix(
    fields: dict[str, str], directions: list[NDArray[np.float64] | None], file: str
) -> NDArray[np.float64]:
    space = fields.get("space", "").lower()
    if space not in _SPACES:
        raise NoOrientationError(
            file=file, tag="space", detail="The space is absent or none of LPS, RAS and LAS."
        )
    if "space origin" not in fields:
        raise MissingTagError(file=file, tag="space origin", detail="The field is absent.")
    unit_mm = _unit_mm(fields, file)
    signs = np.array(_SPACES[space], float)
    origin = np.array(parse_numbers(fields["space origin"].strip("()"), 3, file, "space origin"))
    matrix = np.eye(4)
    for column, direction in enumerate(reversed(directions)):
        matrix[:3, column] = signs * direction * unit_mm
    matrix[:3, 3] = signs * origin * unit_mm
    return matrix


def _unit_mm(fields: dict[str, str], file: str) -> float:
    # Without a unit the spaces of patients are in millimetres by convention.
    names = {part.strip().lower() for part in fields.get("space units", '"mm"').split('"')} - {""}
    if len(names) != 1 or not names <= _UNITS_MM.keys():
        raise MalformedTagError(
            file=file, tag="space units", detail="The units are unknown or differ between axes."
        )
    return _UNITS_MM[names.pop()]


def _check_kinds(fields: dict[str, str], axes: list[int], file: str) -> None:
    if "spacings" in fields:
        raise ContradictoryOrientationError(
            file=file, tag="spacings", detail="Spacings are given beside space directions."
        )
    kinds = fields.get("kinds", "").lower().split()
    if kinds and len(kinds) <= max(axes):
        raise MalformedTagError(file=file, tag="kinds", detail="Not every axis has a kind.")
    if any(kinds[axis] not in ("domain", "space", "???", "none") for axis in axes if kinds):
        raise NotThreeDimensionalError(
            file=file, tag="kinds", detail="An axis is not one of space."
        )


def _dtype(fields: dict[str, str], file: str) -> np.dtype[np.generic]:
    code = _TYPES.get(fields.get("type", "").lower())
    if code is None:
        raise UnsupportedPixelsError(
            file=file, tag="type", detail="The type is no real number of up to 64 bits."
        )
    endian = fields.get("endian", "").lower()
    if code[1] != "1" and endian not in ("little", "big"):
        raise MissingTagError(file=file, tag="endian", detail="The byte order is absent.")
    return np.dtype((">" if endian == "big" else "<") + code)


def _encoding(fields: dict[str, str], file: str) -> str:
    encoding = fields.get("encoding", "").lower()
    if encoding not in _ENCODINGS:
        raise UnsupportedEncodingError(
            file=file, tag="encoding", detail=f"The encoding {encoding[:20]!r} is not read."
        )
    return _ENCODINGS[encoding]
