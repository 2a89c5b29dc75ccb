"""A CT volume in patient space and what is known of its making."""

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import CanalMorphError

#: Bone never borders on air: where it seems to, the field of view ended there. [HU]
NEVER_SCANNED_HU = -600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PatientFacts:
    """Who was scanned, as the file says; only the report may show it, no table and no log.

    Attributes
    ----------
    name, identifier, birth_date, sex, accession, study_date : str
        Empty where the file does not say.
    age_years : float or None
        At the scan. [years]
    """

    name: str = ""
    identifier: str = ""
    birth_date: str = ""
    sex: str = ""
    accession: str = ""
    study_date: str = ""
    age_years: float | None = None


#: Formats as people write them.
FORMAT_NAMES = {"dicom": "DICOM", "nifti": "NIfTI", "nrrd": "NRRD", "metaimage": "MetaImage"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanFacts:
    """Where a volume came from and how it was made.

    Attributes
    ----------
    source : str
        Path of the series, relative to the input that was given, for the technician.
    file_format : str
        ``dicom``, ``nifti``, ``nrrd`` or ``metaimage``.
    series_key : str
        What identifies the series for good: its SeriesInstanceUID (with a suffix where one UID
        held several volumes), or the input hash of a file without one.
    input_sha256 : str
        Hash over the files that were read, in slice order.
    n_files : int
        How many files were read.
    kernel, manufacturer, modality : str
        As written in the file; empty where it does not say.
    patient_position : str
        How the patient is said to have lain (``HFS``, ``FFP``), in capitals; empty where the file
        does not say. Never used for a side: it is only set against the table in the picture.
    kvp : float or None
        Tube voltage. [kV]
    slice_thickness_mm : float or None
        As declared; never used as a spacing. [mm]
    warnings : tuple of str
        Codes of what was odd yet harmless while reading.
    slice_gaps : str
        Where slices are missing, in words; empty where none are.
    """

    source: str
    file_format: str
    series_key: str
    input_sha256: str
    n_files: int = 1
    kernel: str = ""
    manufacturer: str = ""
    modality: str = "CT"
    patient_position: str = ""
    kvp: float | None = None
    slice_thickness_mm: float | None = None
    warnings: tuple[str, ...] = ()
    slice_gaps: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SliceGap:
    """Where slices are missing: between two planes, each a slice that is there.

    Attributes
    ----------
    normal : tuple of 3 float
        Unit normal of the slices in patient space.
    low_mm, high_mm : float
        Heights of the two planes along the normal. [mm]
    """

    normal: tuple[float, float, float]
    low_mm: float
    high_mm: float

    @property
    def width_mm(self) -> float:
        """Distance of the two slices [mm]."""
        return self.high_mm - self.low_mm

    def covers(
        self, points_lps_mm: NDArray[np.float64], *, reach_mm: float = 0.0
    ) -> NDArray[np.bool_]:
        """Return which points (..., 3) lie between the planes, or within a reach of that.

        Examples
        --------
        >>> gap = SliceGap(normal=(0.0, 0.0, 1.0), low_mm=-10.0, high_mm=-4.0)
        >>> gap.covers(np.array([[0.0, 0.0, -5.0], [0.0, 0.0, -3.5]]), reach_mm=0.2).tolist()
        [True, False]
        """
        heights = points_lps_mm @ np.array(self.normal)
        with np.errstate(invalid="ignore"):
            inside = (heights > self.low_mm - reach_mm) & (heights < self.high_mm + reach_mm)
        return np.asarray(inside)

    def describe(self) -> str:
        """Return the gap in words, by patient z where the slices are axial.

        Examples
        --------
        >>> SliceGap(normal=(0.0, 0.0, -1.0), low_mm=4.0, high_mm=10.0).describe()
        '6.0 mm from z -10.0 to -4.0 mm'
        """
        z = self.normal[2]
        if abs(z) < 0.999:
            low, high, axis = self.low_mm, self.high_mm, "height along the slices' normal"
        else:
            (low, high), axis = sorted((self.low_mm * z, self.high_mm * z)), "z"
        return f"{self.width_mm:.1f} mm from {axis} {low:.1f} to {high:.1f} mm"


def find_covered(
    gaps: tuple[SliceGap, ...], points_lps_mm: NDArray[np.float64], *, reach_mm: float = 0.0
) -> NDArray[np.bool_]:
    """Return which points (..., 3) lie in any of the gaps, or within a reach of it."""
    covered = np.zeros(points_lps_mm.shape[:-1], dtype=bool)
    for gap in gaps:
        covered |= gap.covers(points_lps_mm, reach_mm=reach_mm)
    return covered


def list_gaps(gaps: Iterable[SliceGap]) -> str:
    """Return how wide each gap is and where it lies; empty where there is none."""
    return "; ".join(gap.describe() for gap in gaps)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CtVolume:
    """Hounsfield units on a regular, orthogonal grid in patient (LPS) space.

    Attributes
    ----------
    voxels_hu : (k, j, i) int16 array
        Slice, row, column as stored; read-only. Any orientation of the grid is allowed. [HU]
    index_to_lps_mm : (4, 4) float array
        Maps homogeneous ``(k, j, i, 1)`` to patient coordinates of voxel centres. [mm]
    facts : ScanFacts
        Provenance.
    patient : PatientFacts
        Identity, for the report only.
    gaps : tuple of SliceGap
        Where slices are missing. The voxels there are put in between their neighbours, so that
        the grid is regular and bones hang together; nothing may be measured on them.
    unread : tuple of CanalMorphError
        Why files of the series were left out while it was read: each is a slice that is missing.
    """

    voxels_hu: NDArray[np.int16]
    index_to_lps_mm: NDArray[np.float64]
    facts: ScanFacts
    patient: PatientFacts = field(default_factory=PatientFacts)
    gaps: tuple[SliceGap, ...] = ()
    unread: tuple[CanalMorphError, ...] = ()

    def __post_init__(self) -> None:
        if self.voxels_hu.ndim != 3 or self.voxels_hu.dtype != np.int16:
            raise ValueError(
                f"'voxels_hu' must be a 3-D int16 array, got {self.voxels_hu.ndim}-D "
                f"{self.voxels_hu.dtype}."
            )
        if self.index_to_lps_mm.shape != (4, 4):
            raise ValueError(
                f"'index_to_lps_mm' must have shape (4, 4), got {self.index_to_lps_mm.shape}."
            )
        self.voxels_hu.setflags(write=False)
        self.index_to_lps_mm.setflags(write=False)

    @property
    def spacing_mm(self) -> NDArray[np.float64]:
        """Distance between neighbours along k, j and i, shape (3,) [mm]."""
        return np.asarray(np.linalg.norm(self.index_to_lps_mm[:3, :3], axis=0))
