"""The second function of the stage: an aligned femur with what a person set right.

A mark takes the place of what would have been found, and the femur is aligned again with it: axis,
levels and plane follow as if the landmark had been found there. A mark within 0.05 mm of what was
found confirms it and changes nothing.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.align.femur import align_given, find_neck
from canalmorph.align.frames import make_frame, make_scanner_frame
from canalmorph.align.given import GivenLandmarks
from canalmorph.align.metal import keep_condyles, keep_neck, refuse_hidden_trochanter
from canalmorph.align.repainted import repaint_outlines
from canalmorph.align.settings import AlignSettings
from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import (
    CanalNotFollowedError,
    FractureAtTrochanterError,
    HeadNotInViewError,
    LesserTrochanterError,
    ShaftTooShortError,
)
from canalmorph.flags import Quality
from canalmorph.geometry.lines import normalise
from canalmorph.geometry.lumps import measure_distance_mm
from canalmorph.model.corrections import CONFIRMED_MM, Correction, CorrectionKind, Unfit
from canalmorph.model.femur import (
    METAL_REACH_MM,
    AlignedFemur,
    Cortex,
    FemurFrame,
    HeadSphere,
    LesserTrochanter,
    NeckAxis,
    Plane,
)
from canalmorph.model.shaft import ISTHMUS_BELOW_MM

#: Standard uncertainty of a level that a person set: readers of the same flat top lie 0.5 to 0.8 mm
#: apart on real surfaces, by the rule that they follow. [mm]
HAND_LEVEL_U_MM = 1.0
#: The same of a sphere's centre and radius, a pixel of usual CT, and of the neck's middle. [mm]
HAND_HEAD_U_MM, HAND_NECK_U_MM = 0.6, 1.5
#: A mark on the bone lies no farther from its outer surface, one in it from its axis. [mm]
OFF_SURFACE_MM, OFF_AXIS_MM = 20.0, 60.0
#: A break is ragged: nothing is measured this near to it. [mm]
BREAK_REACH_MM = 5.0
#: Landmarks: where they leave nothing to align, they do not fit.
_LANDMARKS = (
    CorrectionKind.LESSER_TROCHANTER,
    CorrectionKind.ISTHMUS,
    CorrectionKind.HEAD,
    CorrectionKind.NECK,
)
_NOT_ALIGNED = (
    CanalNotFollowedError,
    HeadNotInViewError,
    LesserTrochanterError,
    ShaftTooShortError,
)


class MarkUnfitError(ValueError):
    """A mark does not fit the femur; the text says why, in a sentence."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Known:
    """A femur as it was found, with the marks so far; what is given, and whether to align again."""

    aligned: AlignedFemur
    given: GivenLandmarks
    warnings: tuple[str, ...] = ()
    changed: bool = False

    @property
    def cortex(self) -> Cortex:
        return self.aligned.cortex

    def give(self, *, cortex: Cortex | None = None, **given: Any) -> "_Known":
        """Return it with other surfaces or landmarks, to be aligned again."""
        aligned = self.aligned if cortex is None else replace(self.aligned, cortex=cortex)
        return replace(
            self,
            aligned=aligned,
            given=replace(self.given, **given),
            changed=True,
        )

    def seek_trochanter(self) -> "_Known":
        """Return it with the lesser trochanter looked for again, unless a person set it."""
        set_by_hand = self.given.trochanter is not self.aligned.lesser_trochanter
        return self if set_by_hand else self.give(trochanter=None)


_Step = Callable[[_Known, Correction], _Known]


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
        For what is looked for anew.

    Raises
    ------
    CanalMorphError
        If what is marked leaves nothing to measure (metal at the lesser trochanter, a fracture).
    """
    known = _Known(
        aligned=aligned,
        given=GivenLandmarks(
            neck=aligned.neck, trochanter=aligned.lesser_trochanter, condyles=aligned.condyles
        ),
    )
    known, unfit = _take_marks(known, marks)
    painted = [one for one in marks if one.kind.value.endswith("_outline")]
    cortex, left_out = repaint_outlines(known.cortex, aligned.frame, painted)
    unfit += left_out
    if cortex is not known.cortex:
        known = known.give(cortex=cortex)
    try:
        found = _align_again(known, settings)
    except _NOT_ALIGNED as error:
        others = [one for one in marks if one.kind not in _LANDMARKS]
        if len(others) == len(marks):
            raise
        found, unfit_others = correct_alignment(aligned, others, settings)
        moved = [one for one in marks if one.kind in _LANDMARKS]
        return found, (*unfit_others, *(_tell_not_aligned(one, error) for one in moved))
    for mark in (one for one in marks if one.kind is CorrectionKind.PLANE):
        try:
            found = _set_plane(found, mark)
        except MarkUnfitError as error:
            unfit.append(Unfit(mark=mark, reason=str(error)))
    return found, tuple(unfit)


def _take_marks(known: _Known, marks: Sequence[Correction]) -> tuple[_Known, list[Unfit]]:
    """Return what is known with the marks that go before the alignment, and those unfit."""
    unfit: list[Unfit] = []
    steps: dict[CorrectionKind, _Step] = {
        CorrectionKind.FRACTURE: _cut_at_break,
        CorrectionKind.NECK_FRACTURE: _break_neck,
        CorrectionKind.METAL: _add_metal,
        CorrectionKind.HEAD: _set_head,
        CorrectionKind.NECK: _set_neck,
        CorrectionKind.LESSER_TROCHANTER: _set_trochanter,
        CorrectionKind.ISTHMUS: _set_isthmus,
    }
    for kind, step in steps.items():
        for mark in (one for one in marks if one.kind is kind):
            try:
                known = step(known, mark)
            except MarkUnfitError as error:
                unfit.append(Unfit(mark=mark, reason=str(error)))
    return known, unfit


def _align_again(known: _Known, settings: AlignSettings) -> AlignedFemur:
    """Return the femur aligned with what is known; as it was found where nothing changed."""
    if not known.changed:
        return known.aligned
    found = align_given(known.cortex, known.given, settings)
    if known.aligned.shaft_in_view and not (found.shaft_in_view or known.warnings):
        raise ShaftTooShortError(side=known.cortex.femur.side.value, length_mm=0.0)
    trochanter = known.given.trochanter
    by_hand = trochanter is not None and trochanter is not known.aligned.lesser_trochanter
    warnings = [one for one in found.warnings if not (by_hand and one == "lt_uncertain")]
    return replace(
        found,
        warnings=(*warnings, *known.warnings),
        marked_isthmus_lps_mm=known.given.isthmus_lps_mm if found.shaft_in_view else None,
    )


def _tell_not_aligned(mark: Correction, error: CanalMorphError) -> Unfit:
    return Unfit(mark=mark, reason=f"With it the femur cannot be measured. {error}")


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


def _cut_at_break(known: _Known, mark: Correction) -> _Known:
    """Return the femur as if the scan ended at a break of the shaft."""
    cortex = known.cortex
    level = _check_on_shaft(known.aligned, _point(mark))
    if level > -BREAK_REACH_MM:
        raise FractureAtTrochanterError(side=cortex.femur.side.value)
    height = float((_point(mark) - cortex.axis_point_lps_mm) @ cortex.axis_direction)
    above = cortex.heights_mm > height + BREAK_REACH_MM
    femur = replace(cortex.femur, knee=None, shaft_leaves_scan=True)
    cut = _keep_rings(replace(cortex, femur=femur), above)
    warned = replace(known, warnings=(*known.warnings, "fracture_marked"))
    return warned.give(cortex=cut, condyles=None, trochanter=None)


def _break_neck(known: _Known, mark: Correction) -> _Known:
    """Return the femur without what a broken neck moves: its head, its neck, the plane of both."""
    cortex = known.cortex
    head = cortex.femur.head
    if head is None:
        raise MarkUnfitError("No head is in view, so that nothing is measured of it.")
    femur = replace(cortex.femur, head=replace(head, separated=False, broken=True))
    warned = replace(known, warnings=(*known.warnings, "neck_fracture_marked"))
    return warned.give(cortex=replace(cortex, femur=femur), neck=None)


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


def _set_head(known: _Known, mark: Correction) -> _Known:
    """Return the femur with another head: its neck is found anew, and the plane through that."""
    cortex, centre = known.cortex, _point(mark)
    radius = float(mark.radius_mm or 0.0)
    old = cortex.femur.head
    if old is not None and old.broken:
        raise MarkUnfitError("A fracture of the neck is marked: withdraw it first.")
    if (
        old is not None
        and old.separated
        and np.linalg.norm(centre - old.centre_lps_mm) < CONFIRMED_MM
        and abs(radius - old.radius_mm) < CONFIRMED_MM
    ):
        return known
    if _height_mm(known.aligned.frame, centre) < 0 or not _lies_in_crop(cortex, centre):
        raise MarkUnfitError("The head's centre lies outside the scan or below the trochanter.")
    head = HeadSphere(
        centre_lps_mm=centre,
        radius_mm=radius,
        centre_u_mm=HAND_HEAD_U_MM,
        radius_u_mm=HAND_HEAD_U_MM,
        inlier_share=np.nan,
    )
    cortex = _hide_head(replace(cortex, femur=replace(cortex.femur, head=head)))
    return known.seek_trochanter().give(cortex=cortex, neck=find_neck(cortex))


def _hide_head(cortex: Cortex) -> Cortex:
    """Return the surfaces with the head as not told where metal lies in or beside it."""
    head = cortex.femur.head
    if head is None or head.near_metal:
        return cortex
    distance = measure_distance_mm(head.centre_lps_mm, cortex.femur.metal_lps_mm)
    if distance >= head.radius_mm + METAL_REACH_MM:
        return cortex
    hidden = replace(head, separated=False, near_metal=True)
    return replace(cortex, femur=replace(cortex.femur, head=hidden))


def _lies_in_crop(cortex: Cortex, point: NDArray[np.float64]) -> bool:
    crop = cortex.femur.crop
    index = (np.linalg.inv(crop.index_to_lps_mm) @ [*point, 1.0])[:3]
    return bool(((index >= 0) & (index <= np.array(crop.voxels_hu.shape) - 1)).all())


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


def _set_neck(known: _Known, mark: Correction) -> _Known:
    """Return the femur with the neck's axis from a marked middle to the head's centre."""
    head, middle = known.cortex.femur.head, _point(mark)
    if head is None or not head.separated:
        raise MarkUnfitError("The neck's axis ends at the head's centre, which is not known.")
    old = known.given.neck
    if old is not None and np.linalg.norm(middle - old.centre_lps_mm) < CONFIRMED_MM:
        return known
    arm = float(np.linalg.norm(head.centre_lps_mm - middle))
    if not 0.5 * head.radius_mm < arm < 3.0 * head.radius_mm:
        raise MarkUnfitError("The neck's middle lies too near to the head's centre or too far.")
    neck = NeckAxis(
        centre_lps_mm=middle,
        direction=normalise(head.centre_lps_mm - middle),
        direction_u_deg=float(np.degrees(np.hypot(HAND_NECK_U_MM, head.centre_u_mm) / arm)),
    )
    kept = keep_neck(known.cortex, neck)
    if kept is None:
        raise MarkUnfitError("Metal lies in or beside the neck.")
    return known.seek_trochanter().give(neck=kept)


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


def _set_trochanter(known: _Known, mark: Correction) -> _Known:
    """Return the femur with level 0 at a marked apex."""
    apex = _point(mark)
    if np.linalg.norm(apex - known.aligned.lesser_trochanter.apex_lps_mm) < CONFIRMED_MM:
        return known
    _check_on_shaft(known.aligned, apex)
    distances = np.linalg.norm(known.cortex.outer_lps_mm.reshape(-1, 3) - apex, axis=1)
    if np.nanmin(distances) > OFF_SURFACE_MM:
        raise MarkUnfitError("It lies too far from the bone's surface.")
    marked = LesserTrochanter(
        apex_lps_mm=apex,
        level_u_mm=HAND_LEVEL_U_MM,
        prominence_mm=np.nan,
        direction_deg=np.nan,
        second_prominence_mm=0.0,
        confidence=1.0,
    )
    return known.give(trochanter=marked)


def _set_isthmus(known: _Known, mark: Correction) -> _Known:
    """Return the femur with its axis down to a marked isthmus."""
    if not known.aligned.shaft_in_view:
        raise MarkUnfitError("Too little of the shaft is in view.")
    level = _check_on_shaft(known.aligned, _point(mark))
    trochanter = known.given.trochanter or known.aligned.lesser_trochanter
    if level - _height_mm(known.aligned.frame, trochanter.apex_lps_mm) > ISTHMUS_BELOW_MM:
        raise MarkUnfitError(
            f"The isthmus lies more than {-ISTHMUS_BELOW_MM:.0f} mm below the lesser trochanter."
        )
    return known.seek_trochanter().give(isthmus_lps_mm=_point(mark))


def _add_metal(known: _Known, mark: Correction) -> _Known:
    """Return the femur with metal at a point: what it reaches is blank, as if it had been seen."""
    cortex = known.cortex
    metal = np.concatenate([cortex.femur.metal_lps_mm, _point(mark)[None]])
    distances = measure_distance_mm(cortex.outer_lps_mm, metal)
    near = (distances < METAL_REACH_MM).any(axis=1)
    cortex = _hide_head(
        replace(
            cortex,
            femur=replace(cortex.femur, metal_lps_mm=metal),
            quality=cortex.quality | np.where(near, int(Quality.METAL), 0),
        )
    )
    refuse_hidden_trochanter(cortex, known.aligned.lesser_trochanter)
    head = cortex.femur.head
    separated = head is not None and head.separated
    return known.give(
        cortex=cortex,
        neck=keep_neck(cortex, known.given.neck) if separated else None,
        condyles=keep_condyles(cortex, known.given.condyles),
    )
