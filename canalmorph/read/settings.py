"""What reading may accept; every bound with its reason."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadSettings:
    """Bounds of the stage `read`.

    Attributes
    ----------
    all_series : bool
        Choose every measurable series, not one a study.
    min_slices : int
        Fewer slices make no volume.
    position_tolerance_mm : float
        How far a slice may lie from the fitted regular grid. [mm]
    largest_gap_mm : float
        A series is taken apart where slices are missing over more than this. [mm]
    largest_missing_share : float
        A series that lost more of its slices than this is refused.
    largest_thinned_mm : float
        A series with closer slices in one part is thinned to its wider spacing up to this. [mm]
    tilt_tolerance : float
        Largest tangent of the angle between the stack and the slices' normal, and largest
        deviation of direction cosines inside one volume. [dimensionless]
    min_voxel_mm, max_voxel_mm : float
        Plausible voxel edges. [mm]
    max_voxels : int
        Largest volume that is allocated.
    max_archive_bytes : int
        Largest total of a zip, unpacked. [bytes]
    max_archive_ratio : float
        Largest ratio of unpacked to packed size of a zip over 64 MB.
    nifti_transform : str
        ``agree`` (both transforms of a NIfTI file must agree), ``sform`` or ``qform``.
    threads : int
        How many slices are decoded at the same time.
    """

    all_series: bool = False
    #: The shortest span that could carry one index is longer than ten slices of any CT.
    min_slices: int = 10
    #: A position rounded to one decimal is off by up to 0.05 mm. On a shaft 12 degrees oblique
    #: 0.06 mm along the scanner's axis moves an edge by 0.06 * tan(12 deg) = 0.013 mm sideways.
    #: A lost slice moves its neighbours by half a spacing or more.
    position_tolerance_mm: float = 0.06
    #: Shorter than a lesser trochanter, so that no gap hides one whole.
    largest_gap_mm: float = 20.0
    largest_missing_share: float = 0.2
    #: Above 3.5 mm only the bone's outline is resolved: rather no number than a blurred one.
    largest_thinned_mm: float = 3.5
    #: 0.06 degrees: over a femur of 450 mm a drift of 0.45 mm, lengths change by 5e-7.
    tilt_tolerance: float = 1e-3
    #: Micro-CT lies below, a unit mistaken for millimetres outside.
    min_voxel_mm: float = 0.1
    #: Slices thicker than this show no canal.
    max_voxel_mm: float = 10.0
    #: 1024 x 1024 pixels x 4000 slices: twice a whole body at 0.5 mm.
    max_voxels: int = 1024 * 1024 * 4000
    #: Some ten whole-body series.
    max_archive_bytes: int = 64 * 2**30
    #: Raw CT shrinks 2 to 4 times, one with half its slices empty 10 times; zeros 1000 times.
    max_archive_ratio: float = 100.0
    nifti_transform: str = "agree"
    #: More threads do not help: reading is bound by memory and disk.
    threads: int = 4

    def __post_init__(self) -> None:
        if self.min_slices < 3:
            raise ValueError(f"'min_slices' must be at least 3, got {self.min_slices}.")
        if not 0 < self.position_tolerance_mm <= 0.5:
            raise ValueError(
                f"'position_tolerance_mm' must be in (0, 0.5] mm, got "
                f"{self.position_tolerance_mm:g}."
            )
        if not 0 < self.largest_gap_mm <= 50:
            raise ValueError(
                f"'largest_gap_mm' must be in (0, 50] mm, got {self.largest_gap_mm:g}."
            )
        if not 0 <= self.largest_missing_share < 0.5:
            raise ValueError(
                f"'largest_missing_share' must be in [0, 0.5), got {self.largest_missing_share:g}."
            )
        if not self.largest_thinned_mm > 0:
            raise ValueError(
                f"'largest_thinned_mm' must be above 0 mm, got {self.largest_thinned_mm:g}."
            )
        if not 0 < self.tilt_tolerance <= 0.01:
            raise ValueError(f"'tilt_tolerance' must be in (0, 0.01], got {self.tilt_tolerance:g}.")
        if not 0 < self.min_voxel_mm < self.max_voxel_mm:
            raise ValueError(
                f"'min_voxel_mm' must be positive and below 'max_voxel_mm', got "
                f"{self.min_voxel_mm:g} and {self.max_voxel_mm:g}."
            )
        for name in ("max_voxels", "max_archive_bytes", "max_archive_ratio", "threads"):
            if getattr(self, name) < 1:
                raise ValueError(f"'{name}' must be at least 1, got {getattr(self, name)}.")
        if self.nifti_transform not in ("agree", "sform", "qform"):
            raise ValueError(
                f"'nifti_transform' must be 'agree', 'sform' or 'qform', got "
                f"{self.nifti_transform!r}."
            )
