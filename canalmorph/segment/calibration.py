"""What a scan tells of itself: noise, cortical density and blur, from its own thick walls."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.femur import Calibration
from canalmorph.model.volume import CtVolume
from canalmorph.segment.wall import BLUR, X_IN, X_OUT, Y_CORTEX, fit_wall

#: Walls from which density and blur are read. [mm]
THICK_MM = 4.0
#: Where fewer thick rays exist than this, the calibration falls back on the prior below.
FEWEST_RAYS = 60
#: At most this many rays are fitted: their spread is known long before.
MOST_RAYS = 3000
#: Prior where the scan has no thick wall: middle of the published and remembered range, and its
#: spread, so that the uncertainty says how little is known. [HU, mm]
PRIOR_CORTEX_HU, PRIOR_CORTEX_U_HU = 1500.0, 200.0
PRIOR_BLUR_MM, PRIOR_BLUR_U_MM = 0.6, 0.12
#: Neighbouring samples of a ray share their noise; this inflation keeps the priors in proportion.
NOISE_INFLATION = 2.0


def estimate_noise(crop: CtVolume) -> float:
    """Return the noise of the soft tissue, from differences of neighbouring slices [HU].

    The 10 HU floor keeps a noise-free phantom from overruling every prior.
    """
    voxels = crop.voxels_hu[:, ::2, ::2].astype(np.float32)
    lower, upper = voxels[:-1], voxels[1:]
    soft = (np.abs(lower - 50.0) < 120.0) & (np.abs(upper - 50.0) < 120.0)
    if soft.sum() < 1000:
        return 30.0
    return max(10.0, float(1.4826 * np.median(np.abs((upper - lower)[soft])) / np.sqrt(2.0)))


def slice_axis(crop: CtVolume) -> int:
    """Return the crop's axis across the slices: the one of clearly largest spacing, else up.

    A sagittal or coronal stack has its slices along another axis than an axial one; where the
    spacings are about equal the blur is too.
    """
    spacing = crop.spacing_mm
    widest = int(np.argmax(spacing))
    others = np.delete(spacing, widest)
    return widest if spacing[widest] > 1.1 * others.max() else 0


def slice_direction(crop: CtVolume) -> NDArray[np.float64]:
    """Return the unit vector across the slices in patient space."""
    axis = slice_axis(crop)
    return np.asarray(crop.index_to_lps_mm[:3, axis] / crop.spacing_mm[axis])


def through_plane_blur_mm(crop: CtVolume) -> float:
    """Return the standard width of the blur across slices: slice box, interpolation, focus [mm].

    A box of thickness T has the variance T^2/12; linear interpolation adds h^2/6 on average.
    Where the file declares no thickness the spacing stands for it; overlapping slices with an
    undeclared thickness are read too sharp by that, which only oblique walls feel.
    """
    spacing = float(crop.spacing_mm[slice_axis(crop)])
    thickness = crop.facts.slice_thickness_mm or spacing
    return float(np.sqrt(thickness**2 / 12 + spacing**2 / 6 + 0.2**2))


def calibrate(
    profiles_hu: NDArray[np.float32],
    start: NDArray[np.float64],
    normals: NDArray[np.float64],
    across: NDArray[np.float64],
    crop: CtVolume,
    *,
    first_mm: float,
    step_mm: float,
) -> Calibration:
    """Return density, blur and noise, from rays through thick walls with all six parameters free.

    Parameters
    ----------
    profiles_hu, start, first_mm, step_mm
        As in `canalmorph.segment.wall.fit_wall`, shaft rays only.
    normals, across : (n, 3) float arrays
        Wall normals in patient space and the rays' directions.
    crop : CtVolume
        For noise and slices.
    """
    noise_hu = estimate_noise(crop)
    blur_z_mm = through_plane_blur_mm(crop)
    thick = np.flatnonzero(start[:, X_OUT] - start[:, X_IN] > THICK_MM)
    chosen = thick[:: max(1, len(thick) // MOST_RAYS)]
    cortex_hu, cortex_u_hu, n_rays = PRIOR_CORTEX_HU, PRIOR_CORTEX_U_HU, 0
    blur_mm, blur_u_mm = PRIOR_BLUR_MM, PRIOR_BLUR_U_MM
    if len(chosen) >= FEWEST_RAYS:
        fitted, _, _ = fit_wall(
            profiles_hu[chosen],
            start[chosen],
            np.full(len(chosen), PRIOR_BLUR_MM),
            first_mm=first_mm,
            step_mm=step_mm,
            cortex_hu=None,
            cortex_u_hu=0.0,
            noise_hu=NOISE_INFLATION * noise_hu,
            blur_u_mm=0.0,
        )
        good = np.isfinite(fitted[:, BLUR])
        if good.sum() >= FEWEST_RAYS:
            n_z = np.abs(normals[chosen] @ slice_direction(crop))[good]
            slant = np.abs(np.sum(normals[chosen] * across[chosen], axis=1))[good]
            in_plane = (fitted[good, BLUR] * slant) ** 2 - (blur_z_mm * n_z) ** 2
            in_plane = np.sqrt(np.maximum(in_plane / (1 - n_z**2), 0.15**2))
            density = fitted[good, Y_CORTEX]
            blur_mm = float(np.median(in_plane))
            cortex_hu = float(np.median(density))
            cortex_u_hu = float(1.4826 * np.median(np.abs(density - cortex_hu)))
            blur_u_mm = max(0.02, 0.05 * blur_mm)
            n_rays = int(good.sum())
    return Calibration(
        cortex_hu=cortex_hu,
        cortex_u_hu=cortex_u_hu,
        blur_in_plane_mm=blur_mm,
        blur_through_plane_mm=blur_z_mm,
        blur_u_mm=blur_u_mm,
        noise_hu=noise_hu,
        n_rays=n_rays,
    )


def blur_along_rays_mm(
    calibration: Calibration,
    normals: NDArray[np.float64],
    across: NDArray[np.float64],
    through: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the blur along each ray: that across the wall, stretched by the ray's slant [mm].

    Parameters
    ----------
    normals, across : (n, 3) float arrays
        Wall normals and ray directions.
    through : (3,) float array
        Unit vector across the slices.
    """
    n_z = normals @ through
    across_wall = (
        calibration.blur_in_plane_mm**2 * (1 - n_z**2)
        + calibration.blur_through_plane_mm**2 * n_z**2
    )
    slant = np.abs(np.sum(normals * across, axis=-1))
    return np.asarray(np.sqrt(across_wall) / np.maximum(slant, 0.3))
