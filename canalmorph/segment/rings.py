"""Rings around the rough axis: where the bone's first outline lies on each section."""

from dataclasses import dataclass

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.femur_errors import ShaftTooShortError
from canalmorph.geometry.lines import fit_line, normalise, perpendicular_axes
from canalmorph.geometry.sampling import sample_planes
from canalmorph.model.femur import Femur, HeadSphere
from canalmorph.model.shaft import SHORTEST_AXIS_MM
from canalmorph.segment.settings import SegmentSettings

#: The rough axis runs through sections this far below the head's centre, which is below the
#: flare of the lesser trochanter. [mm]
AXIS_BELOW_HEAD_MM = (75.0, 210.0)
#: Without a head, rings reach this far above the uppermost round section. [mm]
ABOVE_SHAFT_MM = 25.0
#: Half edge and pixel of the coarse sections; on the shaft half the edge holds the bone. [mm]
HALF_MM, SHAFT_HALF_MM, PIXEL_MM = 72.0, 40.0, 0.8
#: Where the shaft's densest parts look fainter than the first, the first outline's threshold falls
#: with them, but never below a share that keeps muscle out. The share of bone that is densest.
FAINT_HU, LEAST_THRESHOLD_SHARE, DENSEST_PERCENT = 900.0, 0.6, 98.0
#: Bone this far outside the head's sphere, on the side away from the neck, is the acetabulum. [mm]
SOCKET_MM = (0.7, 26.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughAxis:
    """A straight line along the shaft with two directions across it.

    Attributes
    ----------
    point_lps_mm, direction : (3,) float arrays
        Height 0 is the foot of the head's centre; the direction points proximally.
    first, second : (3,) float arrays
        Unit vectors across; the first points medially.
    """

    point_lps_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    first: NDArray[np.float64]
    second: NDArray[np.float64]


def find_rough_axis(femur: Femur) -> RoughAxis:
    """Return the line through the shaft's sections below the lesser trochanter.

    Without a head, height 0 lies over the upper end of the round sections, which end below the
    neck or where the scan does.

    Raises
    ------
    ShaftTooShortError
        If too little of the shaft is in view, and no head.
    """
    path = femur.shaft_path_lps_mm
    head = femur.head
    top = path[-1] + [0.0, 0.0, ABOVE_SHAFT_MM] if head is None else head.centre_lps_mm
    drop = top[2] - path[:, 2]
    part = path[(drop > AXIS_BELOW_HEAD_MM[0]) & (drop < AXIS_BELOW_HEAD_MM[1])]
    length_mm = float(np.linalg.norm(part[-1] - part[0])) if len(part) > 3 else 0.0
    if length_mm < SHORTEST_AXIS_MM and (head is None or not head.separated):
        raise ShaftTooShortError(side=femur.side.value, length_mm=length_mm)
    if length_mm < SHORTEST_AXIS_MM:
        # A hip alone: its head and trochanter can be had, and `align` gives no number of the shaft.
        point, direction = path[len(path) // 2], np.array([0.0, 0.0, 1.0])
    else:
        point, direction = fit_line(part)
    foot = point + direction * ((top - point) @ direction)
    medial = np.array([float(femur.side.medial_x_sign), 0.0, 0.0])
    towards = medial if head is None else normalise(top - foot)
    first, second = perpendicular_axes(direction, towards)
    return RoughAxis(point_lps_mm=foot, direction=direction, first=first, second=second)


@njit(parallel=True, cache=True, nogil=True)
def _farthest_bone(labels, wanted, centres, half, pixel, n_rays, radii):  # type: ignore[no-untyped-def]  # compiled
    """Farthest pixel of one component along each ray from its centre [mm]."""
    size = labels.shape[1]
    for ring in prange(labels.shape[0]):
        for ray in range(n_rays):
            angle = 2 * np.pi * ray / n_rays
            c, s = np.cos(angle), np.sin(angle)
            r = 2 * half
            while r > 0:
                a = int(np.rint((centres[ring, 0] + r * c + half) / pixel))
                b = int(np.rint((centres[ring, 1] + r * s + half) / pixel))
                if 0 <= a < size and 0 <= b < size and labels[ring, a, b] == wanted[ring]:
                    radii[ring, ray] = r
                    break
                r -= 0.5 * pixel


def find_first_outlines(
    femur: Femur, axis: RoughAxis, heights_mm: NDArray[np.float64], settings: SegmentSettings
) -> NDArray[np.float64]:
    """Return the first outline of the bone on every ring, to about a pixel of 0.8 mm.

    Parameters
    ----------
    femur : Femur
        Its crop is sampled.
    axis : RoughAxis
        The rings lie perpendicular to it.
    heights_mm : (n,) float array
        Ascending. [mm]
    settings : SegmentSettings
        Threshold and number of rays.

    Returns
    -------
    (n, m, 3) float array
        Patient coordinates; NaN on rings without bone. [mm]
    """
    bone = _section_masks(femur, axis, heights_mm, settings.outline_hu)
    labels = np.zeros(bone.shape, dtype=np.int32)
    wanted = np.full(len(bone), -1, dtype=np.int32)
    centres = np.zeros((len(bone), 2))
    start = int(np.argmin(np.abs(heights_mm + AXIS_BELOW_HEAD_MM[0])))
    for order in (range(start, len(bone)), range(start - 1, -1, -1)):
        centre = _path_centre(femur, axis, float(heights_mm[start]))
        for ring in order:
            labels[ring], wanted[ring] = _femur_component(bone[ring], centre)
            if wanted[ring] > 0:
                a, b = np.nonzero(labels[ring] == wanted[ring])
                box = np.array([a.min() + a.max(), b.min() + b.max()]) / 2 * PIXEL_MM - HALF_MM
                mean = np.array([a.mean(), b.mean()]) * PIXEL_MM - HALF_MM
                centre = 0.5 * (box + mean)
            centres[ring] = centre
    radii = np.full((len(bone), settings.rays_per_ring), np.nan)
    _farthest_bone(labels, wanted, centres, HALF_MM, PIXEL_MM, settings.rays_per_ring, radii)
    radii = _without_outliers(radii)
    angles = 2 * np.pi * np.arange(settings.rays_per_ring) / settings.rays_per_ring
    across = np.cos(angles)[:, None] * axis.first + np.sin(angles)[:, None] * axis.second
    middle = (
        axis.point_lps_mm
        + heights_mm[:, None] * axis.direction
        + centres[:, :1] * axis.first
        + centres[:, 1:] * axis.second
    )
    return np.asarray(middle[:, None, :] + radii[..., None] * across)


def _section_masks(
    femur: Femur, axis: RoughAxis, heights_mm: NDArray[np.float64], outline_hu: float
) -> NDArray[np.bool_]:
    """Return bone on coarse sections, without what belongs to the hip's socket."""
    grid = np.arange(-HALF_MM, HALF_MM + 0.5 * PIXEL_MM, PIXEL_MM)
    inner = np.abs(grid) <= SHAFT_HALF_MM
    bone = np.zeros((len(heights_mm), len(grid), len(grid)), dtype=bool)
    threshold_hu = outline_hu
    origins = axis.point_lps_mm + heights_mm[:, None] * axis.direction
    shaft = heights_mm < -AXIS_BELOW_HEAD_MM[0]
    for rings, used in ((shaft, inner), (~shaft, np.ones_like(inner))):
        values = sample_planes(
            femur.crop.voxels_hu,
            femur.crop.index_to_lps_mm,
            origins[rings],
            axis.first,
            axis.second,
            grid[used],
        )
        if rings is shaft:
            threshold_hu = _find_threshold_hu(values, outline_hu)
        bone[np.ix_(rings, used, used)] = values > threshold_hu
    if femur.head is not None:
        plane = grid[:, None, None] * axis.first + grid[None, :, None] * axis.second
        for ring in np.flatnonzero(np.abs(heights_mm) < femur.head.radius_mm + SOCKET_MM[1]):
            bone[ring] &= ~_in_socket(plane + origins[ring], axis, femur.head)
    return bone


def _find_threshold_hu(shaft_hu: NDArray[np.float32], outline_hu: float) -> float:
    """Return the threshold of the first outline, lower where the shaft is faint all over [HU]."""
    least_hu = LEAST_THRESHOLD_SHARE * outline_hu
    bone = shaft_hu[shaft_hu > least_hu]
    if not bone.size:
        return outline_hu
    densest_hu = float(np.percentile(bone, DENSEST_PERCENT))
    return float(np.clip(outline_hu * densest_hu / FAINT_HU, least_hu, outline_hu))


def _in_socket(points: NDArray[np.float64], axis: RoughAxis, head: HeadSphere) -> NDArray[np.bool_]:
    """Whether points lie outside the head's sphere on the side away from the neck."""
    arm = points - head.centre_lps_mm
    distance = np.linalg.norm(arm, axis=-1)
    neck = normalise(axis.point_lps_mm - 30.0 * axis.direction - head.centre_lps_mm)
    away = arm @ neck < 0.35 * distance
    near = (distance > head.radius_mm + SOCKET_MM[0]) & (distance < head.radius_mm + SOCKET_MM[1])
    beyond = arm @ axis.first > head.radius_mm + SOCKET_MM[0]
    return np.asarray((near & away) | beyond)


def _path_centre(femur: Femur, axis: RoughAxis, height_mm: float) -> NDArray[np.float64]:
    """Return where the rough path crosses a height, as coordinates across the axis [mm]."""
    arm = femur.shaft_path_lps_mm - axis.point_lps_mm
    heights = arm @ axis.direction
    nearest = arm[int(np.argmin(np.abs(heights - height_mm)))]
    return np.array([nearest @ axis.first, nearest @ axis.second])


def _femur_component(
    bone: NDArray[np.bool_], centre: NDArray[np.float64]
) -> tuple[NDArray[np.int32], int]:
    """Return labels and the label of the component around, or else nearest, the last centre."""
    labels, count = ndimage.label(bone)
    if count == 0:
        return labels.astype(np.int32), -1
    at = (centre + HALF_MM) / PIXEL_MM
    best, best_size = -1, 0
    for number, part in enumerate(ndimage.find_objects(labels, count), start=1):
        size = int((labels[part] == number).sum())
        inside = all(part[n].start - 4 <= at[n] <= part[n].stop + 4 for n in range(2))
        if inside and size > best_size:
            best, best_size = number, size
    return labels.astype(np.int32), best


def _without_outliers(radii: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return radii smoothed by medians over 3 rings and 7 rays; single gaps are closed."""
    n_rays = radii.shape[1]
    wrapped = np.concatenate([radii[:, -3:], radii, radii[:, :3]], axis=1)
    padded = np.pad(wrapped, ((1, 1), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, (3, 7))
    flat = windows.reshape(len(radii), n_rays, 21)
    known = np.isfinite(flat).sum(-1)
    filled = np.where(np.isfinite(flat), flat, np.inf)
    ordered = np.sort(filled, axis=-1)
    middle = np.take_along_axis(ordered, (np.maximum(known, 1) // 2)[..., None], axis=-1)[..., 0]
    return np.where(known >= 7, middle, np.nan)
