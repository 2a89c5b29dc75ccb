"""What a survey lists: one line for each series, file or left-out group."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import ReadError
from canalmorph.model.volume import SliceGap
from canalmorph.read.slices import SliceHeader
from canalmorph.read.sources import FileEntry
from canalmorph.read.tilt import Tilt


@dataclass(frozen=True, slots=True, kw_only=True)
class DicomPlan:
    """How to load a DICOM series: its slices in order, their index k, their grid and its gaps.

    `tilt` says how the slices of a tilted gantry are moved onto the grid.
    """

    slices: tuple[SliceHeader, ...]
    places: tuple[int, ...]
    gaps: tuple[SliceGap, ...]
    index_to_lps_mm: tuple[tuple[float, ...], ...]
    shape: tuple[int, int, int]
    tilt: Tilt | None = None

    def leave_out(self, lost: Collection[int]) -> "DicomPlan":
        """Return the plan without the slices at these places; the grid ends where the rest does."""
        if not lost:
            return self
        matrix = np.array(self.index_to_lps_mm)
        pairs = zip(self.places, self.slices, strict=True)
        kept = [(place, header) for place, header in pairs if place not in lost]
        first = kept[0][0]
        matrix[:3, 3] += first * matrix[:3, 0]
        places = tuple(place - first for place, _ in kept)
        return replace(
            self,
            slices=tuple(header for _, header in kept),
            places=places,
            gaps=_list_gaps(places, matrix),
            index_to_lps_mm=tuple(tuple(map(float, row)) for row in matrix),
            shape=(places[-1] + 1, *self.shape[1:]),
        )


def _list_gaps(places: Sequence[int], index_to_lps_mm: NDArray[np.float64]) -> tuple[SliceGap, ...]:
    spacing_mm = float(np.linalg.norm(index_to_lps_mm[:3, 0]))
    normal = index_to_lps_mm[:3, 0] / spacing_mm
    start_mm = float(index_to_lps_mm[:3, 3] @ normal)
    return tuple(
        SliceGap(
            normal=(float(normal[0]), float(normal[1]), float(normal[2])),
            low_mm=start_mm + low * spacing_mm,
            high_mm=start_mm + high * spacing_mm,
        )
        for low, high in pairwise(places)
        if high - low > 1
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FilePlan:
    """How to load one file of a research format."""

    entry: FileEntry


@dataclass(frozen=True, slots=True, kw_only=True)
class SeriesFound:
    """One series, or one group of files that is no series, as `survey` shows it.

    Attributes
    ----------
    source : str
        Folder, zip or file, relative to the input.
    file_format : str
        ``dicom``, ``nifti``, ``nrrd``, ``metaimage`` or ``other``.
    status : str
        ``measurable``, ``left_out`` or ``refused``.
    code, message, file, tag : str
        Why it is left out or refused, and what to do; empty code for a measurable series
        that was chosen, whose message tells of missing slices.
    chosen : bool
        Whether it is measured.
    series_key, study_key : str
        What identifies the series (empty where the file has no series UID; the volume then
        carries its input hash) and, within one survey, its study.
    frame_key : str
        Frame of reference: volumes that share it and the study lie in one patient space. Empty
        where the file does not say.
    knees : SeriesFound or None
        On a chosen series: another of the same study and frame that lies below it, where the knees
        may be seen.
    n_slices, n_files : int
        Planes of the volume and files of the group.
    spacing_mm : tuple of 3 floats or None
        Along k, j and i. [mm]
    slice_thickness_mm, kvp : float or None
        As declared. [mm] and [kV]
    kernel, image_type : str
        As declared.
    orientation : str
        ``axial``, ``coronal``, ``sagittal``, ``oblique`` or empty.
    coverage_mm : float or None
        Extent along the patient's long axis. [mm]
    low_mm, high_mm : tuple of 3 floats or None
        Corners of the volume's box in patient space. [mm]
    warnings : tuple of str
        Codes of `canalmorph.model.warning_codes.SCAN_WARNINGS`.
    plan : DicomPlan, FilePlan or None
        What is needed to load it.
    error : ReadError or None
        Why it is refused.
    """

    source: str
    file_format: str
    status: str
    code: str = ""
    message: str = ""
    file: str = ""
    tag: str = ""
    chosen: bool = False
    series_key: str = ""
    study_key: str = ""
    frame_key: str = ""
    knees: "SeriesFound | None" = field(default=None, repr=False)
    n_slices: int = 0
    n_files: int = 1
    spacing_mm: tuple[float, float, float] | None = None
    slice_thickness_mm: float | None = None
    kvp: float | None = None
    kernel: str = ""
    image_type: str = ""
    orientation: str = ""
    coverage_mm: float | None = None
    low_mm: tuple[float, float, float] | None = None
    high_mm: tuple[float, float, float] | None = None
    warnings: tuple[str, ...] = ()
    plan: DicomPlan | FilePlan | None = field(default=None, repr=False)
    error: ReadError | None = field(default=None, repr=False)


def refused(source: str, file_format: str, error: ReadError, **facts: Any) -> SeriesFound:
    """Return the line of an input that cannot be read."""
    return SeriesFound(
        source=source,
        file_format=file_format,
        status="refused",
        code=error.code,
        message=str(error),
        file=error.file,
        tag=error.tag,
        error=error,
        **facts,
    )


def describe_grid(
    index_to_lps_mm: np.ndarray[tuple[int, ...], np.dtype[np.float64]], shape: tuple[int, int, int]
) -> dict[str, Any]:
    """Return spacing, orientation, coverage and box of a grid, as `SeriesFound` wants them."""
    spacing = np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    corners = np.array(np.meshgrid(*[(0, n - 1) for n in shape], indexing="ij")).reshape(3, 8)
    points = index_to_lps_mm[:3, :3] @ corners + index_to_lps_mm[:3, 3:]
    low, high = points.min(axis=1), points.max(axis=1)
    return {
        "n_slices": shape[0],
        "spacing_mm": tuple(float(value) for value in spacing),
        "orientation": _name_orientation(index_to_lps_mm[:3, 0] / spacing[0]),
        "coverage_mm": float(high[2] - low[2]),
        "low_mm": tuple(float(value) for value in low),
        "high_mm": tuple(float(value) for value in high),
    }


def _name_orientation(normal: np.ndarray[tuple[int, ...], np.dtype[np.float64]]) -> str:
    axis = int(np.argmax(np.abs(normal)))
    # Within 30 degrees of an axis the plane still carries that axis' name.
    if abs(normal[axis]) < np.cos(np.radians(30)):
        return "oblique"
    return ("sagittal", "coronal", "axial")[axis]
