"""What a scan tells of itself: noise, cortical density and blur, from its own thick walls."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.femur import ENHANCEMENT_WIDTH, Calibration
from canalmorph.model.volume import CtVolume
from canalmorph.segment.blur import (
    declare_through_plane_blur_mm,
    declare_uneven_blur_mm,
    slice_direction,
    wide_direction,
)
from canalmorph.segment.wall import (
    BLUR,
    NO_ENHANCEMENT,
    SINGLE_WINDOW,
    X_IN,
    X_OUT,
    Y_CORTEX,
    WallFit,
    fit_wall,
)

#: Walls from which density and blur are read: the thickest class that the scan has enough of, as
#: blurred walls look. Beside each class how far its density may differ from that of other walls,
#: and the share of the wall that the fit sees from its outer edge, whose inner part may be porous;
#: none where a wall is too thin to be seen but whole. [mm, HU, 1]
WALL_CLASSES = ((4.0, 30.0, 0.7), (2.5, 40.0, 0.5), (2.0, 60.0, None), (1.2, 60.0, None))
#: Where single rays scatter more than this, density and thickness are not told apart; the blur is
#: known all the same. [HU]
LARGEST_SCATTER_HU = 150.0
#: Where fewer thick rays exist than this, the calibration falls back on the prior below.
FEWEST_RAYS = 60
#: A class of thinner walls stands for the scan where it has this share of all rays.
LEAST_SHARE = 0.05
#: At most this many rays are fitted: their spread is known long before.
MOST_RAYS = 3000
#: Prior where the scan has no thick wall: middle of the published and remembered range, and its
#: spread, so that the uncertainty says how little is known. [HU, mm]
PRIOR_CORTEX_HU, PRIOR_CORTEX_U_HU = 1500.0, 200.0
PRIOR_BLUR_MM, PRIOR_BLUR_U_MM = 0.6, 0.12
#: Thinner walls do not tell an enhanced edge from dense cortex. [mm]
ENHANCEMENT_FROM_MM = 2.5
#: Unknown enhancement is uncertain by this.
PRIOR_ENHANCEMENT_U = 0.1
#: Strengths of edge enhancement that are tried; weaker ones than the last are noise.
ENHANCEMENTS = (0.0, 0.15, 0.3, 0.45)
LEAST_ENHANCEMENT = 0.02
#: The blur across slices as the file declares it is uncertain by this share: files tell neither the
#: slices' profile nor the focus.
DECLARED_U_SHARE = 0.2
#: Rays that slant more to the wall tell no blur; neighbouring ones share their errors by the second
#: number; the blur across slices is no surer than the third, and of more than the fourth the fit,
#: which looks 2.5 mm into the wall, sees too little. [1, 1, mm, mm]
LEAST_SLANT, SHARED_RAYS = 0.5, 8.0
LEAST_THROUGH_PLANE_U_MM, LARGEST_SEEN_BLUR_MM = 0.03, 1.2
#: Voxels between these are soft tissue, which tells the noise. [HU]
SOFT_HU = (-70, 170)
#: Neighbouring samples of a ray share their noise; this inflation keeps the priors in proportion.
NOISE_INFLATION = 2.0


def estimate_noise(crop: CtVolume) -> float:
    """Return the noise of the soft tissue, from differences of neighbouring slices [HU].

    The 10 HU floor keeps a noise-free phantom from overruling every prior.
    """
    voxels = crop.voxels_hu[:, ::2, ::2]
    soft = (voxels > SOFT_HU[0]) & (voxels < SOFT_HU[1])
    steps = np.diff(voxels, axis=0)[soft[:-1] & soft[1:]]
    if len(steps) < 1000:
        return 30.0
    return max(10.0, float(1.4826 * np.median(np.abs(steps)) / np.sqrt(2.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WallRays:
    """Rays through walls of the shaft.

    Attributes
    ----------
    profiles_hu : (n, s) float32 array
        Samples outwards. [HU]
    start : (n, 6) float array
        Half-maximum edges.
    normals, across : (n, 3) float arrays
        Wall normals in patient space and the rays' directions.
    first_mm, step_mm : float
        Place of the first sample and distance of the samples. [mm]
    """

    profiles_hu: NDArray[np.float32]
    start: NDArray[np.float64]
    normals: NDArray[np.float64]
    across: NDArray[np.float64]
    first_mm: float
    step_mm: float

    def pick(self, rows: NDArray[np.int64]) -> "WallRays":
        """Return some of the rays."""
        return replace(
            self,
            profiles_hu=self.profiles_hu[rows],
            start=self.start[rows],
            normals=self.normals[rows],
            across=self.across[rows],
        )

    def fit(
        self,
        blur_mm: NDArray[np.float64],
        noise_hu: float,
        *,
        cortex: tuple[float, float] | None = None,
        blur_u_mm: float | None = 0.0,
        kernel: tuple[float, float] = NO_ENHANCEMENT,
        seen_share: float | None = WALL_CLASSES[0][2],
    ) -> WallFit:
        """Fit the rays; by default with density and blur free, at the outer edge."""
        return fit_wall(
            self.profiles_hu,
            self.start,
            blur_mm,
            first_mm=self.first_mm,
            step_mm=self.step_mm,
            cortex_hu=None if cortex is None else cortex[0],
            cortex_u_hu=0.0 if cortex is None else cortex[1],
            noise_hu=NOISE_INFLATION * noise_hu,
            blur_u_mm=blur_u_mm,
            kernel=kernel,
            single_edge_mm=np.inf if seen_share is None else 0.0,
            window=(seen_share or 1.0, *SINGLE_WINDOW[1:]),
        )


def calibrate(rays: WallRays, crop: CtVolume, *, everywhere: WallRays | None = None) -> Calibration:
    """Return density, blur, edge enhancement and noise, from the thickest walls that there are.

    Every such wall is fitted with density and blur free, for a few strengths of enhancement; the
    strength that leaves the least residuals is the scan's. Of walls above 2.5 mm the outer
    edge alone is used, since the inner one may be porous. Walls of 1 mm tell the blur, but not
    their density, which keeps the prior and its uncertainty.

    Parameters
    ----------
    rays : WallRays
        Through the shaft's walls.
    crop : CtVolume
        For noise and slices.
    everywhere : WallRays, optional
        Of the whole bone: its walls run oblique to the slices too, and tell the blur across them.
        What the file declares of the slices stands in where it is left out or tells too little.
    """
    noise_hu = estimate_noise(crop)
    blur_z_mm = declare_through_plane_blur_mm(crop)
    unknown = Calibration(
        cortex_hu=PRIOR_CORTEX_HU,
        cortex_u_hu=PRIOR_CORTEX_U_HU,
        blur_in_plane_mm=PRIOR_BLUR_MM,
        blur_through_plane_mm=blur_z_mm,
        blur_u_mm=PRIOR_BLUR_U_MM,
        blur_through_plane_u_mm=DECLARED_U_SHARE * blur_z_mm,
        blur_uneven_mm=declare_uneven_blur_mm(crop),
        enhancement=0.0,
        enhancement_u=PRIOR_ENHANCEMENT_U,
        shared_u_hu=PRIOR_CORTEX_U_HU,
        noise_hu=noise_hu,
        n_rays=0,
    )
    wall_mm = rays.start[:, X_OUT] - rays.start[:, X_IN]
    found = _choose_class(wall_mm)
    if found is None:
        return unknown
    least_mm, shared_u_hu, seen_share = found
    seen = np.flatnonzero(wall_mm > least_mm)
    chosen = rays.pick(seen[:: max(1, len(seen) // MOST_RAYS)])
    sharp = least_mm >= ENHANCEMENT_FROM_MM
    enhancement = _find_enhancement(chosen, noise_hu, seen_share) if sharp else 0.0
    fit = chosen.fit(
        np.full(len(chosen.start), PRIOR_BLUR_MM),
        noise_hu,
        kernel=(enhancement, ENHANCEMENT_WIDTH),
        seen_share=seen_share,
    )
    good = np.isfinite(fit.parameters[:, BLUR])
    if good.sum() < FEWEST_RAYS:
        return unknown
    blur_mm, uneven_mm = _in_plane_blur_mm(chosen, fit, good, blur_z_mm, crop)
    density = fit.parameters[good, Y_CORTEX]
    cortex_hu = float(np.median(density))
    scatter_hu = float(1.4826 * np.median(np.abs(density - cortex_hu)))
    known = replace(
        unknown,
        blur_in_plane_mm=blur_mm,
        blur_u_mm=0.05 * blur_mm,
        blur_uneven_mm=uneven_mm,
        enhancement=enhancement,
        enhancement_u=0.04 if sharp else PRIOR_ENHANCEMENT_U,
    )
    if everywhere is not None:
        known = _see_through_plane(everywhere, known, crop)
    if scatter_hu > LARGEST_SCATTER_HU:
        return known
    return replace(
        known,
        cortex_hu=cortex_hu,
        cortex_u_hu=scatter_hu,
        shared_u_hu=shared_u_hu,
        n_rays=int(good.sum()),
    )


def _choose_class(wall_mm: NDArray[np.float64]) -> tuple[float, float, float | None] | None:
    """Return the thickest class of walls with enough rays, or None.

    Of thin classes a share of all rays is asked for: a few look thicker than they are by noise,
    and would be read as more blurred.
    """
    for wall_class in WALL_CLASSES:
        share = 0.0 if wall_class is WALL_CLASSES[0] else LEAST_SHARE * len(wall_mm)
        if np.count_nonzero(wall_mm > wall_class[0]) >= max(FEWEST_RAYS, share):
            return wall_class
    return None


def _in_plane_blur_mm(
    rays: WallRays, fit: WallFit, good: NDArray[np.bool_], blur_z_mm: float, crop: CtVolume
) -> tuple[float, float]:
    """Return the in-plane blur, and what pixels that are not square add along their wide side [mm].

    It is the blur across the wall, less the slices' part of it.
    """
    n_z = np.abs(rays.normals @ slice_direction(crop))[good]
    slant = np.abs(np.sum(rays.normals * rays.across, axis=1))[good]
    in_plane = (fit.parameters[good, BLUR] * slant) ** 2 - (blur_z_mm * n_z) ** 2
    wide = wide_direction(crop)
    if wide is not None:
        terms = np.stack([1.0 - n_z**2, (rays.normals[good] @ wide) ** 2], axis=1)
        square, uneven = np.maximum(_fit_variances(terms, in_plane)[0], [0.15**2, 0.0])
        return float(np.sqrt(square)), float(np.sqrt(uneven))
    in_plane = np.sqrt(np.maximum(in_plane / np.maximum(1 - n_z**2, 0.05), 0.15**2))
    return float(np.median(in_plane)), 0.0


def _fit_variances(
    terms: NDArray[np.float64], variance: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return what the terms (n, m) count for in the variances (n,), outliers aside; and how surely.

    The second are the variances of the m numbers, for rays whose errors are their own.
    """
    weights = np.ones(len(variance))
    for _ in range(15):
        weighted = terms * weights[:, None]
        found = np.linalg.lstsq(weighted, variance * weights, rcond=None)[0]
        left = variance - terms @ found
        scatter = 1.4826 * float(np.median(np.abs(left)))
        weights = 1.0 / np.sqrt(1.0 + np.square(left / (2.0 * scatter + 1e-9)))
    weighted = terms * weights[:, None]
    return np.asarray(found), np.diagonal(np.linalg.pinv(weighted.T @ weighted)) * scatter**2


def _see_through_plane(rays: WallRays, known: Calibration, crop: CtVolume) -> Calibration:
    """Return the calibration with the blur across slices as oblique walls show it.

    Across a wall whose normal leans out of the slices by n, the blur's variance is
    ``in_plane^2 (1 - n^2) + through_plane^2 n^2``: a straight line in n^2, fitted without its
    outliers over the thick walls of the whole bone. Every such ray counts: each second one would
    be another in the mirror.
    """
    least_mm, _, seen_share = WALL_CLASSES[0]
    slant = np.abs(np.sum(rays.normals * rays.across, axis=1))
    wall_mm = rays.start[:, X_OUT] - rays.start[:, X_IN]
    rows = np.flatnonzero((wall_mm > least_mm) & (slant > LEAST_SLANT))
    if len(rows) < FEWEST_RAYS:
        return known
    chosen = rays.pick(rows)
    fit = chosen.fit(
        np.full(len(rows), known.blur_in_plane_mm),
        known.noise_hu,
        kernel=(known.enhancement, ENHANCEMENT_WIDTH),
        seen_share=seen_share,
    )
    good = np.isfinite(fit.parameters[:, BLUR])
    lean = (chosen.normals @ slice_direction(crop))[good] ** 2
    variance = (fit.parameters[good, BLUR] * slant[rows][good]) ** 2
    wide = wide_direction(crop)
    if wide is not None:
        variance -= np.square(known.blur_uneven_mm * (chosen.normals[good] @ wide))
    found, doubt = _fit_variances(np.stack([1.0 - lean, lean], axis=1), variance)
    spread = doubt[1] * SHARED_RAYS
    if found[1] <= 0.0:
        return known
    blur_mm = float(np.sqrt(found[1]))
    u_mm = float(np.hypot(np.sqrt(spread) / (2.0 * blur_mm), LEAST_THROUGH_PLANE_U_MM))
    if blur_mm > LARGEST_SEEN_BLUR_MM or u_mm > known.blur_through_plane_u_mm:
        return known
    return replace(known, blur_through_plane_mm=blur_mm, blur_through_plane_u_mm=u_mm)


def _find_enhancement(rays: WallRays, noise_hu: float, seen_share: float | None) -> float:
    """Return the edge enhancement that leaves the least residuals: a parabola's vertex.

    Rays with a neighbour outside (a vessel, another bone) do not count: the median of the ratio
    to the ray's own best stands for all.
    """
    blur = np.full(len(rays.start), PRIOR_BLUR_MM)
    residuals = np.stack(
        [
            rays.fit(
                blur, noise_hu, kernel=(strength, ENHANCEMENT_WIDTH), seen_share=seen_share
            ).rms_hu
            ** 2
            for strength in ENHANCEMENTS
        ]
    )
    known = np.isfinite(residuals).all(axis=0)
    if known.sum() < FEWEST_RAYS:
        return 0.0
    least = residuals[:, known].min(axis=0)
    kept = least < 4 * np.median(least)
    cost = residuals[:, known][:, kept].mean(axis=1)
    best = int(np.clip(np.argmin(cost), 1, len(cost) - 2))
    near = slice(best - 1, best + 2)
    bend, slope, _ = np.polyfit(np.array(ENHANCEMENTS[near]), cost[near], 2)
    if bend <= 0:
        return float(ENHANCEMENTS[int(np.argmin(cost))])
    strength = float(np.clip(-slope / (2 * bend), 0.0, ENHANCEMENTS[-1]))
    return strength if strength > LEAST_ENHANCEMENT else 0.0
