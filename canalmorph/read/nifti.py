"""Read a NIfTI file with its size, checksum and both transforms checked before use."""

import gzip
import math
import struct
import zlib
from typing import Any, BinaryIO

import nibabel as nib
import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import (
    ContradictoryOrientationError,
    CorruptFileError,
    DetachedDataError,
    MalformedTagError,
    NoOrientationError,
    NotThreeDimensionalError,
    TruncatedFileError,
    UnsupportedPixelsError,
)
from canalmorph.read.payload import check_declared_size
from canalmorph.read.raster import RasterFile, RasterHeader, square_axes
from canalmorph.read.settings import ReadSettings
from canalmorph.read.sources import FileEntry

#: RAS of NIfTI to LPS of DICOM.
_RAS_TO_LPS = np.diag([-1.0, -1.0, 1.0, 1.0])
#: Length of a unit in millimetres by its code; 0 is not stated.
_UNITS_MM = {0: 1.0, 1: 1000.0, 2: 1.0, 3: 0.001}
#: How far the corners may lie apart under the two transforms of one file. [mm] The quaternion's
#: single precision moves the end of a 1 m scan by less than 0.001 mm, rounded sforms by 0.01.
_TRANSFORM_TOLERANCE_MM = 0.1


def looks_like_nifti(head: bytes) -> bool:
    """Return whether the first bytes, unpacked, are those of a NIfTI file."""
    if len(head) < 348:
        return False
    return head[344:348] in (b"n+1\0", b"ni1\0") or head[4:8] in (b"n+2\0", b"ni2\0")


def read_nifti_header(
    stream: BinaryIO, entry: FileEntry, packed: bool, settings: ReadSettings
) -> RasterFile:
    """Return the checked header; no voxel is read.

    Raises
    ------
    ReadError
        Naming the file and the field.
    """
    header = _parse_header(_read_head(stream, entry, packed), entry)
    if header["magic"].item().startswith(b"ni"):
        raise DetachedDataError(
            file=entry.name, tag="magic", detail="Header and voxels are in two files."
        )
    shape = _shape(header, entry)
    dtype = _dtype(header, entry)
    start = float(header["vox_offset"])
    if not header.template_dtype.itemsize <= start <= 1 << 26 or start % 1:
        raise MalformedTagError(
            file=entry.name, tag="vox_offset", detail=f"The voxels cannot start at byte {start:g}."
        )
    offset = int(start)
    encoding = "gzip" if packed else "raw"
    held = entry.size if packed else entry.size - offset
    check_declared_size(shape, dtype.itemsize, held, encoding, entry.name, settings)
    matrix, warnings = _transform(header, shape, entry, settings)
    slope, intercept = _scaling(header, entry)
    return RasterFile(
        header=RasterHeader(
            file_format="nifti", shape=shape, index_to_lps_mm=matrix, warnings=warnings
        ),
        dtype=dtype,
        encoding=encoding,
        offset=offset,
        slope=slope,
        intercept=intercept,
        whole_packed=packed,
    )


def _read_head(stream: BinaryIO, entry: FileEntry, packed: bool) -> bytes:
    stream.seek(0)
    try:
        head = gzip.GzipFile(fileobj=stream).read(540) if packed else stream.read(540)
    except EOFError:
        raise TruncatedFileError(file=entry.name, detail="The file ends in its header.") from None
    except (gzip.BadGzipFile, zlib.error, OSError) as error:
        raise CorruptFileError(
            file=entry.name, detail=f"The compressed data are damaged ({type(error).__name__})."
        ) from None
    if len(head) < 352:
        raise TruncatedFileError(file=entry.name, detail="The file ends in its header.")
    return head


def _parse_header(head: bytes, entry: FileEntry) -> Any:
    second = head[4:8] in (b"n+2\0", b"ni2\0")
    kind: Any = nib.Nifti2Header if second else nib.Nifti1Header
    if second and len(head) < 540:
        raise TruncatedFileError(file=entry.name, detail="The file ends in its header.")
    try:
        header = kind(head[: kind.template_dtype.itemsize], check=False)
    except Exception as error:  # nibabel raises its own kinds
        raise CorruptFileError(
            file=entry.name, detail=f"The header cannot be parsed ({type(error).__name__})."
        ) from None
    if int(header["sizeof_hdr"]) != kind.template_dtype.itemsize:
        raise CorruptFileError(
            file=entry.name, tag="sizeof_hdr", detail="The header's own length is wrong."
        )
    return header


def _shape(header: Any, entry: FileEntry) -> tuple[int, int, int]:
    dim = [int(value) for value in header["dim"]]
    extra = dim[4 : dim[0] + 1] if 1 <= dim[0] <= 7 else []
    if not 3 <= dim[0] <= 7 or any(value > 1 for value in extra):
        size = " x ".join(str(value) for value in dim[1 : dim[0] + 1]) or "none"
        raise NotThreeDimensionalError(
            file=entry.name, tag="dim", detail=f"The image is {dim[0]}-D ({size}), not 3-D."
        )
    if min(dim[1:4]) < 1 or any(value < 1 for value in extra):
        raise MalformedTagError(file=entry.name, tag="dim", detail="A dimension is not positive.")
    return dim[3], dim[2], dim[1]


def _dtype(header: Any, entry: FileEntry) -> np.dtype[np.generic]:
    try:
        dtype: np.dtype[np.generic] = np.dtype(header.get_data_dtype())
    except Exception:  # nibabel raises its own kinds on unknown codes
        dtype = np.dtype("V1")
    if dtype.kind not in "iuf" or dtype.itemsize > 8:
        raise UnsupportedPixelsError(
            file=entry.name,
            tag="datatype",
            detail=f"The voxels are not real numbers (code {int(header['datatype'])}).",
        )
    if int(header["bitpix"]) != dtype.itemsize * 8:
        raise MalformedTagError(
            file=entry.name,
            tag="bitpix",
            detail=f"{int(header['bitpix'])} bits contradict the type {dtype.name}.",
        )
    return dtype


def _scaling(header: Any, entry: FileEntry) -> tuple[float, float]:
    slope, intercept = float(header["scl_slope"]), float(header["scl_inter"])
    # The standard: a slope of 0 means that there is no scaling, whatever the intercept says;
    # not a number is how some writers say the same.
    if slope == 0 or math.isnan(slope):
        return 1.0, 0.0
    if not math.isfinite(slope) or not math.isfinite(intercept) or slope < 0:
        raise MalformedTagError(
            file=entry.name, tag="scl_slope", detail="The scaling is not finite and positive."
        )
    return slope, intercept


def _transform(
    header: Any,
    shape: tuple[int, int, int],
    entry: FileEntry,
    settings: ReadSettings,
) -> tuple[NDArray[np.float64], tuple[str, ...]]:
    """Return (k, j, i) to LPS, orthogonal, and warning codes."""
    unit = int(header["xyzt_units"]) & 0x07
    if unit not in _UNITS_MM:
        raise MalformedTagError(file=entry.name, tag="xyzt_units", detail=f"Unknown unit {unit}.")
    warnings: tuple[str, ...] = () if unit else ("unit-not-stated",)
    matrix = _chosen_affine(header, shape, entry, settings, _UNITS_MM[unit])
    scaled = np.diag([_UNITS_MM[unit]] * 3 + [1.0]) @ matrix
    lps = _RAS_TO_LPS @ scaled
    ordered = lps[:, [2, 1, 0, 3]]
    squared, codes = square_axes(ordered, entry.name, "srow")
    return squared, warnings + codes


def _chosen_affine(
    header: Any,
    shape: tuple[int, int, int],
    entry: FileEntry,
    settings: ReadSettings,
    unit_mm: float,
) -> NDArray[np.float64]:
    try:
        sform = header.get_sform(coded=True)[0]
        qform = header.get_qform(coded=True)[0]
    except Exception:  # nibabel raises its own kinds on impossible quaternions
        raise MalformedTagError(
            file=entry.name, tag="quatern", detail="The rotation is no rotation."
        ) from None
    wanted = settings.nifti_transform
    if wanted == "sform" or (wanted == "agree" and qform is None):
        chosen, tag = sform, "sform_code"
    else:
        chosen, tag = qform, "qform_code"
    if chosen is None:
        raise NoOrientationError(file=entry.name, tag=tag, detail="The transform is not set.")
    if not np.all(np.isfinite(chosen)):
        raise MalformedTagError(file=entry.name, tag=tag, detail="The transform is not finite.")
    if wanted == "agree" and sform is not None and qform is not None:
        _check_agreement(sform, qform, shape, entry, unit_mm)
        chosen = sform
    elif qform is None:
        _check_pixdim(header, chosen, entry)
    return np.asarray(chosen, float)


def _check_agreement(
    sform: NDArray[np.float64],
    qform: NDArray[np.float64],
    shape: tuple[int, int, int],
    entry: FileEntry,
    unit_mm: float,
) -> None:
    ends = [(0.0, float(n - 1)) for n in reversed(shape)]
    corners = np.array(np.meshgrid(*ends, indexing="ij")).reshape(3, 8)
    difference = (sform - qform)[:3, :3] @ corners + (sform - qform)[:3, 3:]
    worst = float(np.linalg.norm(difference, axis=0).max()) * unit_mm
    # A NaN must not pass.
    if not worst <= _TRANSFORM_TOLERANCE_MM:
        raise ContradictoryOrientationError(
            file=entry.name,
            tag="sform/qform",
            detail=f"The two transforms put a corner {worst:.1f} mm apart.",
        )


def _check_pixdim(header: Any, matrix: NDArray[np.float64], entry: FileEntry) -> None:
    # Without a qform the voxel size is still stated twice. A sheared sform keeps it as a norm.
    declared = np.abs(np.asarray(header["pixdim"][1:4], float))
    norms = np.linalg.norm(matrix[:3, :3], axis=0)
    if np.all(declared > 0) and not np.allclose(norms, declared, rtol=0.05):
        raise ContradictoryOrientationError(
            file=entry.name,
            tag="pixdim",
            detail=(
                f"The voxel size is {' x '.join(f'{x:.4g}' for x in declared)} in one place and "
                f"{' x '.join(f'{x:.4g}' for x in norms)} in the other."
            ),
        )


def pack_probe(head: bytes) -> bytes:
    """Return the first unpacked bytes of a gzip start, none where it is no gzip."""
    if head[:2] != b"\x1f\x8b":
        return b""
    try:
        return zlib.decompressobj(wbits=31).decompress(head, 540)
    except (zlib.error, struct.error):
        return b""
