"""Frozen nouns as plain data and arrays, and back by the annotations of their fields.

What is heavy or private has its own way: a noun's type may be given its own packing.
"""

from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields, is_dataclass
from enum import Enum
from types import NoneType, UnionType
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np
from numpy.typing import NDArray

#: Arrays with more numbers than this are surfaces: 32 bits keep them to 0.00003 mm.
SMALL_ARRAY = 1000
Members = dict[str, NDArray[Any]]
#: Packs a value of its type under a name; the arrays go into the members.
Pack = Callable[[Any, str, Members], Any]
#: Gives the value back.
Unpack = Callable[[Any, str, Mapping[str, NDArray[Any]]], Any]


def pack_noun(value: Any, name: str, members: Members, special: Mapping[type, Pack]) -> Any:
    """Return plain JSON data of a noun; its arrays are put into `members` under dotted names.

    Parameters
    ----------
    value : object
        A dataclass of numbers, texts, enumerations, tuples, arrays and dataclasses.
    name : str
        Begins the names of its arrays.
    members : dict
        Changed in place.
    special : mapping of type to callable
        Types with a packing of their own.
    """
    if type(value) in special:
        return special[type(value)](value, name, members)
    if is_dataclass(value) and not isinstance(value, type):
        return {
            part.name: pack_noun(getattr(value, part.name), f"{name}.{part.name}", members, special)
            for part in fields(value)
        }
    if isinstance(value, np.ndarray):
        heavy = value.dtype == np.float64 and value.size > SMALL_ARRAY
        members[name] = value.astype(np.float32) if heavy else value
        return None
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, tuple):
        return [
            pack_noun(one, f"{name}.{place}", members, special) for place, one in enumerate(value)
        ]
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, str | int | float | bool | NoneType):
        return value
    raise TypeError(f"'{name}' is of a kind that cannot be packed: {type(value).__name__}.")


def unpack_noun(
    kind: Any,
    plain: Any,
    name: str,
    members: Mapping[str, NDArray[Any]],
    special: Mapping[type, Unpack],
) -> Any:
    """Return the value of an annotation from what `pack_noun` made of it.

    A field that was not known when the noun was packed has its default, which must mean what held
    before there was such a field.

    Raises
    ------
    KeyError, TypeError, ValueError
        If a part is missing or is not of its kind.
    """
    if kind in special:
        return special[kind](plain, name, members)
    if _is_array(kind):
        array = members[name]
        return array.astype(np.float64) if array.dtype == np.float32 else array
    if isinstance(kind, UnionType):
        (kind,) = (one for one in get_args(kind) if one is not NoneType)
        absent = plain is None and name not in members
        return None if absent else unpack_noun(kind, plain, name, members, special)
    if isinstance(kind, type) and is_dataclass(kind):
        hints = get_type_hints(kind)
        return kind(
            **{
                part.name: unpack_noun(
                    hints[part.name], plain[part.name], f"{name}.{part.name}", members, special
                )
                for part in fields(kind)
                if part.name in plain or part.default is MISSING
            }
        )
    if get_origin(kind) is tuple:
        inner = get_args(kind)
        kinds = [inner[0]] * len(plain) if inner[1:] == (...,) else inner
        return tuple(
            unpack_noun(each, one, f"{name}.{place}", members, special)
            for place, (each, one) in enumerate(zip(kinds, plain, strict=True))
        )
    return kind(plain)


def _is_array(kind: Any) -> bool:
    """Whether an annotation is an array's, which from Python 3.12 on may have a name of its own."""
    origin = get_origin(kind)
    return np.ndarray in (origin, get_origin(getattr(origin, "__value__", None)))
