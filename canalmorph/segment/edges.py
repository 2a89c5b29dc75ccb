"""Edges of one surface: the model along every ray, smoothed over the surface, corners sharpened."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.femur import ENHANCEMENT_WIDTH, Calibration
from canalmorph.model.volume import NEVER_SCANNED_HU, CtVolume
from canalmorph.segment.blur import (
    blur_along_rays_mm,
    find_ripple_mm,
    slice_direction,
    wide_direction,
)
from canalmorph.segment.calibration import NOISE_INFLATION
from canalmorph.segment.settings import SegmentSettings
from canalmorph.segment.surface import smooth_surface
from canalmorph.segment.unblur import undo_blur
from canalmorph.segment.wall import (
    SINGLE_EDGE_MM,
    SINGLE_WINDOW,
    X_IN,
    X_OUT,
    Y_OUT,
    WallFit,
    fit_wall,
)

#: Rays begin this far inside the first outline and end this far outside. [mm]
RAY_IN_MM, RAY_OUT_MM, RAY_STEP_MM = 27.0, 5.0, 0.25
#: A fit whose residuals exceed this share of the wall's contrast is not trusted.
LARGEST_RESIDUAL = 0.15
#: A fitted edge this far from the surface it was looked for at is another edge. [mm]
LARGEST_MOVE_MM = 3.0
#: Samples 0.25 mm apart share their noise: covariances of single rays are too small by this factor.
CORRELATION = 3.0
#: What a point keeps, after smoothing over the settings' window, of the scatter that was smoothed
#: away and of the fit's own error: neighbouring rays share their noise. These and the two below
#: were chosen on points of random femora whose true surface is known (`cohort`, seeds to 18).
SCATTER_SHARE, FIT_SHARE = 0.6, 0.12
#: Rays as sure as this, in the middle, are smoothed over the settings' window. A quadratic's bias
#: grows with the fourth power of the window's size and its noise falls with the first, so that the
#: best size goes with the fifth root of the noise; within these bounds. [mm, 1, 1]
USUAL_U_MM, SMALLEST_WINDOW, LARGEST_WINDOW = 0.08, 0.75, 1.5
#: No edge is surer than the first; a corner's correction is trusted but for the second share.
LEAST_U_MM, CORNER_SHARE = 0.008, 0.25
#: Slices blur no leaning wall as a Gaussian would, and the wall bends within them: this share of
#: their blur, by the square of the normal's part across them.
LEANING_SHARE = 0.25
#: Where a wall lies oblique to the ring (slant below 1) a ray stretches what the blur across slices
#: leaves open, under the neck in thick slices by up to 3 mm: so many times its uncertainty.
OBLIQUE_US, LEAST_SLANT = 2.5, 0.2
#: Cortex differs in density from place to place by about this. [HU]
REGIONAL_U_HU = 50.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Rays:
    """Rays across a surface.

    Attributes
    ----------
    base, normals, across : (n, m, 3) float arrays
        Where the surface was looked for, its normals in space, and the rays' directions.
    profiles_hu : (n, m, s) float32 array
        Samples. [HU]
    start : (n * m, 6) float array
        Half-maximum edges.
    """

    base: NDArray[np.float64]
    normals: NDArray[np.float64]
    across: NDArray[np.float64]
    profiles_hu: NDArray[np.float32]
    start: NDArray[np.float64]

    def pick(self, every_ring: int, every_ray: int) -> "Rays":
        """Return every so-many-th ray of every so-many-th ring."""
        some = (slice(None, None, every_ring), slice(None, None, every_ray))
        start = self.start.reshape(*self.base.shape[:2], -1)[some]
        return Rays(
            base=self.base[some],
            normals=self.normals[some],
            across=self.across[some],
            profiles_hu=self.profiles_hu[some],
            start=start.reshape(-1, start.shape[-1]),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What is believed of the wall's density while an edge is read.

    Attributes
    ----------
    prior_u_hu : float
        How far a wall may differ from the scan's cortical density. [HU]
    single_edge_mm : float
        Walls thicker than this are fitted at the near edge alone. [mm]
    window : (float, float, float)
        Share of the wall that such a fit sees, at least and at most. [1, mm, mm]
    zone : bool
        Whether such a fit looks for a porous inner zone.
    """

    prior_u_hu: float
    single_edge_mm: float = SINGLE_EDGE_MM
    window: tuple[float, float, float] = SINGLE_WINDOW
    zone: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Surface:
    """Rings of one surface: points (n, m, 3), uncertainties, wall and blur (n, m) [mm].

    `cut` tells where the field of view cut the bone.
    """

    points_mm: NDArray[np.float64]
    outwards: NDArray[np.float64]
    u_mm: NDArray[np.float64]
    shared_u_mm: NDArray[np.float64]
    wall_mm: NDArray[np.float64]
    blur_mm: NDArray[np.float64]
    cut: NDArray[np.bool_]


def sample_across(
    crop: CtVolume,
    base: NDArray[np.float64],
    across: NDArray[np.float64],
    *,
    inside_mm: float = RAY_IN_MM,
) -> NDArray[np.float32]:
    """Return the samples (n, m, s) along rays from inside to outside of a surface [HU].

    They begin `inside_mm` before it. Where slices are missing they are NaN, as outside the scan.
    """
    n_samples = round((inside_mm + RAY_OUT_MM) / RAY_STEP_MM) + 1
    starts = base - inside_mm * across
    profiles = sample_rays(
        crop.voxels_hu,
        crop.index_to_lps_mm,
        starts,
        across,
        step_mm=RAY_STEP_MM,
        n_samples=n_samples,
    )
    for gap in crop.gaps:
        # Rings far from the gap are most of them: only those that may reach it are looked at.
        rows = gap.covers(base, reach_mm=inside_mm + RAY_OUT_MM).any(axis=1)
        steps = RAY_STEP_MM * np.arange(n_samples)[:, None]
        points = starts[rows][..., None, :] + steps * across[rows][..., None, :]
        profiles[rows] = np.where(gap.covers(points), np.nan, profiles[rows])
    return profiles


def fit_edges(
    crop: CtVolume,
    axis_direction: NDArray[np.float64],
    rays: Rays,
    calibration: Calibration,
    settings: SegmentSettings,
    reading: Reading,
) -> Surface:
    """Return the far edge of the model along every ray, smoothed, its corners sharpened.

    Parameters
    ----------
    crop : CtVolume
        For the directions in which blur differs.
    axis_direction : (3,) float array
        Perpendicular to the rings.
    rays : Rays
        Across the wall.
    calibration : Calibration
        Density, blur, kernel and noise.
    settings : SegmentSettings
        Smoothing.
    reading : Reading
        What is believed of the wall.
    """
    shape = rays.base.shape[:2]
    kernel = (calibration.enhancement, ENHANCEMENT_WIDTH)
    blur = _blur_across_mm(crop, rays, calibration)
    fit = _fit_model(rays, blur, calibration, reading)
    fitted = fit.parameters
    edge = np.where(_is_trusted(fit, calibration), fitted[:, X_OUT], np.nan).reshape(shape)
    u_edge = CORRELATION * fit.u_mm.reshape(shape)
    window = _size_window(u_edge[np.isfinite(edge)])
    points, spread = smooth_points(
        rays.base + edge[..., None] * rays.across, u_edge, rays.base, settings, window=window
    )
    slant = np.abs((rays.normals * rays.across).sum(axis=-1))
    stretch = 1.0 / np.maximum(slant, LEAST_SLANT) - 1.0
    oblique_u_mm = OBLIQUE_US * calibration.blur_through_plane_u_mm * stretch
    lean = rays.normals @ slice_direction(crop)
    outwards = rays.across * np.sign(np.nanmedian(_outwardness(points, rays.across)))
    along = _blur_along_outline_mm(crop, axis_direction, outwards, calibration)
    sharp, shift = undo_blur(points, outwards, blur, kernel, axis_direction, along)
    return Surface(
        points_mm=sharp,
        outwards=outwards,
        u_mm=_combine_u_mm(
            np.sqrt(
                ((SCATTER_SHARE * spread) ** 2 + (FIT_SHARE * u_edge) ** 2) / window**2
                + (LEANING_SHARE * calibration.blur_through_plane_mm * lean**2) ** 2
                + find_ripple_mm(rays.normals, crop) ** 2
            ),
            shift,
            fit.slopes[:, 0].reshape(shape),
        ),
        shared_u_mm=np.hypot(
            _find_shared_u_mm(fit.slopes, calibration).reshape(shape), oblique_u_mm
        ),
        wall_mm=(fitted[:, X_OUT] - fitted[:, X_IN]).reshape(shape),
        blur_mm=blur,
        cut=(fitted[:, Y_OUT] <= NEVER_SCANNED_HU).reshape(shape),
    )


def read_edges_mm(
    crop: CtVolume, rays: Rays, calibration: Calibration, reading: Reading
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return each ray's far edge and the thickness of its wall, (n, m), NaN if not trusted [mm].

    They are no surface: nothing is smoothed.
    """
    fit = _fit_model(rays, _blur_across_mm(crop, rays, calibration), calibration, reading)
    edge = np.where(_is_trusted(fit, calibration), fit.parameters[:, X_OUT], np.nan)
    shape = rays.base.shape[:2]
    return edge.reshape(shape), (edge - fit.parameters[:, X_IN]).reshape(shape)


def _blur_across_mm(crop: CtVolume, rays: Rays, calibration: Calibration) -> NDArray[np.float64]:
    """Return the blur along each ray, (n, m) [mm]."""
    normals, across = rays.normals.reshape(-1, 3), rays.across.reshape(-1, 3)
    return blur_along_rays_mm(calibration, normals, across, crop).reshape(rays.base.shape[:2])


def _fit_model(
    rays: Rays, blur_mm: NDArray[np.float64], calibration: Calibration, reading: Reading
) -> WallFit:
    """Return the blurred-cortex model of every ray, one after the other."""
    return fit_wall(
        rays.profiles_hu.reshape(-1, rays.profiles_hu.shape[-1]),
        rays.start,
        blur_mm.ravel(),
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
        cortex_hu=calibration.cortex_hu,
        cortex_u_hu=reading.prior_u_hu,
        noise_hu=NOISE_INFLATION * calibration.noise_hu,
        kernel=(calibration.enhancement, ENHANCEMENT_WIDTH),
        single_edge_mm=reading.single_edge_mm,
        window=reading.window,
        zone_hu=calibration.cortex_hu if reading.zone else 0.0,
    )


def _is_trusted(fit: WallFit, calibration: Calibration) -> NDArray[np.bool_]:
    """Return which fits lie near to their samples and to where they began, in what was imaged."""
    limit_hu = max(LARGEST_RESIDUAL * calibration.cortex_hu, 5 * calibration.noise_hu)
    near = np.abs(fit.parameters[:, X_OUT]) < LARGEST_MOVE_MM
    imaged = fit.parameters[:, Y_OUT] > NEVER_SCANNED_HU
    return np.asarray((fit.rms_hu < limit_hu) & near & imaged)


def _blur_along_outline_mm(
    crop: CtVolume,
    axis_direction: NDArray[np.float64],
    outwards: NDArray[np.float64],
    calibration: Calibration,
) -> NDArray[np.float64] | None:
    """Return the blur along rings where it is another than across them [mm]."""
    if wide_direction(crop) is None:
        return None
    tangents = np.cross(axis_direction, outwards)
    return blur_along_rays_mm(calibration, tangents, tangents, crop)


def _size_window(u_mm: NDArray[np.float64]) -> float:
    """Return the size of the smoothing window for rays this sure, as a share of the settings'."""
    if len(u_mm) == 0:
        return 1.0
    share = (float(np.median(u_mm)) / USUAL_U_MM) ** 0.2
    return float(np.clip(share, SMALLEST_WINDOW, LARGEST_WINDOW))


def _combine_u_mm(
    noise_mm: NDArray[np.float64],
    shift_mm: NDArray[np.float64],
    density_slope: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return the uncertainty of each smoothed point that its neighbours do not share far [mm]."""
    shape = np.hypot(LEAST_U_MM, CORNER_SHARE * shift_mm)
    return np.asarray(np.sqrt(noise_mm**2 + shape**2 + (REGIONAL_U_HU * density_slope) ** 2))


def _find_shared_u_mm(slopes: NDArray[np.float64], calibration: Calibration) -> NDArray[np.float64]:
    """Return what the calibration's own uncertainty does to every edge at once [mm]."""
    causes = [calibration.shared_u_hu, calibration.blur_u_mm, calibration.enhancement_u]
    return np.asarray(np.sqrt(np.square(slopes * causes).sum(axis=1)))


def smooth_points(
    points: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    base: NDArray[np.float64],
    settings: SegmentSettings,
    *,
    window: float = 1.0,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the points smoothed over the surface, and the scatter that was smoothed away [mm].

    `window` is the size of the smoothing window as a share of the settings'.
    """
    return smooth_surface(
        points,
        u_mm,
        base,
        ring_step_mm=settings.ring_step_mm,
        half_mm=(window * settings.smooth_along_mm, window * settings.smooth_across_mm),
    )


def _outwardness(points: NDArray[np.float64], across: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return positive numbers where the rays point away from the rings' centres."""
    known = np.isfinite(points[..., :1])
    total = np.where(known, points, 0.0).sum(axis=1, keepdims=True)
    centres = total / np.maximum(known.sum(axis=1, keepdims=True), 1)  # a ring may be all unknown
    return np.asarray(((points - centres) * across).sum(-1))
