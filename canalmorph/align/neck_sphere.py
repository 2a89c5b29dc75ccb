"""The neck's axis by the enlarged head sphere: where it cuts the neck, and the head's centre.

The method of 102 dry femora [neck_axes_102]: the head's sphere, 25 % larger, cuts the neck in a
patch of the sphere; the patch's centre and the head's centre are the axis. It looks at the neck
nearer to the head than the narrowest section, and needs no plane to be chosen.
"""

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.align.neck import OUTLINES_HU, head_part_deg
from canalmorph.geometry.lines import find_angle_deg, normalise, perpendicular_axes
from canalmorph.geometry.sampling import sample_points
from canalmorph.model.femur import HeadSphere, NeckAxis
from canalmorph.model.volume import CtVolume
from canalmorph.published import NECK_SPHERE_ENLARGED

#: Half opening of the cap of the sphere that is looked at, and distance of its samples. [deg]
HALF_DEG, STEP_DEG = 75.0, 1.5
#: The patch of a neck lies within these shares of the whole sphere.
PATCH_SHARE = (0.02, 0.25)
#: The axis moves by no more than this at the end. [deg]
SETTLED_DEG, N_ROUNDS = 0.05, 12
#: Patches on spheres this much smaller and larger: what they change is the axis's uncertainty,
#: with the second at least. [1, deg]
OTHER_SPHERE, SPHERE_U_DEG = 0.05, 0.3


def find_neck_axis_by_sphere(
    crop: CtVolume, head: HeadSphere, first_direction: NDArray[np.float64]
) -> NeckAxis | None:
    """Return the axis through the patch that the enlarged head sphere cuts, or None.

    Parameters
    ----------
    crop : CtVolume
        The femur's neighbourhood.
    head : HeadSphere
        Its sphere.
    first_direction : (3,) float array
        Rough unit vector of the neck towards the head.
    """
    for outline_hu in OUTLINES_HU:
        found = _settle(crop, head, first_direction, NECK_SPHERE_ENLARGED, outline_hu)
        if found is None:
            continue
        spread = [
            find_angle_deg(other, found)
            for change in (-OTHER_SPHERE, OTHER_SPHERE)
            for other in (_settle(crop, head, found, NECK_SPHERE_ENLARGED + change, outline_hu),)
            if other is not None
        ]
        centre = head.centre_lps_mm - NECK_SPHERE_ENLARGED * head.radius_mm * found
        u_deg = [SPHERE_U_DEG, max(spread, default=5.0), head_part_deg(head, centre)]
        return NeckAxis(
            centre_lps_mm=centre,
            direction=found,
            direction_u_deg=float(np.linalg.norm(u_deg)),
        )
    return None


def _settle(
    crop: CtVolume,
    head: HeadSphere,
    direction: NDArray[np.float64],
    enlarged: float,
    outline_hu: float,
) -> NDArray[np.float64] | None:
    for _ in range(N_ROUNDS):
        found = _patch_direction(crop, head, direction, enlarged, outline_hu)
        if found is None:
            return None
        turned = find_angle_deg(found, direction)
        direction = found
        if turned < SETTLED_DEG:
            break
    return direction


def _patch_direction(
    crop: CtVolume,
    head: HeadSphere,
    direction: NDArray[np.float64],
    enlarged: float,
    outline_hu: float,
) -> NDArray[np.float64] | None:
    """Return the unit vector from the patch's centre to the head's, or None without a patch."""
    first, second = perpendicular_axes(-direction, np.array([0.0, 0.5, 0.8]))
    angles = np.radians(np.arange(-HALF_DEG, HALF_DEG + 0.5 * STEP_DEG, STEP_DEG))
    a, b = np.meshgrid(angles, angles, indexing="ij")
    polar = np.hypot(a, b)
    shrink = np.sinc(polar / np.pi)  # area of a sample, and length of its step across
    rays = (
        np.cos(polar)[..., None] * -direction
        + (a * shrink)[..., None] * first
        + (b * shrink)[..., None] * second
    )
    points = head.centre_lps_mm + enlarged * head.radius_mm * rays
    values = sample_points(crop.voxels_hu, crop.index_to_lps_mm, points.reshape(-1, 3))
    bone = (values.reshape(polar.shape) > outline_hu) & (polar < np.radians(HALF_DEG))
    labels, _ = ndimage.label(ndimage.binary_fill_holes(bone))
    label = labels[len(angles) // 2, len(angles) // 2]
    if label == 0:
        return None
    weights = np.where(labels == label, shrink, 0.0)
    share = float(weights.sum()) * np.radians(STEP_DEG) ** 2 / (4 * np.pi)
    touches = bool((polar[labels == label] > np.radians(HALF_DEG - STEP_DEG)).any())
    if touches or not PATCH_SHARE[0] < share < PATCH_SHARE[1]:
        return None
    return normalise(-(rays * weights[..., None]).sum(axis=(0, 1)))
