"""The femur's lower end: posterior condylar line, epicondyles and the farthest point.

The line rests on both condyles from behind, seen along the proximal shaft axis: the table on which
the bone's lower end would lie, had it been turned about that axis only.
"""

from collections.abc import Callable
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import ConvexHull, QhullError

from canalmorph.align.frames import find_posterior
from canalmorph.align.knee import DistalFemur, find_distal_femur
from canalmorph.align.patch import Patch, Vertex, find_top, find_vertex, trace_patch
from canalmorph.geometry.lines import find_angle_deg, normalise, perpendicular_axes
from canalmorph.model.femur import Condyles, KneeView, Side
from canalmorph.model.volume import CtVolume

#: The condyles lie within this of the femur's lower end. [mm]
CONDYLES_MM = 45.0
#: Distance of the places where the condylar line rests, and the greatest width of the condyles:
#: small women's to large men's knees. [mm]
SPACING_MM, WIDTH_MM = (30.0, 75.0), (55.0, 110.0)
#: The leg lies turned by no more than this against the table. [deg]
LARGEST_TURN_DEG = 65.0
#: Half edges of the patches on a posterior condyle, an epicondyle and the lowest place. [mm]
POSTERIOR_MM, EPICONDYLE_MM, LOWEST_MM = 9.0, 15.0, 8.0
#: An epicondyle's point is the middle of its top so high. [mm]
TOP_MM = 1.0
#: Epicondyles lie from this far below to this far above the places of the condylar line. [mm]
EPICONDYLE_BELOW_MM, EPICONDYLE_ABOVE_MM = 12.0, 35.0
#: Standard uncertainty of a condyle's height that its edges do not show: density of the shell
#: and shape, which differ between the condyles. [mm]
EDGE_U_MM = 0.2
#: A shell that is thin for its slices ends early or late by this share of their distance.
SLICE_SHARE = 0.3


def find_condyles(knee: KneeView, proximal: NDArray[np.float64], side: Side) -> Condyles | None:
    """Return the landmarks of the femur's lower end, or None where no two condyles are seen whole.

    Parameters
    ----------
    knee : KneeView
        The neighbourhood of the lower end.
    proximal : (3,) float array
        Direction of the proximal shaft axis.
    side : Side
        Tells medial from lateral.
    """
    bone = find_distal_femur(knee, side)
    if bone is None:
        return None
    first = _find_contacts(bone, proximal, side)
    if first is None:
        return None
    found = _settle_line(knee.crop, first, proximal)
    if found is None:
        return None
    contacts, us = found
    medial = _across(contacts[0] - contacts[1], proximal)
    distance = float((contacts[0] - contacts[1]) @ medial)
    if not SPACING_MM[0] <= distance <= SPACING_MM[1]:
        return None
    epicondyles = _find_epicondyles(knee.crop, bone, contacts, medial, proximal)
    lowest = _find_lowest(knee.crop, bone, contacts, medial, proximal)
    return Condyles(
        medial_posterior_lps_mm=contacts[0],
        lateral_posterior_lps_mm=contacts[1],
        medial=medial,
        medial_u_deg=float(np.degrees(np.hypot(us[0], us[1]) / distance)),
        medial_epicondyle_lps_mm=None if epicondyles is None else epicondyles[0],
        lateral_epicondyle_lps_mm=None if epicondyles is None else epicondyles[1],
        epicondyle_u_mm=0.0 if epicondyles is None else epicondyles[2],
        lowest_lps_mm=None if lowest is None else lowest[0],
        lowest_u_mm=0.0 if lowest is None else lowest[1],
        second_block=knee.second_block,
    )


def _across(vector: NDArray[np.float64], proximal: NDArray[np.float64]) -> NDArray[np.float64]:
    return normalise(vector - (vector @ proximal) * proximal)


def _climb(
    crop: CtVolume,
    place: NDArray[np.float64],
    axes: NDArray[np.float64],
    *,
    half_mm: float,
    find: Callable[[Patch], Vertex],
) -> tuple[NDArray[np.float64], Vertex] | None:
    """Return a coarse place moved to where a patch around it stands out farthest, or None [mm]."""
    for _ in range(3):
        patch = trace_patch(crop, place, axes, half_mm=half_mm)
        if patch is None:
            return None
        top = find(patch)
        place = place + np.array([top.across_mm, top.along_mm, top.height_mm]) @ axes
        if max(abs(top.across_mm), abs(top.along_mm)) < 1.0:
            break
    return (place, top) if top.inside else None


def _find_contacts(
    bone: DistalFemur, proximal: NDArray[np.float64], side: Side
) -> NDArray[np.float64] | None:
    """Return the two coarse places, medial first, where a line rests from behind [mm]."""
    heights = bone.points_lps_mm @ proximal
    points = bone.points_lps_mm[heights < heights.min() + CONDYLES_MM]
    back, right = perpendicular_axes(proximal, np.array([0.0, 1.0, 0.0]))
    flat = np.stack([points @ right, points @ back], axis=1)
    try:
        corners = ConvexHull(flat).vertices
    except QhullError:
        return None
    ends = np.roll(corners, -1)
    edges = flat[ends] - flat[corners]
    lengths = np.linalg.norm(edges, axis=1)
    # Corners run counter-clockwise, so that an edge's outward normal is (dy, -dx).
    behind = -edges[:, 0] > np.cos(np.radians(LARGEST_TURN_DEG)) * lengths
    if not behind.any():
        return None
    longest = int(np.argmax(np.where(behind, lengths, 0.0)))
    width = np.ptp(flat @ (edges[longest] / lengths[longest]))
    if not SPACING_MM[0] * 0.7 <= lengths[longest] or not WIDTH_MM[0] <= width <= WIDTH_MM[1]:
        return None
    pair = points[[corners[longest], ends[longest]]]
    order = np.argsort(pair[:, 0] * -side.medial_x_sign)
    return np.asarray(pair[order])


def _settle_line(
    crop: CtVolume, first: NDArray[np.float64], proximal: NDArray[np.float64]
) -> tuple[NDArray[np.float64], tuple[float, float]] | None:
    """Return both places of rest and the uncertainty of their heights, or None [mm]."""
    contacts = first
    for _ in range(6):
        medial = _across(contacts[0] - contacts[1], proximal)
        axes = np.stack([medial, proximal, find_posterior(proximal, medial)])
        tops: list[Vertex] = []
        moved = []
        for contact in contacts:
            patch = trace_patch(crop, contact, axes, half_mm=POSTERIOR_MM)
            if patch is None:
                return None
            top = find_vertex(patch)
            tops.append(top)
            moved.append(contact + np.array([top.across_mm, top.along_mm, top.height_mm]) @ axes)
        turned = find_angle_deg(_across(moved[0] - moved[1], proximal), medial)
        shift = float(np.linalg.norm(np.array(moved) - contacts, axis=1).max())
        contacts = np.array(moved)
        if turned < 0.02 and shift < 1.0:
            break
    if not all(top.inside for top in tops):
        return None
    us = [float(np.hypot(top.height_u_mm, EDGE_U_MM)) for top in tops]
    return contacts, (us[0], us[1])


def _find_epicondyles(
    crop: CtVolume,
    bone: DistalFemur,
    contacts: NDArray[np.float64],
    medial: NDArray[np.float64],
    proximal: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.float64], float] | None:
    """Return medial and lateral epicondyle and their uncertainty, or None [mm]."""
    level = float(contacts.mean(axis=0) @ proximal)
    heights = bone.points_lps_mm @ proximal - level
    part = bone.points_lps_mm[(heights > -EPICONDYLE_BELOW_MM) & (heights < EPICONDYLE_ABOVE_MM)]
    if len(part) == 0:
        return None
    find_epicondyle = partial(find_top, depth_mm=TOP_MM)
    places, us = [], []
    for way in (1.0, -1.0):
        outwards = way * medial
        axes = np.stack([find_posterior(proximal, medial), proximal, outwards])
        reach = part @ outwards
        place = part[reach > reach.max() - 2.0].mean(axis=0)
        found = _climb(crop, place, axes, half_mm=EPICONDYLE_MM, find=find_epicondyle)
        if found is None:
            return None
        places.append(found[0])
        us.append(found[1].height_u_mm)
    return places[0], places[1], max(us)


def _find_lowest(
    crop: CtVolume,
    bone: DistalFemur,
    contacts: NDArray[np.float64],
    medial: NDArray[np.float64],
    proximal: NDArray[np.float64],
) -> tuple[NDArray[np.float64], float] | None:
    """Return the farthest point along the axis and its height's uncertainty, or None [mm]."""
    if not bone.ends_in_view:
        return None
    middle = float(contacts.mean(axis=0) @ medial)
    aside = bone.points_lps_mm @ medial - middle
    axes = np.stack([medial, find_posterior(proximal, medial), -proximal])
    best: tuple[NDArray[np.float64], float] | None = None
    for way in (1.0, -1.0):
        part = bone.points_lps_mm[way * aside > 5.0]
        if len(part) == 0:
            continue
        drop = -(part @ proximal)
        place = part[drop > drop.max() - 1.5].mean(axis=0)
        found = _climb(crop, place, axes, half_mm=LOWEST_MM, find=find_vertex)
        if found is None:
            return None
        place, top = found
        if best is None or float(place @ proximal) < float(best[0] @ proximal):
            u_slices = SLICE_SHARE * float(crop.spacing_mm[0])
            best = place, float(np.hypot(top.height_u_mm, EDGE_U_MM + u_slices))
    return best
