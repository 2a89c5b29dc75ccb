"""A patch of a bone's outer surface, seen along one direction, and how far it stands out."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.volume import CtVolume

#: Rays of a patch are this far apart and sampled in these steps. [mm]
RAY_MM, STEP_MM = 1.5, 0.25
#: The edge is first sought from this far inside the coarse surface to this far outside. [mm]
INSIDE_MM, OUTSIDE_MM = 8.0, 4.0
#: And then this near to the median of the first edges within the second. [mm]
NEAR_MM, MEDIAN_MM = 2.5, 3.5
#: A falling edge rises to this at least: a thin shell in thick slices. [HU]
LEAST_PEAK_HU = 180.0
#: The least that lies against bone. [HU]
FAT_HU = -120.0
#: A patch with fewer known edges is none.
LEAST_KNOWN_SHARE = 0.5
#: Neighbouring edges share noise and shape: so many count as one.
SHARED_RAYS = 8.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patch:
    """Heights of the surface over a square grid.

    Attributes
    ----------
    across_mm, along_mm : (n,) float arrays
        Positions of the known edges from the patch's centre, on its two axes. [mm]
    heights_mm : (n,) float array
        Of the edges over the plane through the centre. [mm]
    half_mm : float
        Half edge of the patch. [mm]
    """

    across_mm: NDArray[np.float64]
    along_mm: NDArray[np.float64]
    heights_mm: NDArray[np.float64]
    half_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Vertex:
    """Where a patch stands out farthest [mm].

    Attributes
    ----------
    across_mm, along_mm, height_mm : float
        Its place.
    height_u_mm : float
        Standard uncertainty of the height, from the scatter of the edges.
    inside : bool
        Whether the patch falls off to all sides around it.
    """

    across_mm: float
    along_mm: float
    height_mm: float
    height_u_mm: float
    inside: bool


def trace_patch(
    crop: CtVolume,
    centre_lps_mm: NDArray[np.float64],
    axes: NDArray[np.float64],
    *,
    half_mm: float,
) -> Patch | None:
    """Return the outer edges of a bone over a square, or None where too few are seen.

    The steepest falling edge of each ray comes first; then the half-height between shell and
    surroundings that lies nearest a smooth surface through those.

    Parameters
    ----------
    crop : CtVolume
        The neighbourhood.
    centre_lps_mm : (3,) float array
        A point of the coarse surface. [mm]
    axes : (3, 3) float array
        Rows: across, along, and outwards, the rays' direction.
    half_mm : float
        Half edge of the square. [mm]
    """
    grid = np.arange(-half_mm, half_mm + 0.5 * RAY_MM, RAY_MM)
    across, along = (part.ravel() for part in np.meshgrid(grid, grid, indexing="ij"))
    starts = (
        centre_lps_mm + across[:, None] * axes[0] + along[:, None] * axes[1] - INSIDE_MM * axes[2]
    )
    profiles = sample_rays(
        crop.voxels_hu,
        crop.index_to_lps_mm,
        starts,
        np.broadcast_to(axes[2], starts.shape),
        step_mm=STEP_MM,
        n_samples=int((INSIDE_MM + OUTSIDE_MM + NEAR_MM + 1.0) / STEP_MM),
    ).astype(np.float64)
    whole = np.isfinite(profiles).all(axis=1)
    if whole.mean() < LEAST_KNOWN_SHARE:
        return None
    across, along = across[whole], along[whole]
    smooth = ndimage.gaussian_filter1d(profiles[whole], 2.0, axis=1)
    first = _find_steepest(smooth)
    known = np.isfinite(first)
    # Less smoothing here: it would move the half-height of a thin shell outwards.
    sharp = ndimage.gaussian_filter1d(profiles[whole], 1.0, axis=1)
    for reach_mm in (NEAR_MM, 1.5):
        if known.mean() < LEAST_KNOWN_SHARE:
            return None
        expected = _take_medians(across, along, first)
        first = _find_half_height(sharp, expected, reach_mm)
        known = np.isfinite(first)
    if known.sum() < LEAST_KNOWN_SHARE * len(grid) ** 2:
        return None
    return Patch(
        across_mm=across[known],
        along_mm=along[known],
        heights_mm=first[known] - INSIDE_MM,
        half_mm=half_mm,
    )


def find_vertex(patch: Patch) -> Vertex:
    """Return the top of the quadric through a patch, fitted without its outliers."""
    across, along, heights = patch.across_mm, patch.along_mm, patch.heights_mm
    model = _fit_quadric(across, along, heights)
    residual = heights - _quadric(model, across, along)
    scatter = 1.4826 * float(np.median(np.abs(residual - np.median(residual))))
    kept = np.abs(residual) < max(3 * scatter, 0.3)
    model = _fit_quadric(across[kept], along[kept], heights[kept])
    bend = np.array([[2 * model[3], model[4]], [model[4], 2 * model[5]]])
    falls = bool(np.linalg.eigvalsh(bend).max() < 0)
    place = np.linalg.solve(bend, -model[1:3]) if falls else np.zeros(2)
    inside = falls and bool(np.abs(place).max() <= 0.8 * patch.half_mm)
    place = np.clip(place, -patch.half_mm, patch.half_mm)
    height = float(_quadric(model, place[:1], place[1:])[0])
    residual = (heights - _quadric(model, across, along))[kept]
    return Vertex(
        across_mm=float(place[0]),
        along_mm=float(place[1]),
        height_mm=height,
        height_u_mm=float(residual.std() / np.sqrt(max(kept.sum() / SHARED_RAYS, 1.0))),
        inside=inside,
    )


def find_top(patch: Patch, depth_mm: float) -> Vertex:
    """Return the middle of what lies within `depth_mm` of a patch's highest place."""
    across, along, heights = patch.across_mm, patch.along_mm, patch.heights_mm
    away = np.hypot(across[:, None] - across, along[:, None] - along)
    near = away < 1.5 * RAY_MM
    calm = np.array([heights[row].mean() for row in near])
    top = calm > calm.max() - depth_mm
    place = np.array([across[top].mean(), along[top].mean()])
    rim = np.maximum(np.abs(across[top]), np.abs(along[top])).max()
    # An edge's error of 0.3 mm moves the rim of a top that falls off evenly by its size / 7.
    size = float(np.sqrt(top.sum() * RAY_MM**2 / np.pi))
    return Vertex(
        across_mm=float(place[0]),
        along_mm=float(place[1]),
        height_mm=float(calm[top].mean()),
        height_u_mm=size / 7.0 + 0.3,
        inside=bool(rim < patch.half_mm - 0.5 * RAY_MM),
    )


def _take_medians(
    across_mm: NDArray[np.float64], along_mm: NDArray[np.float64], heights_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return each ray's expected edge: the median of the known ones around it; NaN without."""
    away = np.hypot(across_mm[:, None] - across_mm, along_mm[:, None] - along_mm)
    known = np.isfinite(heights_mm)
    near = (away < MEDIAN_MM) & known
    return np.array([np.median(heights_mm[row]) if row.any() else np.nan for row in near])


def _find_steepest(smooth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the place of the steepest fall on each ray, from its start; NaN without bone [mm]."""
    last = int((INSIDE_MM + OUTSIDE_MM) / STEP_MM)
    part = smooth[:, : last + 1]
    fall = -np.gradient(part, STEP_MM, axis=1)
    place = np.argmax(fall, axis=1)
    bone = part.max(axis=1) > LEAST_PEAK_HU
    return np.where(bone, place * STEP_MM, np.nan)


def _find_half_height(
    smooth: NDArray[np.float64], expected_mm: NDArray[np.float64], reach_mm: float
) -> NDArray[np.float64]:
    """Return where each ray falls through the middle between shell and surroundings [mm]."""
    out = np.full(len(smooth), np.nan)
    samples = smooth.shape[1]
    for ray, profile in enumerate(smooth):
        if not np.isfinite(expected_mm[ray]):
            continue
        low = int(np.clip((expected_mm[ray] - reach_mm) / STEP_MM, 0, samples - 2))
        high = int(np.clip((expected_mm[ray] + reach_mm) / STEP_MM + 1, low + 1, samples - 1))
        peak = low + int(np.argmax(profile[low : high + 1]))
        floor = float(profile[peak : min(high + int(1.5 / STEP_MM), samples)].min())
        # Air within reach, beyond thin skin, does not touch bone.
        half = 0.5 * (float(profile[peak]) + max(floor, FAT_HU))
        if profile[peak] < LEAST_PEAK_HU or profile[peak] - floor < 0.5 * LEAST_PEAK_HU:
            continue
        falls = np.flatnonzero((profile[peak : samples - 1] >= half) & (profile[peak + 1 :] < half))
        if len(falls) == 0:
            continue
        at = peak + int(falls[0])
        part = (profile[at] - half) / (profile[at] - profile[at + 1])
        place = (at + float(part)) * STEP_MM
        if abs(place - expected_mm[ray]) <= reach_mm:
            out[ray] = place
    return out


def _fit_quadric(
    x: NDArray[np.float64], y: NDArray[np.float64], z: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the robust coefficients of 1, x, y, x2, xy, y2."""
    matrix = np.stack([np.ones_like(x), x, y, x**2, x * y, y**2], axis=1)
    weights = np.ones_like(z)
    for _ in range(6):
        model = np.linalg.lstsq(matrix * weights[:, None], z * weights, rcond=None)[0]
        residual = np.abs(z - matrix @ model)
        scale = max(1.4826 * float(np.median(residual)), 0.1)
        weights = 1.0 / (1.0 + np.square(residual / (2.0 * scale)))
    return np.asarray(model)


def _quadric(
    model: NDArray[np.float64], x: NDArray[np.float64], y: NDArray[np.float64]
) -> NDArray[np.float64]:
    return np.asarray(
        model[0]
        + model[1] * x
        + model[2] * y
        + model[3] * x**2
        + model[4] * x * y
        + model[5] * y**2
    )
