"""Femoral heads: spheres voted for by the bone's edges, refined along rays, judged by inliers."""

from collections.abc import Iterable

import numpy as np
from numba import njit
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.grids import average_blocks, crop_grid
from canalmorph.geometry.lines import fit_sphere, spread_to_both_sides
from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.femur import HeadSphere
from canalmorph.threads import map_in_threads

#: Voting grid. [mm]
VOTE_MM = 2.0
#: Edges weaker than this do not vote. [HU per mm]
LEAST_EDGE_HU_PER_MM = 40.0
#: How many voted centres are refined.
N_CANDIDATES = 16
#: Rays of a refined sphere, about so many, and of the first look at all candidates, of which the
#: best few are refined.
N_RAYS, N_SCREENING_RAYS, N_REFINED = 1000, 200, 4
#: Rays start this far from the centre and step this much. [mm]
RAY_START_MM, RAY_STEP_MM, RAY_SAMPLES = 8.0, 0.4, 76
#: The steepest place of a thin, blurred shell lies outside its edge: 0.25 mm on the catalogue. [mm]
RADIUS_BIAS_U_MM = 0.25
#: A ray is an inlier when its edge lies this near the sphere. [mm]
INLIER_MM = 1.0


@njit(cache=True, nogil=True)
def _vote(indices, directions, weights, low, high, votes):  # type: ignore[no-untyped-def]  # compiled
    nk, nj, ni = votes.shape
    for n in range(indices.shape[0]):
        for step in range(low, high + 1):
            k = int(np.rint(indices[n, 0] + step * directions[n, 0]))
            j = int(np.rint(indices[n, 1] + step * directions[n, 1]))
            i = int(np.rint(indices[n, 2] + step * directions[n, 2]))
            if 0 <= k < nk and 0 <= j < nj and 0 <= i < ni:
                votes[k, j, i] += weights[n]


def find_heads(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    box_lps_mm: NDArray[np.float64],
    radius_mm: tuple[float, float],
) -> list[HeadSphere]:
    """Return the spheres that the bone's edges in a box support, best first.

    Edges vote along their gradient for centres; each of the best voted centres is refined along
    rays over all directions, with the falling edge nearest the sphere, and judged by the share
    of directions whose edge lies on it.

    Parameters
    ----------
    voxels, index_to_lps_mm
        The turned grid of the scan.
    box_lps_mm : (n, 3) float array
        Points that span the box. [mm]
    radius_mm : (float, float)
        Smallest and largest radius. [mm]
    """
    part, part_affine = crop_grid(voxels, index_to_lps_mm, box_lps_mm)
    if min(part.shape) < 8:
        return []
    blocks, affine = average_blocks(part, part_affine, block_mm=VOTE_MM)
    if min(blocks.shape) < 8:
        return []
    centres = _voted_centres(blocks, affine, radius_mm)
    first = _refine_all(part, part_affine, centres, radius_mm, N_SCREENING_RAYS)
    best = [sphere.centre_lps_mm for sphere in first[:N_REFINED]]
    return _refine_all(part, part_affine, best, radius_mm, N_RAYS)


def _refine_all(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    centres_lps_mm: Iterable[NDArray[np.float64]],
    radius_mm: tuple[float, float],
    n_rays: int,
) -> list[HeadSphere]:
    """Return the spheres that the centres lead to, most inliers first."""

    def refine(centre_lps_mm: NDArray[np.float64]) -> HeadSphere | None:
        return refine_sphere(voxels, index_to_lps_mm, centre_lps_mm, radius_mm, n_rays=n_rays)

    refined = map_in_threads(refine, centres_lps_mm)
    spheres = [sphere for sphere in refined if sphere is not None]
    return sorted(spheres, key=lambda sphere: -sphere.inlier_share)


def _voted_centres(
    blocks: NDArray[np.float32], affine: NDArray[np.float64], radius_mm: tuple[float, float]
) -> NDArray[np.float64]:
    """Return the patient positions of the best voted centres, (n, 3) [mm]."""
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    capped = np.clip(blocks, -200, 1200)
    smooth = ndimage.gaussian_filter(capped, 2.0 / spacing)
    gradient = np.stack(np.gradient(smooth, *(float(s) for s in spacing)), axis=-1)
    strength = np.linalg.norm(gradient, axis=-1)
    index = np.argwhere(strength > LEAST_EDGE_HU_PER_MM)
    if len(index) == 0:
        return np.empty((0, 3))
    at = tuple(index.T)
    unit = gradient[at] / strength[at][:, None]
    votes = np.zeros(blocks.shape, dtype=np.float32)
    scale = float(spacing.mean())
    directions = unit * (scale / spacing)
    _vote(
        index.astype(np.float64),
        directions.astype(np.float64),
        np.minimum(strength[at], 200.0).astype(np.float32),
        int(radius_mm[0] / scale),
        int(np.ceil(radius_mm[1] / scale)),
        votes,
    )
    votes = ndimage.gaussian_filter(votes, 1.0)
    peaks = (votes == ndimage.maximum_filter(votes, size=5)) & (votes > 0)
    where = np.argwhere(peaks)
    best = where[np.argsort(-votes[peaks])][:N_CANDIDATES]
    return np.asarray((np.c_[best, np.ones(len(best))] @ affine.T)[:, :3])


def refine_sphere(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    centre_lps_mm: NDArray[np.float64],
    radius_mm: tuple[float, float],
    *,
    n_rays: int = N_RAYS,
) -> HeadSphere | None:
    """Return the sphere on the falling edges around a first centre, or None where there is none."""
    directions = spread_to_both_sides(n_rays)
    centre = np.asarray(centre_lps_mm, dtype=np.float64)
    positions, strengths = _falling_edges(voxels, index_to_lps_mm, centre, directions)
    first_radius = _commonest_radius(positions, strengths, radius_mm)
    if first_radius is None:
        return None
    radius = first_radius
    for band_mm in (5.0, 3.0, 2.0, 1.5, INLIER_MM, INLIER_MM, INLIER_MM):
        positions, strengths = _falling_edges(voxels, index_to_lps_mm, centre, directions)
        miss = np.where(strengths > 0, np.abs(positions - radius), np.inf)
        nearest = np.argmin(miss, axis=1)
        rays = np.arange(len(directions))
        inliers = miss[rays, nearest] < band_mm
        if inliers.mean() < 0.2:
            return None
        points = centre + directions[inliers] * positions[rays, nearest][inliers, None]
        centre, radius = fit_sphere(points)
        if not radius_mm[0] <= radius <= radius_mm[1] or not np.isfinite(centre).all():
            return None
    residual = np.linalg.norm(points - centre, axis=1) - radius
    # Neighbouring edges share noise and shape error: a tenth of the rays count as independent.
    u_mm = float(residual.std() / np.sqrt(0.1 * inliers.sum() / 3) + 0.05)
    return HeadSphere(
        centre_lps_mm=centre,
        radius_mm=radius,
        centre_u_mm=u_mm,
        radius_u_mm=float(np.hypot(u_mm, RADIUS_BIAS_U_MM)),
        inlier_share=float(inliers.mean()),
    )


def _falling_edges(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    centre: NDArray[np.float64],
    directions: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return position [mm] and strength [HU/mm] of up to six falling edges on each ray."""
    starts = centre + RAY_START_MM * directions
    profiles = sample_rays(
        voxels, index_to_lps_mm, starts, directions, step_mm=RAY_STEP_MM, n_samples=RAY_SAMPLES
    )
    smooth = ndimage.gaussian_filter1d(np.nan_to_num(profiles, nan=0.0), 1.0, axis=1)
    slope = -np.gradient(smooth, RAY_STEP_MM, axis=1)
    middle = slope[:, 1:-1]
    peak = (middle > slope[:, :-2]) & (middle >= slope[:, 2:]) & (middle > 80.0)
    height = np.where(peak, middle, 0.0)
    order = np.argsort(-height, axis=1)[:, :6]
    rays = np.arange(len(directions))[:, None]
    left, mid, right = slope[rays, order], slope[rays, order + 1], slope[rays, order + 2]
    bend = left - 2 * mid + right
    vertex = np.where(bend < 0, 0.5 * (left - right) / np.where(bend < 0, bend, -1.0), 0.0)
    positions = RAY_START_MM + RAY_STEP_MM * (order + 1 + vertex)
    return np.asarray(positions), np.asarray(height[rays, order])


def _commonest_radius(
    positions: NDArray[np.float64],
    strengths: NDArray[np.float64],
    radius_mm: tuple[float, float],
) -> float | None:
    bins = np.arange(radius_mm[0], radius_mm[1] + 0.5, 0.5)
    counts, edges = np.histogram(positions[strengths > 0], bins)
    smooth = np.convolve(counts, np.ones(5), "same")
    if smooth.max() < 0.15 * len(positions):
        return None
    return float(edges[int(np.argmax(smooth))] + 0.25)
