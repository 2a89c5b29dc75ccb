"""How blur depends on direction: slices, and pixels that are not square."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.femur import Calibration
from canalmorph.model.volume import CtVolume

#: A side of a voxel that is longer than the others by this factor blurs of its own.
UNEVEN = 1.1
#: Pixels above the first are too coarse for the blur: an edge moves with its place between them, by
#: the second (SD) times the square of what is above. A flat wall behind a blur of 0.55 mm moves by
#: 0.04, 0.15 and 0.33 mm with pixels of 1.5, 2 and 2.5 mm; a canal's by a third more. [mm, 1/mm]
FINE_PIXEL_MM, RIPPLE_PER_MM = 1.0, 0.2


def slice_axis(crop: CtVolume) -> int:
    """Return the crop's axis across the slices: the one of clearly largest spacing, else up.

    A sagittal or coronal stack has its slices along another axis than an axial one; where the
    spacings are about equal the blur is too.
    """
    spacing = crop.spacing_mm
    widest = int(np.argmax(spacing))
    others = np.delete(spacing, widest)
    return widest if spacing[widest] > UNEVEN * others.max() else 0


def slice_direction(crop: CtVolume) -> NDArray[np.float64]:
    """Return the unit vector across the slices in patient space."""
    axis = slice_axis(crop)
    return np.asarray(crop.index_to_lps_mm[:3, axis] / crop.spacing_mm[axis])


def declare_through_plane_blur_mm(crop: CtVolume) -> float:
    """Return the blur across slices that the file declares: slice box, interpolation, focus [mm].

    A box of thickness T has the variance T^2/12; linear interpolation adds h^2/6 on average.
    Where the file declares no thickness the spacing stands for it; overlapping slices with an
    undeclared thickness are read too sharp by that, which only oblique walls feel.
    """
    spacing = float(crop.spacing_mm[slice_axis(crop)])
    thickness = crop.facts.slice_thickness_mm or spacing
    return float(np.sqrt(thickness**2 / 12 + spacing**2 / 6 + 0.2**2))


def wide_direction(crop: CtVolume) -> NDArray[np.float64] | None:
    """Return the unit vector along the wide side of the pixels, or None where they are square."""
    spacing = crop.spacing_mm
    narrow, wide = sorted(np.delete(np.arange(3), slice_axis(crop)), key=lambda axis: spacing[axis])
    if spacing[wide] <= UNEVEN * spacing[narrow]:
        return None
    return np.asarray(crop.index_to_lps_mm[:3, wide] / spacing[wide])


def declare_uneven_blur_mm(crop: CtVolume) -> float:
    """Return what the pixels' wide side adds to the blur along it: box and interpolation [mm]."""
    narrow, wide = sorted(np.delete(crop.spacing_mm, slice_axis(crop)))
    return 0.0 if wide <= UNEVEN * narrow else float(np.sqrt((wide**2 - narrow**2) / 4))


def blur_along_rays_mm(
    calibration: Calibration,
    normals: NDArray[np.float64],
    across: NDArray[np.float64],
    crop: CtVolume,
) -> NDArray[np.float64]:
    """Return the blur along each ray: that across the wall, stretched by the ray's slant [mm].

    Parameters
    ----------
    normals, across : (n, 3) float arrays
        Wall normals and ray directions.
    crop : CtVolume
        For the directions across the slices and of the pixels.
    """
    n_z = normals @ slice_direction(crop)
    across_wall = (
        calibration.blur_in_plane_mm**2 * (1 - n_z**2)
        + calibration.blur_through_plane_mm**2 * n_z**2
    )
    wide = wide_direction(crop)
    if wide is not None:
        across_wall += np.square(calibration.blur_uneven_mm * (normals @ wide))
    slant = np.abs(np.sum(normals * across, axis=-1))
    return np.asarray(np.sqrt(across_wall) / np.maximum(slant, 0.3))


def find_ripple_mm(normals: NDArray[np.float64], crop: CtVolume) -> NDArray[np.float64]:
    """Return how uncertain edges are by their place between coarse pixels [mm].

    Parameters
    ----------
    normals : (..., 3) float array
        Wall normals.
    crop : CtVolume
        For its pixels.
    """
    in_plane = np.delete(np.arange(3), slice_axis(crop))
    sides_mm = crop.spacing_mm[in_plane]
    directions = crop.index_to_lps_mm[:3, in_plane] / sides_mm
    ripple = RIPPLE_PER_MM * np.square(np.maximum(sides_mm - FINE_PIXEL_MM, 0.0))
    return np.asarray(np.square(normals @ directions) @ ripple)
