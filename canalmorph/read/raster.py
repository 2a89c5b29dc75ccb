"""What the research formats share: right-angled axes and stored values to Hounsfield units."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import MalformedTagError, NotOrthogonalError
from canalmorph.read.pixels import AIR_HU
from canalmorph.read.tags import DECIMAL

#: Axes that miss right angles by less than this are rounding. [cosine]
ROUNDING_COSINE = 1e-3
#: Below this nothing was corrected that is worth a warning: single precision leaves 1e-7.
EXACT_COSINE = 1e-5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterHeader:
    """Shape (k, j, i) and place of a grid read from one file."""

    file_format: str
    shape: tuple[int, int, int]
    index_to_lps_mm: NDArray[np.float64]
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterFile:
    """How the voxels of one file are stored.

    Attributes
    ----------
    header : RasterHeader
        Shape and place.
    dtype : numpy dtype
        Stored type, with its byte order.
    encoding : str
        ``raw``, ``gzip`` or ``zlib``.
    offset : int
        Where the voxels start; in the unpacked data for NIfTI. [bytes]
    data_file : str
        Name of a detached data file, else empty.
    slope, intercept : float
        From stored values to Hounsfield units.
    whole_packed : bool
        The whole file is packed, header and all.
    """

    header: RasterHeader
    dtype: np.dtype[np.generic]
    encoding: str
    offset: int
    data_file: str = ""
    slope: float = 1.0
    intercept: float = 0.0
    whole_packed: bool = False


def parse_numbers(text: str, count: int, file: str, tag: str) -> tuple[float, ...]:
    """Return exactly `count` finite decimal numbers, separated by spaces or commas.

    Raises
    ------
    MalformedTagError
        Naming the file and the field.

    Examples
    --------
    >>> parse_numbers("1, 2.5,-3e1", 3, "a.nrrd", "space origin")
    (1.0, 2.5, -30.0)
    """
    parts = text.replace(",", " ").split()
    if len(parts) != count or not all(DECIMAL.fullmatch(part) for part in parts):
        raise MalformedTagError(file=file, tag=tag, detail=f"{count} decimal numbers are needed.")
    numbers = tuple(float(part) for part in parts)
    if not np.all(np.isfinite(numbers)):
        raise MalformedTagError(file=file, tag=tag, detail="A number is not finite.")
    return numbers


def square_axes(
    matrix: NDArray[np.float64], file: str, tag: str
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return the transform with axes at exact right angles and a warning where that changed it.

    Raises
    ------
    NotOrthogonalError
        With the angle, if the axes are sheared by more than rounding.
    """
    axes = matrix[:3, :3]
    norms = np.linalg.norm(axes, axis=0)
    if not (np.all(np.isfinite(matrix)) and norms.min() > 0):
        raise NotOrthogonalError(file=file, tag=tag, detail="An axis has no length.")
    units = axes / norms
    cosines = np.abs(units.T @ units - np.eye(3))
    worst = float(cosines.max())
    if worst > ROUNDING_COSINE:
        angle = float(np.degrees(np.arcsin(min(worst, 1.0))))
        raise NotOrthogonalError(
            file=file, tag=tag, detail=f"Two axes miss a right angle by {angle:.1f} degrees."
        )
    # The nearest orthogonal axes, so that no axis is favoured.
    left, _, right = np.linalg.svd(units)
    squared = np.array(matrix, float)
    squared[:3, :3] = (left @ right) * norms
    return squared, ("orthonormalised",) if worst > EXACT_COSINE else ()


def voxels_to_hu(
    stored: NDArray[np.generic], slope: float, intercept: float
) -> tuple[NDArray[np.int16], tuple[str, ...]]:
    """Return rounded Hounsfield units and warning codes; what is no number becomes air.

    Works slice by slice, so that floating-point voxels never need a second whole volume.
    """
    voxels = np.empty(stored.shape, np.int16)
    warnings: dict[str, None] = {}
    plain = stored.dtype.kind in "iu" and slope == 1 and intercept == 0
    if plain and np.can_cast(stored.dtype, np.int16):
        voxels[...] = stored
        return voxels, ()
    for k, plane in enumerate(stored):
        exact = plane.astype(np.float64) * slope + intercept
        bad = ~np.isfinite(exact)
        if bad.any():
            warnings["non-finite-voxels"] = None
            exact[bad] = AIR_HU
        if exact.min() < -32768 or exact.max() > 32767:
            warnings["values-clipped"] = None
        voxels[k] = np.clip(np.rint(exact), -32768, 32767)
    return voxels, tuple(warnings)
