"""The stage: rings of a femur's outer surface and of its canal, with their uncertainty."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import HeadNotInViewError
from canalmorph.flags import Quality
from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.femur import Calibration, Cortex, Femur
from canalmorph.segment.calibration import NOISE_INFLATION, blur_along_rays_mm, calibrate
from canalmorph.segment.rings import RoughAxis, find_first_outlines, find_rough_axis
from canalmorph.segment.settings import SegmentSettings
from canalmorph.segment.surface import find_normals, find_ring_curvature, smooth_surface
from canalmorph.segment.wall import X_IN, X_OUT, find_half_maximum_edges, fit_wall

#: Rays begin this far inside the first outline and end this far outside. [mm]
RAY_IN_MM, RAY_OUT_MM, RAY_STEP_MM = 27.0, 5.0, 0.25
#: Shaft rings for calibration lie this far below the head's centre. [mm]
SHAFT_BELOW_HEAD_MM = 75.0
#: A sample above this is metal or clipped. [HU]
METAL_HU = 2900.0
#: A fit whose residuals exceed this share of the wall's contrast is not trusted.
LARGEST_RESIDUAL = 0.15
#: Samples 0.25 mm apart share their noise: covariances of single rays are too small by this factor.
CORRELATION = 3.0
#: More than this share of a ring without trusted edges leaves the ring incomplete.
LARGEST_GAP_SHARE = 0.1


def segment_cortex(femur: Femur, settings: SegmentSettings) -> Cortex:
    """Return the outer and inner surface of a femur's cortex.

    The bone's first outline is taken on sections across a rough axis; from it, rays across the
    wall are fitted with the blurred-cortex model. Density and blur come from the scan's own
    thick walls. A second pass starts from the first one's outer surface.

    Parameters
    ----------
    femur : Femur
        A located femur with its head.
    settings : SegmentSettings
        Rings, rays, priors.

    Raises
    ------
    HeadNotInViewError
        If the head was not found: the lesser trochanter could not be told.
    ShaftTooShortError
        If too little of the shaft is in view.
    """
    if femur.head is None:
        raise HeadNotInViewError(side=femur.side.value)
    axis = find_rough_axis(femur, femur.head)
    heights = _ring_heights(femur, axis, settings)
    base = find_first_outlines(femur, axis, heights, settings)
    shaft = heights < -SHAFT_BELOW_HEAD_MM
    base = _half_maximum_surface(femur, axis, base, settings)
    return _fit_surfaces(femur, axis, heights, base, shaft, settings)


def _ring_heights(femur: Femur, axis: RoughAxis, settings: SegmentSettings) -> NDArray[np.float64]:
    """Return heights from the lower end of the shaft in view up to the head's centre."""
    lowest = float(((femur.shaft_path_lps_mm - axis.point_lps_mm) @ axis.direction).min())
    return np.arange(np.ceil(lowest), 1.0, settings.ring_step_mm)


def _sample(
    femur: Femur, base: NDArray[np.float64], across: NDArray[np.float64]
) -> NDArray[np.float32]:
    n_samples = round((RAY_IN_MM + RAY_OUT_MM) / RAY_STEP_MM) + 1
    return sample_rays(
        femur.crop.voxels_hu,
        femur.crop.index_to_lps_mm,
        base - RAY_IN_MM * across,
        across,
        step_mm=RAY_STEP_MM,
        n_samples=n_samples,
    )


def _half_maximum_surface(
    femur: Femur, axis: RoughAxis, base: NDArray[np.float64], settings: SegmentSettings
) -> NDArray[np.float64]:
    """Return the first outline moved to the half-maximum outer edge and smoothed."""
    for _ in range(2):
        _, across = find_normals(base, axis.direction)
        profiles = _sample(femur, base, across)
        start = find_half_maximum_edges(
            profiles.reshape(-1, profiles.shape[-1]),
            first_mm=-RAY_IN_MM,
            step_mm=RAY_STEP_MM,
            look_in_mm=4.0,
            look_out_mm=2.0,
        )
        offset = start[:, X_OUT].reshape(base.shape[:2])
        smooth, _ = smooth_surface(
            offset,
            np.full(offset.shape, 0.1),
            base,
            ring_step_mm=settings.ring_step_mm,
            half_mm=settings.smooth_mm,
        )
        base = base + np.where(np.isfinite(smooth), smooth, 0.0)[..., None] * across
    return base


def _fit_surfaces(
    femur: Femur,
    axis: RoughAxis,
    heights: NDArray[np.float64],
    base: NDArray[np.float64],
    shaft: NDArray[np.bool_],
    settings: SegmentSettings,
) -> Cortex:
    n, m = base.shape[:2]
    normals, across = find_normals(base, axis.direction)
    profiles = _sample(femur, base, across).reshape(n * m, -1)
    start = find_half_maximum_edges(profiles, first_mm=-RAY_IN_MM, step_mm=RAY_STEP_MM)
    flat_normals, flat_across = normals.reshape(-1, 3), across.reshape(-1, 3)
    on_shaft = np.repeat(shaft, m)
    calibration = calibrate(
        profiles[on_shaft],
        start[on_shaft],
        flat_normals[on_shaft],
        flat_across[on_shaft],
        femur.crop,
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
    )
    through = femur.crop.index_to_lps_mm[:3, 0] / femur.crop.spacing_mm[0]
    blur = blur_along_rays_mm(calibration, flat_normals, flat_across, through)
    fitted, u_mm, rms = fit_wall(
        profiles,
        start,
        blur,
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
        cortex_hu=calibration.cortex_hu,
        cortex_u_hu=settings.cortex_prior_hu,
        noise_hu=NOISE_INFLATION * calibration.noise_hu,
    )
    contrast = calibration.cortex_hu
    trusted = (rms < np.maximum(LARGEST_RESIDUAL * contrast, 5 * calibration.noise_hu)) & (
        np.abs(fitted[:, X_OUT]) < 4.0
    )
    edges = np.where(trusted[:, None], fitted[:, [X_IN, X_OUT]], np.nan).reshape(n, m, 2)
    u_edges = CORRELATION * u_mm.reshape(n, m, 2)
    surfaces, uncertainties = [], []
    for which in (X_OUT, X_IN):
        smooth, spread = smooth_surface(
            edges[..., which],
            u_edges[..., which],
            base,
            ring_step_mm=settings.ring_step_mm,
            half_mm=settings.smooth_mm,
        )
        points = base + smooth[..., None] * across
        points += _curvature_correction(points, blur.reshape(n, m))[..., None] * across
        surfaces.append(points)
        uncertainties.append(np.hypot(spread / 3.0, u_edges[..., which] / 3.0))
    quality = _ring_quality(profiles.reshape(n, m, -1), surfaces, calibration, blur.reshape(n, m))
    return Cortex(
        femur=femur,
        heights_mm=heights,
        axis_point_lps_mm=axis.point_lps_mm,
        axis_direction=axis.direction,
        outer_lps_mm=surfaces[0],
        canal_lps_mm=surfaces[1],
        outer_u_mm=uncertainties[0],
        canal_u_mm=uncertainties[1],
        quality=quality,
        calibration=calibration,
    )


def _curvature_correction(
    points: NDArray[np.float64], blur_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return by how much a blurred, curved edge reads inwards: sigma squared over two radii [mm].

    Blurring a disc moves its half-level inwards by that; the ring's own curvature stands for the
    mean curvature, since along the shaft it is flat. Radii below 4 mm are not corrected further.
    """
    curvature = np.clip(find_ring_curvature(points), 0.0, 0.25)
    return np.nan_to_num(0.5 * blur_mm**2 * curvature)


def _ring_quality(
    profiles: NDArray[np.float32],
    surfaces: list[NDArray[np.float64]],
    calibration: Calibration,
    blur_mm: NDArray[np.float64],
) -> NDArray[np.int64]:
    outer, canal = surfaces
    missing = ~(np.isfinite(outer).all(-1) & np.isfinite(canal).all(-1))
    thickness = np.linalg.norm(outer - canal, axis=-1)
    near = profiles[..., int((RAY_IN_MM - 4) / RAY_STEP_MM) :]
    quality = np.zeros(len(outer), dtype=np.int64)
    with np.errstate(invalid="ignore"):
        thin = (thickness < 3 * blur_mm).mean(axis=1) > 0.1
        metal = (profiles > METAL_HU).any(axis=(1, 2))
    quality |= np.where(thin, int(Quality.THIN_CORTEX), 0)
    quality |= np.where(np.isnan(near).any(axis=(1, 2)), int(Quality.TOUCHES_EDGE), 0)
    quality |= np.where(
        missing.mean(axis=1) > LARGEST_GAP_SHARE, int(Quality.OUTLINE_INCOMPLETE), 0
    )
    quality |= np.where(metal, int(Quality.METAL), 0)
    return quality
