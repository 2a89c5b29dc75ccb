"""The greater trochanter's tip: the highest place of the bone beside the shaft axis.

In words, so that a person can mark it: of the bone lateral to the neck, the point that lies
farthest up along the proximal shaft axis; its place is the mean of the surface within 1 mm of it.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.sampling import sample_rays
from canalmorph.model.femur import FemurFrame, HeadSphere, TrochanterTip
from canalmorph.model.volume import NEVER_SCANNED_HU, CtVolume

#: The box that holds the tip, in the femur's frame: medial, posterior. [mm]
MEDIAL_MM, POSTERIOR_MM = (-52.0, 8.0), (-38.0, 48.0)
#: It reaches from this level to so far above the head's centre. [mm]
BOTTOM_MM, ABOVE_HEAD_MM = 18.0, 32.0
#: Distance of the samples; their densities are smoothed by this. [mm]
GRID_MM, SMOOTH_MM = 0.7, 0.5
#: What counts as bone in the box: a thin shell, blurred. [HU]
BONE_HU = 250.0
#: Soft tissue above the tip, for the half maximum of its shell; and how far the shell's peak lies
#: under the top at most. [HU, mm]
SOFT_HU, PEAK_WITHIN_MM = 50.0, 3.0
#: No patient's tip has air within so much: the field of view ends there. [mm]
BESIDE_MM = 5.0
#: The tip is the mean of the surface this near to its highest point. [mm]
CAP_MM = 1.0
#: A half maximum on a thin shell lies outside its edge by about this, more in thick slices: its
#: uncertainty has a part and a share of the largest voxel side. The last is that of the cap's
#: middle across the axis. Set on random femora. [mm, 1, mm]
HALF_MAXIMUM_MM, LEVEL_U_MM, VOXEL_SHARE, ACROSS_U_MM = 0.3, 0.2, 0.3, 0.5


def find_trochanter_tip(
    crop: CtVolume, frame: FemurFrame, head: HeadSphere, axis_u_deg: float
) -> TrochanterTip | None:
    """Return the tip of the greater trochanter, or None where it is not whole in view.

    Parameters
    ----------
    crop : CtVolume
        The femur's neighbourhood.
    frame : FemurFrame
        The shaft axis and the direction of medial.
    head : HeadSphere
        Roughly how high to look.
    axis_u_deg : float
        Standard uncertainty of the shaft axis. [deg]
    """
    top_mm = float(frame.lps_to_frame_mm(head.centre_lps_mm)[2]) + ABOVE_HEAD_MM
    medial, posterior, level = (
        np.arange(low, high, GRID_MM)
        for low, high in (MEDIAL_MM, POSTERIOR_MM, (BOTTOM_MM, top_mm))
    )
    a, b = np.meshgrid(medial, posterior, indexing="ij")
    values = sample_rays(
        crop.voxels_hu,
        crop.index_to_lps_mm,
        frame.frame_to_lps_mm(np.stack([a, b, np.full_like(a, BOTTOM_MM)], axis=-1)),
        np.broadcast_to(frame.proximal, (*a.shape, 3)),
        step_mm=GRID_MM,
        n_samples=len(level),
    )
    unseen = ~np.isfinite(values)
    smooth = ndimage.gaussian_filter(np.where(unseen, -1000.0, values), SMOOTH_MM / GRID_MM)
    heights = _column_tops(smooth, level)
    if heights is None:
        return None
    highest = np.unravel_index(int(np.nanargmax(heights)), heights.shape)
    inner = all(0 < place < size - 1 for place, size in zip(highest, heights.shape, strict=True))
    above = unseen[highest[0], highest[1], level > heights[highest] - 2.0]
    if not inner or above.any() or _borders_on_air(values, highest, heights[highest] - level):
        return None
    cap = _cap_around(heights, (int(highest[0]), int(highest[1])))
    across = np.array([a[cap].mean(), b[cap].mean()])
    top = float(np.nanmax(heights)) - HALF_MAXIMUM_MM
    tilt_mm = np.radians(axis_u_deg) * float(np.hypot(*across))
    return TrochanterTip(
        tip_lps_mm=frame.frame_to_lps_mm(np.array([*across, top])),
        level_u_mm=float(np.linalg.norm([LEVEL_U_MM, VOXEL_SHARE * max(crop.spacing_mm), tilt_mm])),
        across_u_mm=ACROSS_U_MM,
    )


def _borders_on_air(
    values: NDArray[np.float32], highest: tuple[np.intp, ...], below_mm: NDArray[np.float64]
) -> bool:
    """Whether what was never imaged, or stands for it, lies beside the tip."""
    reach = int(BESIDE_MM / GRID_MM)
    rows, columns = (slice(max(0, int(place) - reach), int(place) + reach + 1) for place in highest)
    beside = values[rows, columns][..., np.abs(below_mm) < BESIDE_MM / 2]
    return bool((beside < NEVER_SCANNED_HU).any())


def _column_tops(
    smooth: NDArray[np.float64], level: NDArray[np.float64]
) -> NDArray[np.float64] | None:
    """Return the height of the bone's top in each column, at half of its shell's maximum [mm]."""
    labels, count = ndimage.label(smooth > BONE_HU)
    if count == 0:
        return None
    at_bottom = np.bincount(labels[..., 0].ravel(), minlength=count + 1)
    at_bottom[0] = 0
    if at_bottom.max() == 0:
        return None
    bone = labels == int(np.argmax(at_bottom))
    if bone[..., -1].any():
        return None
    top = len(level) - 1 - np.argmax(bone[..., ::-1], axis=2)
    heights = np.where(bone.any(axis=2), level[top], np.nan)
    reach = int(PEAK_WITHIN_MM / GRID_MM)
    candidates = np.argwhere(heights > np.nanmax(heights) - 2 * CAP_MM - GRID_MM)
    fine = np.full(heights.shape, np.nan)
    for row, column in candidates:
        k = int(top[row, column])
        peak = float(smooth[row, column, max(0, k - reach) : k + 1].max())
        half = 0.5 * (peak + SOFT_HU)
        profile = smooth[row, column]
        start = int(np.argmax(profile[max(0, k - reach) : k + 1])) + max(0, k - reach)
        falling = np.flatnonzero(profile[start:] < half)
        if len(falling) == 0 or falling[0] == 0:
            continue
        end = start + int(falling[0])
        share = (profile[end - 1] - half) / (profile[end - 1] - profile[end])
        fine[row, column] = level[end - 1] + share * GRID_MM
    return fine if np.isfinite(fine).any() else None


def _cap_around(heights: NDArray[np.float64], highest: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the columns joined to the highest one whose tops lie within `CAP_MM` of it."""
    with np.errstate(invalid="ignore"):
        near = heights >= heights[highest] - CAP_MM
    labels, _ = ndimage.label(near)
    return np.asarray(labels == labels[highest])
