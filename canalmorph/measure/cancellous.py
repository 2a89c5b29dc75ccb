"""Hounsfield units of cancellous bone in the neck and in the metaphysis: facts, no diagnosis.

A region is what lies in a closed inner surface of the cortex, between two planes, and farther from
that surface than the scan's blur reaches; its number is the mean of the CT there.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage
from scipy.spatial import KDTree
from scipy.special import ndtr

from canalmorph.flags import Quality
from canalmorph.geometry.lines import perpendicular_axes
from canalmorph.geometry.lumps import measure_distance_mm
from canalmorph.geometry.outlines import find_inside
from canalmorph.geometry.sampling import sample_points, sample_rays
from canalmorph.geometry.tubes import cut_tube
from canalmorph.model.femur import (
    ENHANCEMENT_WIDTH,
    METAL_REACH_MM,
    AlignedFemur,
    Calibration,
)
from canalmorph.model.results import Measurement

#: The metaphysis: the canal between these levels. [mm]
METAPHYSIS_MM = (10.0, 20.0)
#: The neck: this much of it to each side of its narrowest section. [mm]
NECK_HALF_MM = 5.0
#: Kept from the cortex: this much, or as many widths of the blur where that is more. [mm]
EROSION_MM, EROSION_BLURS = 3.0, 3.0
#: A smaller region has no mean: a ball of 9 mm. [mm3]
LEAST_VOLUME_MM3 = 380.0
#: Distance of the samples. [mm]
STEP_MM = 1.0
#: Texture and noise of bone are taken as independent from cell to cell of this edge. [mm]
CELL_MM = 4.0
#: Standard uncertainty of the inner edge's place in the neck and metaphysis. [mm]
EDGE_U_MM = 0.5
#: Standard uncertainty of the narrowest section's place along the neck. [mm]
NECK_PLACE_U_MM = 2.0
#: The neck's wall is where the CT, outwards, first exceeds the middle by this. [HU]
NECK_WALL_HU = 300.0
#: Rays in the neck: how far they go, their step, how many. [mm]
NECK_REACH_MM, NECK_STEP_MM, NECK_RAYS = 26.0, 0.25, 72
#: The neck's middle, for its level, and where its wall may begin. [mm]
NECK_MIDDLE_MM = 4.0
#: A ring with more unknown points than this share is not closed.
LARGEST_GAP_SHARE = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Region:
    """What a mean is taken of.

    Attributes
    ----------
    points_lps_mm : (n, 3) float array
        Samples in patient space, `STEP_MM` apart. [mm]
    local_mm : (n, 3) float array
        The same in the region's own axes, the third between its planes. [mm]
    depth_mm : (n,) float array
        Distance from the cortex. [mm]
    weights : (n,) float array
        From 0 at the region's edge to 1 a step within it, so that a mean moves smoothly with the
        surface.
    """

    points_lps_mm: NDArray[np.float64]
    local_mm: NDArray[np.float64]
    depth_mm: NDArray[np.float64]
    weights: NDArray[np.float64]


def measure_cancellous(
    aligned: AlignedFemur, levels_mm: NDArray[np.float64], quality: NDArray[np.int64]
) -> dict[str, Measurement]:
    """Return the mean HU of cancellous bone in the metaphysis and in the neck, by column name.

    Parameters
    ----------
    aligned : AlignedFemur
        Surfaces, frame, neck and CT.
    levels_mm, quality : (n,) arrays
        The sections and their bits: a section with metal blanks the metaphysis. [mm]

    Returns
    -------
    dict of str to Measurement
        Without a region that is too small, not closed, near metal, or not wholly in the scan.
        [HU]
    """
    found = {}
    low, high = METAPHYSIS_MM
    near = (levels_mm >= low) & (levels_mm <= high)
    region = None
    if aligned.shaft_in_view and not np.any(quality[near] & int(Quality.METAL)):
        region = find_metaphysis(aligned)
    number = _measure_region(region, aligned, aligned.lesser_trochanter.level_u_mm)
    if number is not None:
        found["cancellous_metaphysis_hu"] = number
    number = _measure_region(find_neck(aligned), aligned, NECK_PLACE_U_MM)
    if number is not None:
        found["cancellous_neck_hu"] = number
    return found


def find_metaphysis(aligned: AlignedFemur) -> Region | None:
    """Return the canal from LT+10 to LT+20, less what the cortex's blur reaches and the head."""
    frame, low, high = aligned.frame, *METAPHYSIS_MM
    margin = find_erosion_mm(aligned.cortex.calibration) + 2.0
    heights = np.arange(low - margin, high + margin + 0.5, STEP_MM)
    rings = cut_tube(frame.lps_to_frame_mm(aligned.cortex.canal_lps_mm), heights)[..., :3]
    region = _fill_tube(rings, heights, (low, high), aligned.cortex.calibration)
    if region is None:
        return None
    points = frame.frame_to_lps_mm(region.local_mm)
    weights = region.weights
    head = aligned.cortex.femur.head
    if head is not None:
        beyond = np.linalg.norm(points - head.centre_lps_mm, axis=1) - head.radius_mm
        weights = weights * np.clip(beyond / STEP_MM, 0.0, 1.0)
    return replace(region, points_lps_mm=points, weights=weights)


def find_neck(aligned: AlignedFemur) -> Region | None:
    """Return 10 mm of the neck about its narrowest section, less what the cortex's blur reaches.

    The wall's inner edge is where the CT, from the middle outwards, has risen half-way to the
    wall's top.
    """
    neck = aligned.neck
    if neck is None:
        return None
    # Axes that are mirror images on the two sides.
    first, second = perpendicular_axes(neck.direction, aligned.frame.proximal)
    if second @ aligned.frame.posterior < 0:
        second = -second
    axes = np.stack([first, second, neck.direction])
    margin = find_erosion_mm(aligned.cortex.calibration) + 2.0
    ends = NECK_HALF_MM + margin
    heights = np.arange(-np.ceil(ends), np.ceil(ends) + 0.5, STEP_MM)
    rings = _find_neck_rings(aligned, axes, heights)
    region = _fill_tube(rings, heights, (-NECK_HALF_MM, NECK_HALF_MM), aligned.cortex.calibration)
    if region is None:
        return None
    return replace(region, points_lps_mm=neck.centre_lps_mm + region.local_mm @ axes)


def find_erosion_mm(calibration: Calibration) -> float:
    """Return how far a region keeps from the cortex [mm]."""
    blur = calibration.largest_blur_mm
    return max(EROSION_MM, EROSION_BLURS * blur)


def _find_neck_rings(
    aligned: AlignedFemur, axes: NDArray[np.float64], heights: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the inner edge of the neck's wall, (n, NECK_RAYS, 3) in local axes [mm]."""
    assert aligned.neck is not None
    crop = aligned.cortex.femur.crop
    # Half a step from the axes, so that the rays are their own mirror image.
    angles = 2 * np.pi * (np.arange(NECK_RAYS) + 0.5) / NECK_RAYS
    outwards = np.stack([np.cos(angles), np.sin(angles), np.zeros(NECK_RAYS)], axis=1)
    starts = np.zeros((len(heights), NECK_RAYS, 3))
    starts[..., 2] = heights[:, None]
    n_samples = round(NECK_REACH_MM / NECK_STEP_MM)
    profiles = sample_rays(
        crop.voxels_hu,
        crop.index_to_lps_mm,
        aligned.neck.centre_lps_mm + starts @ axes,
        np.broadcast_to(outwards @ axes, starts.shape),
        step_mm=NECK_STEP_MM,
        n_samples=n_samples,
    ).astype(np.float64)
    smooth = ndimage.gaussian_filter(profiles, (1.0, 1.0, 1.0), mode=("nearest", "wrap", "nearest"))
    middle = float(np.median(smooth[..., : round(NECK_MIDDLE_MM / NECK_STEP_MM)]))
    radii = _find_inner_edges(smooth, middle)
    return np.asarray(starts + radii[..., None] * outwards)


def _find_inner_edges(profiles: NDArray[np.float64], middle_hu: float) -> NDArray[np.float64]:
    """Return the radius at which each profile has risen half-way to its wall's top [mm]."""
    radii = np.full(profiles.shape[:2], np.nan)
    first = round(NECK_MIDDLE_MM / NECK_STEP_MM)
    for place in np.ndindex(radii.shape):
        profile = profiles[place]
        high = np.flatnonzero(profile[first:] > middle_hu + NECK_WALL_HU)
        if not len(high):
            continue
        start = first + int(high[0])
        # The top is the first that is reached: beyond it lie other bones.
        falls = np.flatnonzero(np.diff(profile[start:]) < 0)
        top = start + (int(falls[0]) if len(falls) else 0)
        half = middle_hu + 0.5 * (profile[top] - middle_hu)
        below = np.flatnonzero(profile[: top + 1] < half)
        if not len(below):
            continue
        low = int(below[-1])
        rise = profile[low + 1] - profile[low]
        radii[place] = NECK_STEP_MM * (low + (half - profile[low]) / rise)
    return radii


def _fill_tube(
    rings_mm: NDArray[np.float64],
    heights_mm: NDArray[np.float64],
    between_mm: tuple[float, float],
    calibration: Calibration,
) -> Region | None:
    """Return the samples within a tube of rings and far from it, in the tube's own axes.

    None where a ring between the two planes is not closed.
    """
    known = np.asarray(np.isfinite(rings_mm).all(axis=2))
    inside = (heights_mm >= between_mm[0]) & (heights_mm <= between_mm[1])
    if (1 - known[inside].mean(axis=1) > LARGEST_GAP_SHARE).any():
        return None
    surface = KDTree(rings_mm[known])
    reach = float(np.ceil(np.abs(rings_mm[inside][known[inside]][:, :2]).max()))
    line = np.arange(-reach, reach + 0.5, STEP_MM)
    grid = np.stack(np.meshgrid(line, line, indexing="ij"), axis=-1).reshape(-1, 2)
    layers = []
    for ring, seen, height in zip(rings_mm[inside], known[inside], heights_mm[inside], strict=True):
        within = grid[find_inside(grid, ring[seen][:, :2])]
        layers.append(np.column_stack([within, np.full(len(within), height)]))
    local = np.concatenate(layers)
    depth = surface.query(local)[0]
    weights = np.clip((depth - find_erosion_mm(calibration)) / STEP_MM, 0.0, 1.0)
    deep = weights > 0
    return Region(
        points_lps_mm=local[deep],
        local_mm=local[deep],
        depth_mm=depth[deep],
        weights=weights[deep],
    )


def _measure_region(
    region: Region | None, aligned: AlignedFemur, place_u_mm: float
) -> Measurement | None:
    """Return the mean of the CT over a region, or None where the region cannot give one."""
    if region is None or region.weights.sum() * STEP_MM**3 < LEAST_VOLUME_MM3:
        return None
    crop = aligned.cortex.femur.crop
    samples = sample_points(crop.voxels_hu, crop.index_to_lps_mm, region.points_lps_mm)
    if not np.isfinite(samples).all() or _is_near_metal(region, aligned):
        return None
    values, weights = samples.astype(np.float64), region.weights
    mean = float(np.average(values, weights=weights))
    calibration = aligned.cortex.calibration
    u = np.hypot(
        _standard_error_hu(values, region),
        _edge_u_hu(calibration.cortex_hu - mean, region, calibration),
    )
    along = region.local_mm[:, 2]
    slope = float(np.polyfit(along, values, 1, w=np.sqrt(weights))[0])
    return Measurement(value=mean, u=float(np.hypot(u, slope * place_u_mm)))


def _standard_error_hu(values: NDArray[np.float64], region: Region) -> float:
    """Return the standard error of the mean, from the means of cells [HU]."""
    cells = np.floor(region.local_mm / CELL_MM + 0.5).astype(np.int64)
    _, which = np.unique(cells, axis=0, return_inverse=True)
    sizes = np.bincount(which.ravel(), weights=region.weights)
    sums = np.bincount(which.ravel(), weights=region.weights * values)
    filled = sizes > 0
    means, share = sums[filled] / sizes[filled], sizes[filled] / sizes.sum()
    spread = float(((means - share @ means) ** 2) @ share)
    effective = 1.0 / float((share**2).sum())
    if effective < 4:
        return float(values.std())
    return float(np.sqrt(spread / (effective - 1)))


def _edge_u_hu(contrast_hu: float, region: Region, calibration: Calibration) -> float:
    """Return what the blurred cortex adds, and adds more where its edge is nearer [HU]."""
    here = _leak(region.depth_mm, region.weights, calibration)
    nearer = _leak(region.depth_mm - EDGE_U_MM, region.weights, calibration)
    return abs(contrast_hu) * float(np.hypot(here, nearer - here))


def _leak(
    depth_mm: NDArray[np.float64], weights: NDArray[np.float64], calibration: Calibration
) -> float:
    """Return the mean share of a thick, flat wall in samples at these depths."""
    blur = calibration.largest_blur_mm
    e = calibration.enhancement
    share = (1 + e) * ndtr(-depth_mm / blur) - e * ndtr(-depth_mm / (ENHANCEMENT_WIDTH * blur))
    return float(np.average(share, weights=weights))


def _is_near_metal(region: Region, aligned: AlignedFemur) -> bool:
    """Return whether metal lies within its reach of the region."""
    distances = measure_distance_mm(region.points_lps_mm, aligned.cortex.femur.metal_lps_mm)
    return bool((distances < METAL_REACH_MM).any())
