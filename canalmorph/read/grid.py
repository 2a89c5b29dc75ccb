"""Fit the regular right-angled grid of one volume's slices, or say why there is none."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import (
    ImplausibleVoxelError,
    TiltedGantryError,
    TooFewSlicesError,
    UnevenSpacingError,
)
from canalmorph.model.volume import SliceGap
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import SliceHeader
from canalmorph.read.spacing import place_slices
from canalmorph.read.tags import tag_label


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SliceGrid:
    """Slices in order along their normal, and where they lie.

    Attributes
    ----------
    slices : tuple of SliceHeader
        In ascending order along the normal.
    places : tuple of int
        Index k of each slice; where slices are missing, fewer than the grid has.
    gaps : tuple of SliceGap
        Where slices are missing.
    thinned : bool
        Whether slices of a part that is spaced more closely were left out.
    index_to_lps_mm : (4, 4) float array
        Maps ``(k, j, i, 1)`` to patient coordinates. [mm]
    """

    slices: tuple[SliceHeader, ...]
    places: tuple[int, ...]
    gaps: tuple[SliceGap, ...]
    thinned: bool
    index_to_lps_mm: NDArray[np.float64]

    @property
    def n_places(self) -> int:
        """Slices of the grid, missing ones included."""
        return self.places[-1] + 1


def normal_of(orientation: Sequence[float]) -> NDArray[np.float64]:
    """Return the unit normal of a plane from its six direction cosines."""
    normal = np.cross(orientation[:3], orientation[3:])
    return np.asarray(normal / np.linalg.norm(normal))


def mean_axes(slices: Sequence[SliceHeader]) -> NDArray[np.float64]:
    """Return row direction, column direction and normal, orthonormal, as columns of (3, 3)."""
    mean = np.mean([header.orientation for header in slices], axis=0)
    row = mean[:3] / np.linalg.norm(mean[:3])
    column = mean[3:] - row * (mean[3:] @ row)
    column /= np.linalg.norm(column)
    return np.stack([row, column, np.cross(row, column)], axis=1)


def heights_mm(slices: Sequence[SliceHeader]) -> NDArray[np.float64]:
    """Return the slices' positions along their common normal, shape (n,) [mm]."""
    positions = np.array([header.position_mm for header in slices])
    return np.asarray(positions @ mean_axes(slices)[:, 2])


def fit_grid(slices: Sequence[SliceHeader], source: str, settings: ReadSettings) -> SliceGrid:
    """Return the slices in order on their grid.

    Raises
    ------
    TooFewSlicesError, MissingSlicesError, UnevenSpacingError, TiltedGantryError, \
ImplausibleVoxelError
        Naming the file or the series.
    """
    if len(slices) < settings.min_slices:
        raise TooFewSlicesError(
            file=source,
            detail=f"The volume has {len(slices)} slices, {settings.min_slices} are needed.",
        )
    heights = heights_mm(slices)
    order = np.argsort(heights, kind="stable")
    ordered = tuple(slices[index] for index in order)
    found = place_slices(ordered, heights[order], source, settings)
    positions = np.array([header.position_mm for header in found.slices])
    axes, spacing, places = mean_axes(found.slices), found.spacing_mm, np.array(found.places)
    _check_tilt(positions, axes, spacing, places, source, settings)
    rows_mm, columns_mm = ordered[0].pixel_spacing_mm
    matrix = np.eye(4)
    matrix[:3, 0] = axes[:, 2] * spacing
    matrix[:3, 1] = axes[:, 1] * rows_mm
    matrix[:3, 2] = axes[:, 0] * columns_mm
    # The mean position, so that rounding of single positions averages out.
    matrix[:3, 3] = positions.mean(axis=0) - matrix[:3, 0] * places.mean()
    check_voxel(np.array([spacing, rows_mm, columns_mm]), source, settings)
    normal = (float(axes[0, 2]), float(axes[1, 2]), float(axes[2, 2]))
    return SliceGrid(
        slices=found.slices,
        places=found.places,
        gaps=tuple(SliceGap(normal=normal, low_mm=a, high_mm=b) for a, b in found.gaps_mm),
        thinned=found.thinned,
        index_to_lps_mm=matrix,
    )


def check_voxel(spacing_mm: NDArray[np.float64], source: str, settings: ReadSettings) -> None:
    """Refuse voxels that no CT of a thigh has."""
    low, high = settings.min_voxel_mm, settings.max_voxel_mm
    if not (np.all(spacing_mm >= low) and np.all(spacing_mm <= high)):
        size = " x ".join(f"{value:.4g}" for value in spacing_mm)
        raise ImplausibleVoxelError(
            file=source,
            tag="spacing",
            detail=f"The voxels measure {size} mm; {low:g} to {high:g} mm is plausible.",
        )


def _check_tilt(
    positions: NDArray[np.float64],
    axes: NDArray[np.float64],
    spacing: float,
    index: NDArray[np.int64],
    source: str,
    settings: ReadSettings,
) -> None:
    tag = tag_label("ImagePositionPatient")
    # Slices that jump sideways tear the bone; an even drift is a tilt.
    sideways = positions @ axes[:, :2]
    drift, start = np.polyfit(index, sideways, 1)
    jump = float(np.abs(sideways - start - drift * index[:, None]).max())
    if jump > settings.position_tolerance_mm:
        raise UnevenSpacingError(
            file=source, tag=tag, detail=f"Slices are shifted sideways by up to {jump:.2f} mm."
        )
    shear = float(np.hypot(*drift)) / abs(spacing)
    if shear > settings.tilt_tolerance:
        angle = math.degrees(math.atan(shear))
        raise TiltedGantryError(
            file=source, tag=tag, detail=f"The stack is tilted by {angle:.1f} degrees."
        )
