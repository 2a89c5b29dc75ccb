"""Raw DICOM values, read strictly: a value that is not what its type allows is never mended."""

import math
import re
import struct
from functools import cache
from typing import Any

from pydicom.dataelem import RawDataElement
from pydicom.dataset import Dataset
from pydicom.tag import BaseTag, Tag

from canalmorph.errors import MalformedTagError, MissingTagError

#: What DS and IS allow: a decimal number with an optional exponent, point as the mark.
DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_BINARY = {"US": "H", "SS": "h", "UL": "I", "SL": "i", "FL": "f", "FD": "d", "UV": "Q", "SV": "q"}
#: Implicit VR files carry no type; these tags are read as binary there, all others as text.
_IMPLICIT_BINARY = {
    "SamplesPerPixel": "US",
    "Rows": "US",
    "Columns": "US",
    "BitsAllocated": "US",
    "BitsStored": "US",
    "HighBit": "US",
    "PixelRepresentation": "US",
    "PixelPaddingValue": "US",
    "PixelPaddingRangeLimit": "US",
}


def tag_label(keyword: str) -> str:
    """Return a tag as people write it.

    Examples
    --------
    >>> tag_label("PixelSpacing")
    'PixelSpacing (0028,0030)'
    """
    tag = Tag(keyword)
    return f"{keyword} ({tag.group:04X},{tag.element:04X})"


def read_text(dataset: Dataset, keyword: str) -> str:
    """Return a value as text, empty where absent; undecodable bytes become question marks."""
    try:
        value = getattr(_item(dataset, keyword), "value", None)
    except Exception:  # the library raises many kinds on damaged elements
        return ""
    if value is None:
        return ""
    if isinstance(value, bytes):
        text = value.decode("ascii", errors="replace")
    elif isinstance(value, (list, tuple)) or type(value).__name__ == "MultiValue":
        text = "\\".join(str(part) for part in value)
    else:
        text = str(value)
    return text.strip(" \0\r\n\t")


def decode_text(dataset: Dataset, keyword: str) -> str:
    """Return a text in the file's character set, undecodable parts replaced."""
    item = dataset.get_item(keyword) if keyword in dataset else None
    raw = getattr(item, "value", None)
    try:
        text = str(dataset.get(keyword, "") or "")
    except Exception:  # unknown character sets raise LookupError among others
        text = raw.decode("utf-8", errors="replace") if isinstance(raw, bytes) else ""
    return text.strip(" \0")


def read_numbers(dataset: Dataset, keyword: str, *, count: int, file: str) -> tuple[float, ...]:
    """Return exactly `count` finite numbers.

    Raises
    ------
    MissingTagError, MalformedTagError
        Naming the file and the tag.
    """
    values = read_optional_numbers(dataset, keyword, file=file)
    if not values:
        raise MissingTagError(
            file=file, tag=tag_label(keyword), detail="The tag is absent or empty."
        )
    if len(values) != count:
        raise MalformedTagError(
            file=file,
            tag=tag_label(keyword),
            detail=f"The tag holds {len(values)} values, {count} are needed.",
        )
    return values


def read_optional_numbers(dataset: Dataset, keyword: str, *, file: str) -> tuple[float, ...]:
    """Return the finite numbers of a tag, none where it is absent or empty."""
    item = _item(dataset, keyword)
    value = getattr(item, "value", None)
    if value is None or value == b"" or value == "":
        return ()
    try:
        numbers = _parse(item, value, keyword)
    except (ValueError, struct.error, TypeError, OverflowError):
        numbers = (math.nan,)
    if not all(math.isfinite(number) for number in numbers):
        raise MalformedTagError(
            file=file,
            tag=tag_label(keyword),
            detail="The value is not a decimal number with a point.",
        )
    return numbers


def read_integer(dataset: Dataset, keyword: str, *, file: str, default: int | None = None) -> int:
    """Return one whole number; `default` where absent, if there is one."""
    if default is not None and not read_optional_numbers(dataset, keyword, file=file):
        return default
    (number,) = read_numbers(dataset, keyword, count=1, file=file)
    if number != int(number):
        raise MalformedTagError(
            file=file, tag=tag_label(keyword), detail="The value is not a whole number."
        )
    return int(number)


@cache
def _tag(keyword: str) -> BaseTag:
    return Tag(keyword)


def _item(dataset: Dataset, keyword: str) -> Any:
    # get_item does not convert, so that a malformed value neither warns nor is mended.
    try:
        return dataset.get_item(_tag(keyword))
    except KeyError:
        return None


def _parse(item: Any, value: Any, keyword: str) -> tuple[float, ...]:
    if not isinstance(item, RawDataElement) or not isinstance(value, bytes):
        parts = value if isinstance(value, (list, tuple)) or hasattr(value, "__iter__") else [value]
        if isinstance(value, str):
            parts = value.split("\\")
        return tuple(_decimal(str(part)) for part in parts)
    kind = item.VR or _IMPLICIT_BINARY.get(keyword, "DS")
    if kind in ("UN", "OB", "OW"):
        kind = _IMPLICIT_BINARY.get(keyword, "DS")
    if kind in _BINARY:
        code = _BINARY[kind]
        n = len(value) // struct.calcsize(code)
        order = "<" if item.is_little_endian else ">"
        return tuple(float(x) for x in struct.unpack(f"{order}{n}{code}", value))
    text = value.decode("ascii")
    return tuple(_decimal(part) for part in text.split("\\"))


def _decimal(text: str) -> float:
    text = text.strip(" \0")
    if not DECIMAL.fullmatch(text):
        raise ValueError(text)
    return float(text)
