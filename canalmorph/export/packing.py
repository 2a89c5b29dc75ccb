"""Outlines as short text for a record: hundredths of a millimetre, packed.

As numbers in JSON the outlines would be four fifths of a record and of the time to read it.
"""

import base64
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: One step of a packed coordinate; only pictures use outlines, widths are kept in full. [mm]
STEP_MM = 0.01
#: Stands for a coordinate that is not known.
_UNKNOWN = np.iinfo(np.int16).min
#: Largest coordinate that can be packed. [mm]
LARGEST_MM = 327.0


def pack_outlines(points_mm: NDArray[np.float64]) -> dict[str, Any]:
    """Return the outlines of all sections as plain data.

    Parameters
    ----------
    points_mm : (n, m, 2) float array
        NaN where not known. [mm]

    Returns
    -------
    dict
        ``shape``, ``step_mm`` and ``packed``: int16 steps, little-endian, each section less the
        one before it (modulo 2**16), deflated, in base64; -32768 stands for an unknown one.

    Raises
    ------
    ValueError
        If a coordinate is beyond `LARGEST_MM`.

    Examples
    --------
    >>> points_mm = np.array([[[1.0, -2.5]], [[np.nan, 3.25]]])
    >>> unpack_outlines(pack_outlines(points_mm)).tolist()
    [[[1.0, -2.5]], [[nan, 3.25]]]
    """
    known = np.isfinite(points_mm)
    if known.any() and np.abs(points_mm[known]).max() > LARGEST_MM:
        raise ValueError(f"'points_mm' must lie within {LARGEST_MM:g} mm of the axis.")
    steps = np.full(points_mm.shape, _UNKNOWN, dtype="<i2")
    steps[known] = np.round(points_mm[known] / STEP_MM)
    changes = np.diff(steps, axis=0, prepend=np.zeros_like(steps[:1]))
    text = base64.b64encode(zlib.compress(changes.tobytes(), 6)).decode("ascii")
    return {"shape": list(points_mm.shape), "step_mm": STEP_MM, "packed": text}


def unpack_outlines(plain: Mapping[str, Any]) -> NDArray[np.float64]:
    """Return the (n, m, 2) outlines that `pack_outlines` packed, to half a step [mm].

    Raises
    ------
    KeyError, ValueError
        If the data are damaged.
    """
    try:
        content = zlib.decompress(base64.b64decode(plain["packed"], validate=True))
    except zlib.error as error:
        raise ValueError("'plain' holds no packed outlines.") from error
    changes = np.frombuffer(content, dtype="<i2").reshape(plain["shape"])
    steps = np.cumsum(changes, axis=0, dtype=np.int16)
    # Dividing by a whole number gives back the decimal that was written.
    points_mm = steps / round(1 / float(plain["step_mm"]))
    points_mm[steps == _UNKNOWN] = np.nan
    return np.asarray(points_mm)
