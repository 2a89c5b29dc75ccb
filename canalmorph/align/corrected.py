"""The second function of the stage: an aligned femur with what a person set right.

The shaft axis stays: a mark moves level 0 along it, so that a lesser trochanter moved by d moves
every level by d. A mark within 0.05 mm of what was found confirms it and changes nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.align.femur import align_femur
from canalmorph.align.frames import make_frame, make_scanner_frame
from canalmorph.align.metal import (
    is_near_metal,
    keep_condyles,
    keep_neck,
    refuse_hidden_trochanter,
    without_hidden_tip,
)
from canalmorph.align.neck import find_neck_axis
from canalmorph.align.neck_sphere import find_neck_axis_by_sphere
from canalmorph.align.repainted import repaint_outlines
from canalmorph.align.settings import AlignSettings
from canalmorph.femur_errors import FractureAtTrochanterError
from canalmorph.flags import Quality
from canalmorph.geometry.lines import normalise
from canalmorph.geometry.lumps import measure_distance_mm
from canalmorph.model.corrections import Correction, CorrectionKind, Unfit
from canalmorph.model.femur import (
    METAL_REACH_MM,
    AlignedFemur,
    Cortex,
    FemurFrame,
    HeadSphere,
    NeckAxis,
    Plane,
)

#: A mark this near to what was found confirms it. [mm]
CONFIRMED_MM = 0.05
#: Standard uncertainty of a level that a person set: readers of the same flat top lie 0.5 to 0.8 mm
#: apart on real surfaces, by the rule that they follow. [mm]
HAND_LEVEL_U_MM = 1.0
#: The same of a sphere's centre and radius, a pixel of usual CT, and of the neck's middle. [mm]
HAND_HEAD_U_MM, HAND_NECK_U_MM = 0.6, 1.5
#: A mark on the bone lies no farther from its outer surface, one in it from its axis. [mm]
OFF_SURFACE_MM, OFF_AXIS_MM = 20.0, 60.0
#: A break is ragged: nothing is measured this near to it. [mm]
BREAK_REACH_MM = 5.0

_Step = Callable[[AlignedFemur, Correction], AlignedFemur]


class MarkUnfitError(ValueError):
    """A mark does not fit the femur; the text says why, in a sentence."""


def correct_alignment(
    aligned: AlignedFemur, marks: Sequence[Correction], settings: AlignSettings
) -> tuple[AlignedFemur, tuple[Unfit, ...]]:
    """Return the femur with a person's marks, and those that do not fit it.

    Parameters
    ----------
    aligned : AlignedFemur
        As it was found.
    marks : sequence of Correction
        Of this femur, in any order.
    settings : AlignSettings
        For what is looked for anew below a fracture.

    Raises
    ------
    CanalMorphError
        If what is marked leaves nothing to measure (metal at the lesser trochanter, a fracture).
    """
    unfit: list[Unfit] = []

    def look_anew(found: AlignedFemur, mark: Correction) -> AlignedFemur:
        return _cut_at_break(found, mark, settings)

    steps: dict[CorrectionKind, _Step] = {
        CorrectionKind.FRACTURE: look_anew,
        CorrectionKind.HEAD: _set_head,
        CorrectionKind.NECK: _set_neck,
        CorrectionKind.PLANE: _set_plane,
        CorrectionKind.LESSER_TROCHANTER: _set_trochanter,
        CorrectionKind.ISTHMUS: _set_isthmus,
        CorrectionKind.METAL: _add_metal,
    }
    for kind, step in steps.items():
        for mark in (one for one in marks if one.kind is kind):
            try:
                aligned = step(aligned, mark)
            except MarkUnfitError as error:
                unfit.append(Unfit(mark=mark, reason=str(error)))
    painted = [one for one in marks if one.kind.value.endswith("_outline")]
    cortex, left_out = repaint_outlines(aligned.cortex, aligned.frame, painted)
    return replace(aligned, cortex=cortex), (*unfit, *left_out)


def _point(mark: Correction) -> NDArray[np.float64]:
    return np.array(mark.points_lps_mm[0])


def _height_mm(frame: FemurFrame, point: NDArray[np.float64]) -> float:
    return float(frame.lps_to_frame_mm(point)[2])


def _check_on_shaft(aligned: AlignedFemur, point: NDArray[np.float64]) -> float:
    """Return the level of a point that lies in the femur as far as its rings reach [mm]."""
    levels = aligned.frame.lps_to_frame_mm(aligned.cortex.outer_lps_mm)[..., 2]
    place = aligned.frame.lps_to_frame_mm(point)
    if not np.nanmin(levels) <= place[2] <= np.nanmax(levels):
        raise MarkUnfitError("It lies above or below the part of the femur that is measured.")
    if np.hypot(place[0], place[1]) > OFF_AXIS_MM:
        raise MarkUnfitError("It lies beside the femur.")
    return float(place[2])


def _cut_at_break(aligned: AlignedFemur, mark: Correction, settings: AlignSettings) -> AlignedFemur:
    """Return the femur as if the scan ended at a break of the shaft."""
    level = _check_on_shaft(aligned, _point(mark))
    cortex = aligned.cortex
    if level > -BREAK_REACH_MM:
        raise FractureAtTrochanterError(side=cortex.femur.side.value)
    height = float((_point(mark) - cortex.axis_point_lps_mm) @ cortex.axis_direction)
    above = cortex.heights_mm > height + BREAK_REACH_MM
    femur = replace(cortex.femur, knee=None, shaft_leaves_scan=True)
    found = align_femur(_keep_rings(replace(cortex, femur=femur), above), settings)
    return replace(found, warnings=(*found.warnings, "fracture_marked"))


def _keep_rings(cortex: Cortex, kept: NDArray[np.bool_]) -> Cortex:
    by_ring = (
        "heights_mm",
        "outer_lps_mm",
        "canal_lps_mm",
        "dense_lps_mm",
        "outer_u_mm",
        "canal_u_mm",
        "outer_shared_u_mm",
        "canal_shared_u_mm",
        "quality",
    )
    return replace(cortex, **{name: getattr(cortex, name)[kept] for name in by_ring})


def _set_head(aligned: AlignedFemur, mark: Correction) -> AlignedFemur:
    """Return the femur with another head: its neck, and a plane through that, are found anew."""
    cortex, centre = aligned.cortex, _point(mark)
    radius = float(mark.radius_mm or 0.0)
    old = cortex.femur.head
    if (
        old is not None
        and old.separated
        and np.linalg.norm(centre - old.centre_lps_mm) < CONFIRMED_MM
        and abs(radius - old.radius_mm) < CONFIRMED_MM
    ):
        return aligned
    if _height_mm(aligned.frame, centre) < 0 or not _lies_in_crop(cortex, centre):
        raise MarkUnfitError("The head's centre lies outside the scan or below the trochanter.")
    head = HeadSphere(
        centre_lps_mm=centre,
        radius_mm=radius,
        centre_u_mm=HAND_HEAD_U_MM,
        radius_u_mm=HAND_HEAD_U_MM,
        inlier_share=np.nan,
    )
    if is_near_metal(cortex, centre):
        head = replace(head, separated=False, near_metal=True)
    cortex = replace(cortex, femur=replace(cortex.femur, head=head))
    neck = None
    if head.separated:
        upwards = aligned.frame.frame_to_lps_mm(np.array([0.0, 0.0, 0.58 * 45.0]))
        first = normalise(centre - upwards) if aligned.neck is None else aligned.neck.direction
        neck = keep_neck(cortex, find_neck_axis(cortex.femur.crop, head, first))
    return _with_neck(replace(aligned, cortex=cortex), neck)


def _lies_in_crop(cortex: Cortex, point: NDArray[np.float64]) -> bool:
    crop = cortex.femur.crop
    index = (np.linalg.inv(crop.index_to_lps_mm) @ [*point, 1.0])[:3]
    return bool(((index >= 0) & (index <= np.array(crop.voxels_hu.shape) - 1)).all())


def _with_neck(aligned: AlignedFemur, neck: NeckAxis | None) -> AlignedFemur:
    """Return the femur with another neck; ML follows it, unless it was taken from elsewhere."""
    head = aligned.cortex.femur.head
    warnings = tuple(one for one in aligned.warnings if one != "neck_not_found")
    if neck is None and head is not None and head.separated:
        warnings = (*warnings, "neck_not_found")
    found = replace(
        aligned,
        neck=neck,
        neck_by_sphere=None
        if neck is None or head is None
        else find_neck_axis_by_sphere(aligned.cortex.femur.crop, head, neck.direction),
        warnings=warnings,
    )
    if neck is not None:
        return _turn_plane(found, Plane.NECK)
    return found if aligned.neck is None else _fall_back(found)


def _fall_back(aligned: AlignedFemur) -> AlignedFemur:
    plane = Plane.SCANNER if aligned.condyles is None else Plane.CONDYLAR
    return _turn_plane(aligned, plane)


def _turn_plane(aligned: AlignedFemur, plane: Plane) -> AlignedFemur:
    """Return the femur with ML by the neck, the condyles or the scanner."""
    frame = aligned.frame
    if plane is Plane.NECK and aligned.neck is not None:
        frame = make_frame(frame.origin_lps_mm, frame.proximal, aligned.neck.direction, plane)
    elif plane is Plane.CONDYLAR and aligned.condyles is not None:
        frame = make_frame(frame.origin_lps_mm, frame.proximal, aligned.condyles.medial, plane)
    elif plane is Plane.SCANNER:
        frame = make_scanner_frame(frame.origin_lps_mm, frame.proximal, aligned.cortex.femur.side)
    else:
        raise MarkUnfitError(f"The plane {plane.value} needs what was not found on this femur.")
    return replace(aligned, frame=frame)


def _set_neck(aligned: AlignedFemur, mark: Correction) -> AlignedFemur:
    """Return the femur with the neck's axis from a marked middle to the head's centre."""
    head, middle = aligned.cortex.femur.head, _point(mark)
    if head is None or not head.separated:
        raise MarkUnfitError("The neck's axis ends at the head's centre, which is not known.")
    if (
        aligned.neck is not None
        and np.linalg.norm(middle - aligned.neck.centre_lps_mm) < CONFIRMED_MM
    ):
        return aligned
    arm = float(np.linalg.norm(head.centre_lps_mm - middle))
    if not 0.5 * head.radius_mm < arm < 3.0 * head.radius_mm:
        raise MarkUnfitError("The neck's middle lies too near to the head's centre or too far.")
    neck = NeckAxis(
        centre_lps_mm=middle,
        direction=normalise(head.centre_lps_mm - middle),
        direction_u_deg=float(np.degrees(np.hypot(HAND_NECK_U_MM, head.centre_u_mm) / arm)),
    )
    kept = keep_neck(aligned.cortex, neck)
    if kept is None:
        raise MarkUnfitError("Metal lies in or beside the neck.")
    return _with_neck(aligned, kept)


def _set_plane(aligned: AlignedFemur, mark: Correction) -> AlignedFemur:
    if mark.plane is not Plane.HAND:
        return _turn_plane(aligned, mark.plane or Plane.NECK)
    start, end = np.array(mark.points_lps_mm)
    frame = aligned.frame
    line = (end - start) - ((end - start) @ frame.proximal) * frame.proximal
    if np.linalg.norm(line) < 1.0:
        raise MarkUnfitError("The line of the plane is too short, or runs along the shaft.")
    # A line has no ends of its own: medial is the one that looks as medial did.
    towards = line if line @ frame.medial >= 0 else -line
    return replace(
        aligned, frame=make_frame(frame.origin_lps_mm, frame.proximal, towards, Plane.HAND)
    )


def _set_trochanter(aligned: AlignedFemur, mark: Correction) -> AlignedFemur:
    """Return the femur with level 0 at a marked apex."""
    apex, frame = _point(mark), aligned.frame
    old = aligned.lesser_trochanter
    if np.linalg.norm(apex - old.apex_lps_mm) < CONFIRMED_MM:
        return aligned
    level = _check_on_shaft(aligned, apex)
    distances = np.linalg.norm(aligned.cortex.outer_lps_mm.reshape(-1, 3) - apex, axis=1)
    if np.nanmin(distances) > OFF_SURFACE_MM:
        raise MarkUnfitError("It lies too far from the bone's surface.")
    found = replace(
        aligned,
        lesser_trochanter=replace(
            old, apex_lps_mm=apex, level_u_mm=HAND_LEVEL_U_MM, confidence=1.0
        ),
        frame=replace(frame, origin_lps_mm=frame.origin_lps_mm + level * frame.proximal),
        warnings=tuple(one for one in aligned.warnings if one != "lt_uncertain"),
    )
    refuse_hidden_trochanter(found.cortex, found.lesser_trochanter)
    return found


def _set_isthmus(aligned: AlignedFemur, mark: Correction) -> AlignedFemur:
    if not aligned.shaft_in_view:
        raise MarkUnfitError("Too little of the shaft is in view.")
    level = _check_on_shaft(aligned, _point(mark))
    if level > 0:
        raise MarkUnfitError("The isthmus lies below the lesser trochanter.")
    return replace(
        aligned,
        marked_isthmus_lps_mm=_point(mark),
        warnings=tuple(
            one
            for one in aligned.warnings
            if one not in ("isthmus_not_in_view", "isthmus_ambiguous")
        ),
    )


def _add_metal(aligned: AlignedFemur, mark: Correction) -> AlignedFemur:
    """Return the femur with metal at a point: what it reaches is blank, as if it had been seen."""
    cortex = aligned.cortex
    metal = np.concatenate([cortex.femur.metal_lps_mm, _point(mark)[None]])
    distances = measure_distance_mm(cortex.outer_lps_mm, metal)
    near = (distances < METAL_REACH_MM).any(axis=1)
    head = cortex.femur.head
    if head is not None and (
        measure_distance_mm(head.centre_lps_mm, metal) < head.radius_mm + METAL_REACH_MM
    ):
        head = replace(head, separated=False, near_metal=True)
    cortex = replace(
        cortex,
        femur=replace(cortex.femur, metal_lps_mm=metal, head=head),
        quality=cortex.quality | np.where(near, int(Quality.METAL), 0),
    )
    refuse_hidden_trochanter(cortex, aligned.lesser_trochanter)
    found = replace(aligned, cortex=cortex, condyles=keep_condyles(cortex, aligned.condyles))
    if aligned.neck is not None:
        separated = head is not None and head.separated
        neck = keep_neck(cortex, aligned.neck) if separated else None
        if neck is None:
            found = _fall_back(replace(found, neck=None, neck_by_sphere=None))
    return without_hidden_tip(found)
