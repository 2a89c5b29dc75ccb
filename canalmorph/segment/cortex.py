"""The stage: rings of a femur's outer surface and of its canal, with their uncertainty."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import HeadNotInViewError, SlicesAlongShaftError
from canalmorph.flags import Quality
from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.femur import Calibration, Cortex, Femur
from canalmorph.segment.calibration import (
    ENHANCEMENT_WIDTH,
    NOISE_INFLATION,
    WallRays,
    blur_along_rays_mm,
    calibrate,
    slice_axis,
    slice_direction,
)
from canalmorph.segment.half_maximum import find_half_maximum_edges
from canalmorph.segment.rings import RoughAxis, find_first_outlines, find_rough_axis
from canalmorph.segment.settings import SegmentSettings
from canalmorph.segment.surface import (
    find_normals,
    find_radial_rays,
    find_ring_centres,
    smooth_surface,
)
from canalmorph.segment.unblur import undo_blur
from canalmorph.segment.wall import X_IN, X_OUT, Y_OUT, fit_wall

#: Rays begin this far inside the first outline and end this far outside. [mm]
RAY_IN_MM, RAY_OUT_MM, RAY_STEP_MM = 27.0, 5.0, 0.25
#: Shaft rings for calibration lie this far below the head's centre. [mm]
SHAFT_BELOW_HEAD_MM = 75.0
#: A sample above this is metal or clipped. [HU]
METAL_HU = 2900.0
#: A fit whose residuals exceed this share of the wall's contrast is not trusted.
LARGEST_RESIDUAL = 0.15
#: A fitted edge this far from the surface it was looked for at is another edge. [mm]
LARGEST_MOVE_MM = 3.0
#: Slices thicker than this must run across the shaft, nearer to it than 45 degrees. [mm]
THICK_SLICE_MM, LEAST_ACROSS = 1.25, 0.7
#: Bone never borders on air: where it seems to, the field of view ended there. [HU]
NEVER_SCANNED_HU = -600.0
#: Samples 0.25 mm apart share their noise: covariances of single rays are too small by this factor.
CORRELATION = 3.0
#: A point smoothed over its window is this many times surer than a single ray.
SMOOTHED_BY = 3.0
#: No edge is surer than the first; a corner's correction is trusted but for the second share.
LEAST_U_MM, CORNER_SHARE = 0.015, 0.25
#: Cortex differs in density from place to place by about this. [HU]
REGIONAL_U_HU = 50.0
#: More than this share of a ring without trusted edges leaves the ring incomplete.
LARGEST_GAP_SHARE = 0.1


#: Base, normals of the wall, directions, profiles and start values.
_Rays = tuple[
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float64],
    NDArray[np.float32],
    NDArray[np.float64],
]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Surface:
    """Rings of one surface: points (n, m, 3), uncertainties, wall and blur (n, m) [mm].

    `cut` tells where the field of view cut the bone.
    """

    points_mm: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    shared_u_mm: NDArray[np.float64]
    wall_mm: NDArray[np.float64]
    blur_mm: NDArray[np.float64]
    cut: NDArray[np.bool_]


def segment_cortex(femur: Femur, settings: SegmentSettings) -> Cortex:
    """Return the outer and inner surface of a femur's cortex.

    The bone's first outline is taken on sections across a rough axis and moved to its half
    maximum; from there, rays across the outer surface, and then rays across the canal's, are
    fitted with the blurred-cortex model. Density and blur come from the scan's own thick walls.

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
    SlicesAlongShaftError
        If thick slices run along the shaft, so that its walls are blurred over their thickness.
    """
    if femur.head is None:
        raise HeadNotInViewError(side=femur.side.value)
    axis = find_rough_axis(femur, femur.head)
    _refuse_thick_slices_along_shaft(femur, axis)
    heights = _ring_heights(femur, axis, settings)
    return segment_tube(femur, axis, heights, heights < -SHAFT_BELOW_HEAD_MM, settings)


def segment_tube(
    femur: Femur,
    axis: RoughAxis,
    heights: NDArray[np.float64],
    shaft: NDArray[np.bool_],
    settings: SegmentSettings,
) -> Cortex:
    """Return both surfaces of any tubular bone along a rough axis.

    Parameters
    ----------
    femur : Femur
        The bone; its head is only used to leave out the hip's socket.
    axis : RoughAxis
        Along the bone.
    heights : (n,) float array
        Of the rings along the axis, ascending. [mm]
    shaft : (n,) bool array
        Rings whose walls tell density and blur.
    settings : SegmentSettings
        Rings, rays, priors.
    """
    base = find_first_outlines(femur, axis, heights, settings)
    base = _half_maximum_surface(femur, axis, base, settings)
    outer, rough_canal, calibration = _fit_outer(femur, axis, base, shaft, settings)
    canal = _fit_canal(femur, axis, outer.points_mm, rough_canal, calibration, settings)
    return Cortex(
        femur=femur,
        heights_mm=heights,
        axis_point_lps_mm=axis.point_lps_mm,
        axis_direction=axis.direction,
        outer_lps_mm=outer.points_mm,
        canal_lps_mm=canal.points_mm,
        outer_u_mm=outer.u_mm,
        canal_u_mm=canal.u_mm,
        outer_shared_u_mm=outer.shared_u_mm,
        canal_shared_u_mm=canal.shared_u_mm,
        quality=_ring_quality(femur, axis, outer, canal),
        calibration=calibration,
    )


def _refuse_thick_slices_along_shaft(femur: Femur, axis: RoughAxis) -> None:
    spacing_mm = float(femur.crop.spacing_mm[slice_axis(femur.crop)])
    along = abs(float(slice_direction(femur.crop) @ axis.direction))
    if along < LEAST_ACROSS and spacing_mm > THICK_SLICE_MM:
        raise SlicesAlongShaftError(side=femur.side.value, spacing_mm=spacing_mm)


def _ring_heights(femur: Femur, axis: RoughAxis, settings: SegmentSettings) -> NDArray[np.float64]:
    """Return heights from the lower end of the shaft in view up to the head's centre."""
    lowest = float(((femur.shaft_path_lps_mm - axis.point_lps_mm) @ axis.direction).min())
    lowest = max(lowest, -settings.lowest_below_head_mm)
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
    """Return the first outline moved to the half-maximum outer edge, as a smooth surface.

    The points themselves are smoothed, not their moves: a smooth move would keep the steps of
    the pixels that the first outline was found on.
    """
    for _ in range(2):
        _, across = find_normals(base, axis.direction)
        profiles = _sample(femur, base, across)
        start = find_half_maximum_edges(
            profiles.reshape(-1, profiles.shape[-1]),
            first_mm=-RAY_IN_MM,
            step_mm=RAY_STEP_MM,
            look_in_mm=4.0,
            look_out_mm=3.0,
        )
        points = base + start[:, X_OUT].reshape(base.shape[:2])[..., None] * across
        smooth = _smooth_points(points, np.full(base.shape[:2], 0.1), base, settings)[0]
        base = np.where(np.isfinite(smooth), smooth, base)
    return base


def _fit_outer(
    femur: Femur,
    axis: RoughAxis,
    base: NDArray[np.float64],
    shaft: NDArray[np.bool_],
    settings: SegmentSettings,
) -> tuple[_Surface, NDArray[np.float64], Calibration]:
    """Return the outer surface, rough canal points, and the scan's calibration."""
    normals, across = find_normals(base, axis.direction)
    profiles = _sample(femur, base, across)
    flat = profiles.reshape(-1, profiles.shape[-1])
    start = find_half_maximum_edges(flat, first_mm=-RAY_IN_MM, step_mm=RAY_STEP_MM)
    on_shaft = np.repeat(shaft, base.shape[1])
    walls = WallRays(
        profiles_hu=flat[on_shaft],
        start=start[on_shaft],
        normals=normals.reshape(-1, 3)[on_shaft],
        across=across.reshape(-1, 3)[on_shaft],
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
    )
    calibration = calibrate(walls, femur.crop)
    rays = (base, normals, across, profiles, start)
    surface = _fit_edges(femur, axis, rays, calibration, settings)
    depth = _seen_depth_mm(start).reshape(base.shape[:2])
    return surface, base + depth[..., None] * across, calibration


def _seen_depth_mm(start: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where the wall's inner edge was seen along each ray, NaN where it goes on [mm]."""
    return np.where(start[:, X_IN] > -RAY_IN_MM, start[:, X_IN], np.nan)


def _fit_canal(
    femur: Femur,
    axis: RoughAxis,
    outer: NDArray[np.float64],
    rough_canal: NDArray[np.float64],
    calibration: Calibration,
    settings: SegmentSettings,
) -> _Surface:
    """Return the canal's surface, along rays across the canal's own wall.

    Rays across the outer surface meet the canal at a slant where the wall is thick, so that the
    canal has rays of its own: first along radii from its centre, inwards from the outer surface,
    then across the surface that they gave.
    """
    centres = find_ring_centres(rough_canal)
    base, outwards = find_radial_rays(outer, centres, axis.first, axis.second)
    profiles = _sample(femur, base, outwards)
    start = find_half_maximum_edges(
        profiles.reshape(-1, profiles.shape[-1]), first_mm=-RAY_IN_MM, step_mm=RAY_STEP_MM
    )
    depth = _seen_depth_mm(start).reshape(base.shape[:2])
    rough = base + depth[..., None] * outwards
    canal, _ = _smooth_points(rough, np.full(depth.shape, 0.1), rough, settings)
    normals, across = find_normals(canal, axis.direction)
    profiles = _sample(femur, canal, -across)
    start = find_half_maximum_edges(
        profiles.reshape(-1, profiles.shape[-1]),
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
        look_in_mm=4.0,
        look_out_mm=0.5,
    )
    rays = (canal, -normals, -across, profiles, start)
    return _fit_edges(femur, axis, rays, calibration, settings)


def _fit_edges(
    femur: Femur,
    axis: RoughAxis,
    rays: _Rays,
    calibration: Calibration,
    settings: SegmentSettings,
) -> _Surface:
    """Fit the model along every ray; return its far edge, smoothed, its corners sharpened.

    `rays` are their base, the wall's normals, the directions, the profiles and the start values.
    """
    base, normals, across, profiles, start = rays
    shape = base.shape[:2]
    through = slice_direction(femur.crop)
    blur = blur_along_rays_mm(calibration, normals.reshape(-1, 3), across.reshape(-1, 3), through)
    kernel = (calibration.enhancement, ENHANCEMENT_WIDTH)
    fit = fit_wall(
        profiles.reshape(-1, profiles.shape[-1]),
        start,
        blur,
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
        cortex_hu=calibration.cortex_hu,
        cortex_u_hu=settings.cortex_prior_hu,
        noise_hu=NOISE_INFLATION * calibration.noise_hu,
        kernel=kernel,
    )
    fitted, u_mm, rms = fit.parameters, fit.u_mm, fit.rms_hu
    limit = max(LARGEST_RESIDUAL * calibration.cortex_hu, 5 * calibration.noise_hu)
    trusted = (rms < limit) & (np.abs(fitted[:, X_OUT]) < LARGEST_MOVE_MM)
    trusted &= fitted[:, Y_OUT] > NEVER_SCANNED_HU
    edge = np.where(trusted, fitted[:, X_OUT], np.nan).reshape(shape)
    u_edge = CORRELATION * u_mm.reshape(shape)
    points, spread = _smooth_points(base + edge[..., None] * across, u_edge, base, settings)
    outwards = across * np.sign(np.nanmedian(_outwardness(points, across)))
    blur = blur.reshape(shape)
    sharp, shift = undo_blur(points, outwards, blur, kernel, axis.direction)
    return _Surface(
        points_mm=sharp,
        u_mm=_combine_u_mm(spread, u_edge, shift, fit.slopes[:, 0].reshape(shape)),
        shared_u_mm=_find_shared_u_mm(fit.slopes, calibration).reshape(shape),
        wall_mm=(fitted[:, X_OUT] - fitted[:, X_IN]).reshape(shape),
        blur_mm=blur,
        cut=(fitted[:, Y_OUT] <= NEVER_SCANNED_HU).reshape(shape),
    )


def _combine_u_mm(
    spread_mm: NDArray[np.float64],
    u_edge_mm: NDArray[np.float64],
    shift_mm: NDArray[np.float64],
    density_slope: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the uncertainty of each smoothed point that its neighbours do not share far [mm]."""
    noise = np.hypot(spread_mm, u_edge_mm) / SMOOTHED_BY
    shape = np.hypot(LEAST_U_MM, CORNER_SHARE * shift_mm)
    return np.asarray(np.sqrt(noise**2 + shape**2 + (REGIONAL_U_HU * density_slope) ** 2))


def _find_shared_u_mm(slopes: NDArray[np.float64], calibration: Calibration) -> NDArray[np.float64]:
    """Return what the calibration's own uncertainty does to every edge at once [mm]."""
    causes = [
        calibration.shared_u_hu,
        calibration.blur_u_mm,
        calibration.enhancement_u,
    ]
    return np.asarray(np.sqrt(np.square(slopes * causes).sum(axis=1)))


def _smooth_points(
    points: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    base: NDArray[np.float64],
    settings: SegmentSettings,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the points smoothed over the surface, and the scatter that was smoothed away [mm]."""
    return smooth_surface(
        points,
        u_mm,
        base,
        ring_step_mm=settings.ring_step_mm,
        half_mm=(settings.smooth_along_mm, settings.smooth_across_mm),
    )


def _outwardness(points: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return positive numbers where the rays point away from the rings' centres."""
    known = np.isfinite(points[..., :1])
    total = np.where(known, points, 0.0).sum(axis=1, keepdims=True)
    centres = total / np.maximum(known.sum(axis=1, keepdims=True), 1)  # a ring may be all unknown
    return np.asarray(((points - centres) * across).sum(-1))


def _ring_quality(
    femur: Femur, axis: RoughAxis, outer: _Surface, canal: _Surface
) -> NDArray[np.int64]:
    """Return the quality bits of each ring."""
    quality = np.zeros(len(outer.points_mm), dtype=np.int64)
    with np.errstate(invalid="ignore"):
        thin = (canal.wall_mm < 3 * canal.blur_mm).mean(axis=1) > 0.1
    quality |= np.where(thin, int(Quality.THIN_CORTEX), 0)
    for surface in (outer, canal):
        missing = np.isnan(surface.points_mm[..., 0]).mean(axis=1)
        quality |= np.where(missing > LARGEST_GAP_SHARE, int(Quality.OUTLINE_INCOMPLETE), 0)
    _, across = find_normals(outer.points_mm, axis.direction)
    near = _sample(femur, outer.points_mm, across)[..., round((RAY_IN_MM - 15) / RAY_STEP_MM) :]
    beside = near[..., round(13 / RAY_STEP_MM) :]
    with np.errstate(invalid="ignore"):
        metal = (near > METAL_HU).any(axis=(1, 2))
    quality |= np.where(metal, int(Quality.METAL), 0)
    known = np.isfinite(outer.points_mm[..., 0])
    with np.errstate(invalid="ignore"):
        unseen = (~(beside > NEVER_SCANNED_HU)).any(axis=2) & known
    edge = (unseen | outer.cut).any(axis=1)
    return quality | np.where(edge, int(Quality.TOUCHES_EDGE), 0)
