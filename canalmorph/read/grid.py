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
from canalmorph.read.tilt import LARGEST_TILT_DEG, Tilt, make_tilt

#: Headers give the gantry's tilt in halves of a degree at the coarsest.
STATED_TILT_DEG = 0.6


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
    tilt : Tilt or None
        How the slices of a tilted gantry must be moved; None where they stand upright.
    shape : tuple of 3 int
        Slices, missing ones included, rows and columns.
    index_to_lps_mm : (4, 4) float array
        Maps ``(k, j, i, 1)`` to patient coordinates. [mm]
    """

    slices: tuple[SliceHeader, ...]
    places: tuple[int, ...]
    gaps: tuple[SliceGap, ...]
    thinned: bool
    tilt: Tilt | None
    shape: tuple[int, int, int]
    index_to_lps_mm: NDArray[np.float64]


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
    first, n_places = ordered[0], found.places[-1] + 1
    rows_mm, columns_mm = first.pixel_spacing_mm
    check_voxel(np.array([spacing, rows_mm, columns_mm]), source, settings)
    matrix = np.eye(4)
    matrix[:3, 0] = axes[:, 2] * spacing
    matrix[:3, 1] = axes[:, 1] * rows_mm
    matrix[:3, 2] = axes[:, 0] * columns_mm
    # The mean position, so that rounding of single positions averages out.
    matrix[:3, 3] = positions.mean(axis=0) - matrix[:3, 0] * places.mean()
    shape, tilt = (first.rows, first.columns), None
    drift_mm = _fit_drift(positions, axes, spacing, places, first, source, settings)
    if drift_mm is not None:
        drift = (float(drift_mm[1] / rows_mm), float(drift_mm[0] / columns_mm))
        tilt = make_tilt(drift, n_places, shape)
        shape = tilt.shape
        moved = np.array(tilt.start_pixels) - np.array(drift) * places.mean()
        matrix[:3, 3] += matrix[:3, 1:3] @ moved
    normal = (float(axes[0, 2]), float(axes[1, 2]), float(axes[2, 2]))
    return SliceGrid(
        slices=found.slices,
        places=found.places,
        gaps=tuple(SliceGap(normal=normal, low_mm=a, high_mm=b) for a, b in found.gaps_mm),
        thinned=found.thinned,
        tilt=tilt,
        shape=(n_places, *shape),
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


def _fit_drift(
    positions: NDArray[np.float64],
    axes: NDArray[np.float64],
    spacing: float,
    index: NDArray[np.int64],
    first: SliceHeader,
    source: str,
    settings: ReadSettings,
) -> NDArray[np.float64] | None:
    """Return by how much each place lies off the one before, along row and column [mm]."""
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
    if shear <= settings.tilt_tolerance:
        return None
    angle = math.degrees(math.atan(shear))
    if angle > LARGEST_TILT_DEG:
        raise TiltedGantryError(
            file=source, tag=tag, detail=f"The stack is tilted by {angle:.1f} degrees."
        )
    _check_statement(first.gantry_tilt, angle, source)
    return np.asarray(drift)


def _check_statement(gantry_tilt: str, angle_deg: float, source: str) -> None:
    """Refuse a tilt that the header puts otherwise: then one of the two is wrong."""
    try:
        stated_deg = abs(float(gantry_tilt))
    except ValueError:
        return  # it says nothing, as many do
    if abs(stated_deg - angle_deg) > STATED_TILT_DEG:
        raise TiltedGantryError(
            file=source,
            tag=tag_label("GantryDetectorTilt"),
            detail=(
                f"The positions tilt the stack by {angle_deg:.1f} degrees, the header says "
                f"{stated_deg:.1f}."
            ),
        )
