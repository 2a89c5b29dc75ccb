"""The neck's axis: from the centre of its narrowest section to the centre of the head."""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.geometry.lines import find_angle_deg, normalise, perpendicular_axes
from canalmorph.geometry.sampling import sample_planes
from canalmorph.model.femur import HeadSphere, NeckAxis
from canalmorph.model.volume import CtVolume

#: The narrowest section lies between these multiples of the head's radius from its centre.
SEARCH_RADII = (0.8, 1.6)
#: Half edge, pixel and distance of the sections. [mm]
HALF_MM, PIXEL_MM, STEP_MM = 40.0, 0.8, 1.0
#: Outlines of bone that are tried in turn: a thin shell in thick slices is faint, while the first
#: keeps vessels and the socket apart best. [HU]
OUTLINES_HU = (350.0, 270.0, 200.0)
#: Sections up to this many times the smallest might as well be the narrowest: what they change is
#: the axis's uncertainty, with the first of these at least, where no head moves it. [deg]
AS_NARROW, NECK_U_DEG = 1.04, 0.5
#: A section smaller than this share of the head's great circle is no neck.
LEAST_AREA_SHARE = 0.2


def find_neck_axis(
    crop: CtVolume, head: HeadSphere, first_direction: NDArray[np.float64]
) -> NeckAxis | None:
    """Return the axis of the neck, or None where no closed section was found.

    Sections perpendicular to the axis are taken behind the head; the centre of the smallest
    one and the head's centre give the next axis, until it stands still.

    Parameters
    ----------
    crop : CtVolume
        The femur's neighbourhood.
    head : HeadSphere
        One end of the axis.
    first_direction : (3,) float array
        Rough unit vector towards the head.
    """
    for outline_hu in OUTLINES_HU:
        neck = _iterate_axis(crop, head, first_direction, outline_hu)
        if neck is not None:
            return neck
    return None


def _iterate_axis(
    crop: CtVolume, head: HeadSphere, first_direction: NDArray[np.float64], outline_hu: float
) -> NeckAxis | None:
    direction = first_direction
    centre: NDArray[np.float64] | None = None
    spread_deg = 0.0
    turns = []
    for _ in range(14):
        found = _smallest_section(crop, head, direction, outline_hu)
        if found is None:
            return None
        centre, spread_deg = found
        new = normalise(0.4 * direction + 0.6 * normalise(head.centre_lps_mm - centre))
        turns.append(find_angle_deg(new, direction))
        direction = new
        if turns[-1] < 0.02:
            break
    assert centre is not None
    return NeckAxis(
        centre_lps_mm=centre,
        direction=direction,
        direction_u_deg=float(
            np.linalg.norm([NECK_U_DEG, turns[-1], spread_deg, head_part_deg(head, centre)])
        ),
    )


def head_part_deg(head: HeadSphere, centre_lps_mm: NDArray[np.float64]) -> float:
    """Return what the head's centre adds to the uncertainty of an axis through another centre."""
    arm_mm = float(np.linalg.norm(head.centre_lps_mm - centre_lps_mm))
    return float(np.degrees(head.centre_u_mm / max(arm_mm, 1.0)))


def _smallest_section(
    crop: CtVolume, head: HeadSphere, direction: NDArray[np.float64], outline_hu: float
) -> tuple[NDArray[np.float64], float] | None:
    """Return the centre of the smallest section across `direction` [mm], and the axes' spread.

    The spread is that of the axes through the sections that are nearly as small [deg].
    """
    # Pixels that run the same way on both sides, so that left and right are mirror images.
    first, second = perpendicular_axes(direction, np.array([0.0, 0.5, 0.8]))
    grid = np.arange(-HALF_MM, HALF_MM + 0.5 * PIXEL_MM, PIXEL_MM)
    low, high = SEARCH_RADII
    distances = np.arange(low * head.radius_mm, high * head.radius_mm, STEP_MM)
    origins = head.centre_lps_mm - distances[:, None] * direction
    planes = sample_planes(crop.voxels_hu, crop.index_to_lps_mm, origins, first, second, grid)
    areas, centres = [], []
    for origin, bone in zip(origins, planes > outline_hu, strict=True):
        labels, count = ndimage.label(ndimage.binary_fill_holes(bone))
        label = labels[len(grid) // 2, len(grid) // 2]
        if count == 0 or label == 0:
            continue
        rows, columns = np.nonzero(labels == label)
        area = rows.size * PIXEL_MM**2
        touches = (
            min(rows.min(), columns.min()) == 0 or max(rows.max(), columns.max()) == len(grid) - 1
        )
        if touches or area < LEAST_AREA_SHARE * np.pi * head.radius_mm**2:
            continue
        areas.append(area)
        centres.append(origin + grid[rows].mean() * first + grid[columns].mean() * second)
    if len(areas) < 3:
        return None
    smooth = ndimage.gaussian_filter1d(np.array(areas), 1.0)
    axes = head.centre_lps_mm - np.array(centres)
    axes /= np.linalg.norm(axes, axis=1, keepdims=True)
    smallest = int(np.argmin(smooth))
    near = axes[smooth <= AS_NARROW * smooth[smallest]]
    off = np.degrees(np.arccos(np.clip(near @ axes[smallest], -1.0, 1.0)))
    return np.asarray(centres[smallest]), float(np.sqrt(np.mean(off**2)))
