"""The head's sphere from its bone edge, apart from the socket, and how surely.

`locate` finds a head by its steepest edges, which is enough to find it; here its surface is read
with the scan's own density and blur, and a head that cannot be told from the socket says so.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lines import spread_directions, spread_to_both_sides
from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.femur import ENHANCEMENT_WIDTH, Calibration, Femur, HeadSphere
from canalmorph.model.volume import SliceGap, find_covered
from canalmorph.segment.blur import blur_along_rays_mm
from canalmorph.segment.head_edges import HeadEdges, fit_head_edges

#: Rays over the sphere, about so many; they begin this far inside and step this much. [mm]
N_RAYS, RAY_IN_MM, RAY_STEP_MM, RAY_SAMPLES = 1600, 9.0, 0.3, 64
#: A ray is an inlier when its edge lies this near the sphere. [mm]
INLIER_MM = 0.8
#: The sphere is looked for from this far to each side, in so many steps. [mm]
START_MM, N_FITS = 1.5, 15
#: Weights end this far from the sphere, one band after the other. A round head lies within the last
#: of the first row; of a head that does not, any narrow band holds some part by chance: two such
#: parts of one real surface have their centres 2 mm apart. The second row's is then the sphere of
#: the whole articular surface, of which four scans of that surface agree within 0.4 mm. The last
#: band of the other row tells what the choice leaves open. [mm]
ROUND_BANDS_MM: tuple[float, ...] = (3.0, 1.5, 1.0)
WIDE_BANDS_MM: tuple[float, ...] = (3.0, 2.0)
#: The rays are drawn anew until the sphere stands still; a wide band gets there slowly.
MOST_ROUNDS = 10
#: Neighbouring rays share noise, grain and shape: one in so many counts as independent.
RAYS_SHARED = 12.0
#: A shell differs from the density of thick cortex by about this, all over the head. [HU]
SHELL_U_HU = 250.0
#: No centre or radius is surer than this: heads are no perfect spheres. [mm]
LEAST_U_MM = 0.03
#: Less of all directions on the sphere, or a centre or radius known to no better than the second,
#: is no head that was told from its socket. The neck alone takes a quarter of the directions.
LEAST_INLIERS, LARGEST_U_MM = 0.3, 0.5
#: Where head and socket run into each other on more than this share of the rays that meet the
#: socket, the joint is fused: what is left of the edge may be another's.
LARGEST_FUSED_SHARE = 0.3
#: Below that, what the share leaves uncertain of centre and radius: phantoms with 0 and 0.5 mm of
#: joint space were off by up to 1.2 and 0.7 times the share. [mm]
FUSED_CENTRE_U_MM, FUSED_RADIUS_U_MM = 0.8, 0.5
#: The neck takes a quarter of the directions; where less than this share lies on the sphere, and
#: half of that farther off than the second, the head is none. An edge that a fused joint hides
#: lacks as well, but what is left of it lies close. [1, mm]
ROUND_SHARE, ROUND_SCATTER_MM = 0.62, 0.2
#: What no sphere leaves uncertain of centre and radius: a third of what lies between the spheres
#: that one surface has by several usual ways to choose one, up to 2.2 and 1.0 mm. [mm]
NOT_ROUND_CENTRE_U_MM, NOT_ROUND_RADIUS_U_MM = 0.8, 0.5
#: The neck and its narrowest section lie this far below the head at most. [head's radii]
NECK_BELOW_RADII = 0.7
#: The head's edge is read with what lies this far outside of it. [mm]
EDGE_MM = 3.0
#: Uncertainty of a sphere that was not told from its socket, where it still serves. [mm]
UNSEPARATED_U_MM = 1.5


def refine_head(femur: Femur, calibration: Calibration) -> HeadSphere | None:
    """Return the sphere on the head's outer bone edge; None where no head was found.

    Parameters
    ----------
    femur : Femur
        With the head that `locate` found.
    calibration : Calibration
        Density, blur and kernel of the scan.

    Returns
    -------
    HeadSphere or None
        `separated` is False where the edge could not be told from the socket: the sphere is then
        that of `locate`, good for finding things, not for measuring.
    """
    head = femur.head
    if head is None:
        return None
    bands = ROUND_BANDS_MM
    found = _settle(femur, head, calibration, calibration.cortex_hu, bands)
    if found is not None and not _is_round(*found):
        bands = WIDE_BANDS_MM
        found = _settle(femur, head, calibration, calibration.cortex_hu, bands)
    if found is None:
        return doubt_head(head)
    sphere, edges = found
    sparse_hu = calibration.cortex_hu - SHELL_U_HU
    sparser = _settle(femur, sphere, calibration, sparse_hu, bands, rounds=2)
    if sparser is None:
        return doubt_head(head)
    other = sparser[0]
    moved = np.abs(other.centre_lps_mm - sphere.centre_lps_mm).max()
    sphere = replace(
        sphere,
        centre_u_mm=float(np.hypot(sphere.centre_u_mm, moved)),
        radius_u_mm=float(np.hypot(sphere.radius_u_mm, other.radius_mm - sphere.radius_mm)),
    )
    fused = _find_fused_share(edges)
    if not _is_separated(sphere, fused):
        return doubt_head(replace(head, inlier_share=sphere.inlier_share))
    flat = float(bands is WIDE_BANDS_MM)
    centre_us = [sphere.centre_u_mm, FUSED_CENTRE_U_MM * fused, NOT_ROUND_CENTRE_U_MM * flat]
    radius_us = [sphere.radius_u_mm, FUSED_RADIUS_U_MM * fused, NOT_ROUND_RADIUS_U_MM * flat]
    return replace(
        sphere,
        centre_u_mm=float(np.linalg.norm(centre_us)),
        radius_u_mm=float(np.linalg.norm(radius_us)),
        is_round=bands is ROUND_BANDS_MM,
    )


def is_cut(head: HeadSphere, gaps: tuple[SliceGap, ...], proximal: NDArray[np.float64]) -> bool:
    """Whether slices are missing through the head or the neck below it.

    Parameters
    ----------
    head : HeadSphere
        Where it lies.
    gaps : tuple of SliceGap
        Where slices are missing.
    proximal : (3,) float array
        Up along the shaft.
    """
    around = head.centre_lps_mm + head.radius_mm * spread_directions(200)
    below = np.arange(0.0, NECK_BELOW_RADII, 0.1) * head.radius_mm
    points = around[:, None, :] - below[:, None] * proximal
    return bool(find_covered(gaps, points, reach_mm=EDGE_MM).any())


def doubt_head(head: HeadSphere) -> HeadSphere:
    """Return a sphere that cannot be measured: good for finding things only."""
    return replace(
        head,
        separated=False,
        centre_u_mm=max(head.centre_u_mm, UNSEPARATED_U_MM),
        radius_u_mm=max(head.radius_u_mm, UNSEPARATED_U_MM),
    )


def _find_fused_share(edges: HeadEdges) -> float:
    """Return on which share of the rays that meet the socket it runs into the head."""
    return float(edges.fused.sum() / max(1, int(np.isfinite(edges.gap_mm).sum())))


def _is_round(sphere: HeadSphere, edges: HeadEdges) -> bool:
    """Whether enough of the surface lies on the sphere, or what is seen of it lies close."""
    miss = np.abs(edges.edge_mm - sphere.radius_mm)
    close = miss[miss < INLIER_MM]
    scatter_mm = float(np.median(close)) if close.size else np.inf
    return sphere.inlier_share >= ROUND_SHARE or scatter_mm < ROUND_SCATTER_MM


def _is_separated(sphere: HeadSphere, fused_share: float) -> bool:
    """Whether the sphere rests on enough of the head's own edge."""
    return bool(
        sphere.inlier_share >= LEAST_INLIERS
        and max(sphere.centre_u_mm, sphere.radius_u_mm) <= LARGEST_U_MM
        and fused_share <= LARGEST_FUSED_SHARE
    )


def _settle(
    femur: Femur,
    first: HeadSphere,
    calibration: Calibration,
    shell_hu: float,
    bands_mm: tuple[float, ...],
    rounds: int = MOST_ROUNDS,
) -> tuple[HeadSphere, HeadEdges] | None:
    """Return sphere and edges, the rays drawn anew from each sphere's centre."""
    directions = spread_to_both_sides(N_RAYS)
    blur = blur_along_rays_mm(calibration, directions, directions, femur.crop)
    centre, radius = first.centre_lps_mm, first.radius_mm
    for _ in range(rounds):
        start_mm = radius - RAY_IN_MM
        edges = fit_head_edges(
            sample_rays(
                femur.crop.voxels_hu,
                femur.crop.index_to_lps_mm,
                centre + start_mm * directions,
                directions,
                step_mm=RAY_STEP_MM,
                n_samples=RAY_SAMPLES,
            ),
            start_mm,
            RAY_STEP_MM,
            np.full(len(directions), radius),
            blur,
            shell_hu=shell_hu,
            noise_hu=calibration.noise_hu,
            kernel=(calibration.enhancement, ENHANCEMENT_WIDTH),
        )
        known = np.isfinite(edges.edge_mm)
        if known.mean() < 0.5 * LEAST_INLIERS:
            return None
        points = centre + directions[known] * edges.edge_mm[known, None]
        new, new_radius, weights = _fit_robustly(
            points, edges.u_mm[known], (centre, radius), bands_mm
        )
        moved = float(np.linalg.norm(new - centre)) + abs(new_radius - radius)
        centre, radius = new, new_radius
        if moved < 0.01:
            break
    sphere = _state_sphere(points, weights, centre, radius, len(directions))
    other_mm = (WIDE_BANDS_MM if bands_mm is ROUND_BANDS_MM else ROUND_BANDS_MM)[-1]
    return _widen_by_shape(sphere, points, edges.u_mm[known], other_mm), edges


def _widen_by_shape(
    sphere: HeadSphere, points: NDArray[np.float64], u_mm: NDArray[np.float64], other_mm: float
) -> HeadSphere:
    """Return the sphere with what another band of the surface would change: heads are no spheres.

    Of a true sphere another band changes nothing.
    """
    surer = 1.0 / (np.square(u_mm) + 0.15**2)
    centre, radius, _ = _fit_band(points, surer, sphere.centre_lps_mm, sphere.radius_mm, other_mm)
    moved = np.abs(centre - sphere.centre_lps_mm).max()
    return replace(
        sphere,
        centre_u_mm=float(np.hypot(sphere.centre_u_mm, moved)),
        radius_u_mm=float(np.hypot(sphere.radius_u_mm, radius - sphere.radius_mm)),
    )


def _fit_robustly(
    points: NDArray[np.float64],
    u_mm: NDArray[np.float64],
    first: tuple[NDArray[np.float64], float],
    bands_mm: tuple[float, ...],
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Return centre, radius and weights of the sphere that most of the edge lies on.

    Real heads are no spheres: they are flattened or bulge at the border of the neck. Their sphere
    is that of the largest part of the surface, looked for from several starts.
    """
    surer = 1.0 / (np.square(u_mm) + 0.15**2)
    found = []
    for move in np.concatenate([np.zeros((1, 3)), START_MM * np.eye(3), -START_MM * np.eye(3)]):
        centre = first[0] + move
        radius = float(np.median(np.linalg.norm(points - centre, axis=1)))
        for band_mm in bands_mm:
            centre, radius, weights = _fit_band(points, surer, centre, radius, band_mm)
        found.append((float((weights / surer).sum()), centre, radius, weights))
    _, centre, radius, weights = max(found, key=lambda one: one[0])
    return centre, radius, weights


def _fit_band(
    points: NDArray[np.float64],
    surer: NDArray[np.float64],
    centre: NDArray[np.float64],
    radius: float,
    band_mm: float,
) -> tuple[NDArray[np.float64], float, NDArray[np.float64]]:
    """Return the sphere by Tukey's weights of a width, and the weights, from a first one."""
    weights = np.zeros(len(points))
    for _ in range(N_FITS):
        arm = points - centre
        distance = np.linalg.norm(arm, axis=1)
        miss = distance - radius
        share = np.minimum(np.abs(miss) / band_mm, 1.0)
        weights = surer * np.square(1 - share**2)
        if (weights > 0).sum() < 20:
            break
        design = np.c_[arm / distance[:, None], np.ones(len(points))]
        normal = design.T @ (design * weights[:, None])
        step = np.linalg.solve(normal + 1e-9 * np.eye(4), design.T @ (weights * miss))
        centre, radius = centre + step[:3], radius + float(step[3])
        if np.abs(step).max() < 1e-3:
            break
    return centre, radius, weights


def _state_sphere(
    points: NDArray[np.float64],
    weights: NDArray[np.float64],
    centre: NDArray[np.float64],
    radius: float,
    n_rays: int,
) -> HeadSphere:
    """Return the sphere with its uncertainty from the scatter of the edges."""
    arm = points - centre
    distance = np.linalg.norm(arm, axis=1)
    miss = distance - radius
    design = np.c_[arm / distance[:, None], np.ones(len(points))] * np.sqrt(weights)[:, None]
    scatter = float((weights * miss**2).sum() / max(weights.sum(), 1e-12))
    mean_weight = float((weights**2).sum() / max(weights.sum(), 1e-12))
    covariance = np.linalg.pinv(design.T @ design) * scatter * mean_weight * RAYS_SHARED
    us = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return HeadSphere(
        centre_lps_mm=centre,
        radius_mm=radius,
        centre_u_mm=float(np.hypot(us[:3].max(), LEAST_U_MM)),
        radius_u_mm=float(np.hypot(us[3], LEAST_U_MM)),
        inlier_share=float((np.abs(miss) < INLIER_MM).sum() / n_rays),
    )
