"""The stage: lesser trochanter, proximal shaft axis and plane, settled together."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.align.condyles import find_condyles
from canalmorph.align.frames import make_frame, make_scanner_frame
from canalmorph.align.front_and_back import check_front_and_back
from canalmorph.align.gaps import (
    blame_gap,
    cuts_condyles,
    cuts_tip,
    refuse_gap_at_trochanter,
)
from canalmorph.align.given import GivenLandmarks, turn_condyles
from canalmorph.align.greater_trochanter import find_trochanter_tip
from canalmorph.align.headless import check_trochanter, find_headless_frame, use_headless_settings
from canalmorph.align.hip_only import align_hip_only
from canalmorph.align.isthmus import CanalSections, Isthmus, find_isthmus, take_isthmus
from canalmorph.align.metal import (
    blame_metal,
    keep_condyles,
    keep_neck,
    refuse_hidden_trochanter,
    without_hidden_tip,
)
from canalmorph.align.neck import find_neck_axis
from canalmorph.align.neck_sphere import find_neck_axis_by_sphere
from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter import find_lesser_trochanter
from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import (
    CanalNotFollowedError,
    HeadNotInViewError,
    LesserTrochanterError,
    ShaftTooShortError,
)
from canalmorph.flags import Quality
from canalmorph.geometry.lines import find_angle_deg, fit_line, normalise
from canalmorph.geometry.outlines import find_centroids
from canalmorph.geometry.tubes import cut_tube
from canalmorph.model.femur import (
    AlignedFemur,
    Condyles,
    Cortex,
    FemurFrame,
    HeadSphere,
    LesserTrochanter,
    NeckAxis,
    Plane,
)
from canalmorph.model.shaft import AXIS_TOP_MM, LONG_AXIS_MM, SHORTEST_AXIS_MM

#: Where the shaft in view is short, the proximal shaft axis begins here, or nearer still but never
#: above the last. [mm above the lesser trochanter]
AXIS_TOP_SHORT_MM, AXIS_TOP_LAST_MM = -30.0, -15.0
#: Below this no isthmus lies: femora of 480 mm have theirs above. [mm]
LOWEST_SECTION_MM = -190.0
#: An axis down to an isthmus 110 mm below the lesser trochanter (113 mm in cadavers, from memory)
#: has its middle here; one that ends where the scan does lies at least so far above its own. For
#: each millimetre between the middles the canal bends by so much, as a standard uncertainty: by
#: 0.06 degrees in a bow of 900 mm, by 0.1 to 0.3 below the trochanter of one real femur, which
#: leant by 4.7 degrees in a scan that ended 71 mm below. [mm, mm, deg/mm]
USUAL_MIDDLE_MM, LEAST_ABOVE_MM, BEND_DEG_PER_MM = -80.0, 15.0, 0.1
#: A shaft that ends within the scan above this was lost on the way: femora flare to the knee some
#: 250 mm below the lesser trochanter. [mm above it]
SHAFT_REACHES_MM = -170.0
#: Where rings reach this far below the head, the scan shows enough of the shaft. [mm]
ENOUGH_BELOW_HEAD_MM = 120.0
#: Without a head the place where the lesser trochanter is looked for is rough: its apex moved by up
#: to 0.6 mm on random thighs. [mm]
HEADLESS_LEVEL_U_MM = 0.4
#: First guess of the neck's rise over its run: a neck-shaft angle of 120 degrees.
NECK_RISE = 0.58
#: A proximal narrow place is tried as the isthmus up to this many times the narrowest width;
#: it is kept only where it is the narrowest in the frame that it gives.
PROXIMAL_SHARE = 1.1
#: The lesser trochanter is uncertain where a second bump is 0.7 times as prominent, or its level
#: known to no better than this: a top so flat or a hole so wide moves the flare by 0.07. [mm]
CLEAR_CONFIDENCE, LARGEST_LEVEL_U_MM = 1.0 / 1.7, 0.6
#: Rings whose numbers are not trusted for the axis.
UNTRUSTED = int(Quality.OUTLINE_INCOMPLETE | Quality.METAL | Quality.FILLED_CANAL)


def align_femur(cortex: Cortex, settings: AlignSettings) -> AlignedFemur:
    """Return the femur with its landmarks and its frame.

    The lesser trochanter needs the axis, the axis begins below the lesser trochanter and ends at
    the isthmus, and the isthmus needs the plane: the three are settled by iteration.

    Parameters
    ----------
    cortex : Cortex
        Both surfaces.
    settings : AlignSettings
        Where landmarks are looked for.

    Raises
    ------
    HeadNotInViewError, LesserTrochanterError, ShaftTooShortError
        If level 0 or the axis cannot be had; the first where the lesser trochanter alone, without
        a head in view, does not tell the femur and its side.
    RegistrationContradictionError
        If the lesser trochanter points to the front.
    HiddenByMetalError
        If metal lies near the lesser trochanter, or hides what could not be had.
    """
    return _align_or_blame(cortex, settings, None)


def align_given(cortex: Cortex, given: GivenLandmarks, settings: AlignSettings) -> AlignedFemur:
    """Return the femur aligned as `align_femur` does it, with landmarks that are known.

    Axis, levels and plane follow from these as if they had been found.

    Parameters
    ----------
    cortex : Cortex
        Both surfaces.
    given : GivenLandmarks
        What is not looked for.
    settings : AlignSettings
        Where the rest is looked for.

    Raises
    ------
    CanalMorphError
        As `align_femur`.
    """
    return _align_or_blame(cortex, settings, given)


def _align_or_blame(
    cortex: Cortex, settings: AlignSettings, given: GivenLandmarks | None
) -> AlignedFemur:
    """Return the aligned femur; what fails beside metal is said to fail for it."""
    try:
        return without_hidden_tip(_align(cortex, settings, given))
    except (
        CanalNotFollowedError,
        HeadNotInViewError,
        LesserTrochanterError,
        ShaftTooShortError,
    ) as error:
        raise blame_metal(cortex, error) from error


def _align(cortex: Cortex, settings: AlignSettings, known: GivenLandmarks | None) -> AlignedFemur:
    head = cortex.femur.head
    given = known or GivenLandmarks(neck=find_neck(cortex))
    neck = given.neck
    frame, above, settings = _begin(cortex, given, settings)
    try:
        frame, trochanter, isthmus, axis_u_deg = _settle(
            cortex, frame, above, given, settings, proximal_share=PROXIMAL_SHARE
        )
    except LesserTrochanterError:
        blame_gap(cortex, above, settings.trochanter_below_head_mm)
        check_front_and_back(cortex, frame, above, None, settings)
        raise
    except ShaftTooShortError:
        if head is None or not head.separated:
            raise
        return align_hip_only(cortex, head, neck, settings, given.trochanter)
    refuse_hidden_trochanter(cortex, trochanter)
    if given.trochanter is None:
        trochanter = _check_found(cortex, frame, above, trochanter, settings)
    ambiguous = not isthmus.narrowest
    if ambiguous:
        other = frame.proximal
        frame, trochanter, isthmus, axis_u_deg = _settle(
            cortex, frame, above, given, settings, proximal_share=1.0, other_axis=other
        )
    refuse_gap_at_trochanter(cortex, trochanter.apex_lps_mm, frame.proximal)
    condyles = (
        _find_condyles(cortex, frame.proximal)
        if known is None
        else turn_condyles(known.condyles, frame.proximal)
    )
    warnings = (
        *_doubt_landmarks(trochanter, isthmus),
        *_doubt_bone(cortex, frame, neck, condyles, ambiguous=ambiguous),
    )
    if condyles is not None and neck is None:
        frame = make_frame(frame.origin_lps_mm, frame.proximal, condyles.medial, Plane.CONDYLAR)
    return AlignedFemur(
        cortex=cortex,
        frame=frame,
        lesser_trochanter=trochanter,
        neck=neck,
        axis_u_deg=axis_u_deg,
        isthmus_in_view=isthmus.in_view,
        condyles=condyles,
        neck_by_sphere=None
        if neck is None or head is None
        else find_neck_axis_by_sphere(cortex.femur.crop, head, neck.direction),
        trochanter_tip=None
        if head is None or cuts_tip(cortex, head)
        else find_trochanter_tip(cortex.femur.crop, frame, head, axis_u_deg),
        warnings=warnings,
    )


def _begin(
    cortex: Cortex, given: GivenLandmarks, settings: AlignSettings
) -> tuple[FemurFrame, NDArray[np.float64], AlignSettings]:
    """Return the first frame, a point above the trochanter, and where that is looked for."""
    head, foot = cortex.femur.head, cortex.axis_point_lps_mm
    if head is not None:
        return _first_frame(cortex, head, given.neck), head.centre_lps_mm, settings
    frame = (
        find_headless_frame(cortex, settings)
        if given.trochanter is None
        else make_scanner_frame(foot, cortex.axis_direction, cortex.femur.side)
    )
    return frame, foot, use_headless_settings(settings)


def _check_found(
    cortex: Cortex,
    frame: FemurFrame,
    above_lps_mm: NDArray[np.float64],
    trochanter: LesserTrochanter,
    settings: AlignSettings,
) -> LesserTrochanter:
    """Return a trochanter that was found, less sure where no head tells where it should lie."""
    check_front_and_back(cortex, frame, above_lps_mm, trochanter, settings)
    if cortex.femur.head is not None:
        return trochanter
    check_trochanter(trochanter, cortex, settings)
    level_u_mm = float(np.hypot(trochanter.level_u_mm, HEADLESS_LEVEL_U_MM))
    return replace(trochanter, level_u_mm=level_u_mm)


def _find_condyles(cortex: Cortex, proximal: NDArray[np.float64]) -> Condyles | None:
    femur = cortex.femur
    if femur.knee is None:
        return None
    found = keep_condyles(cortex, find_condyles(femur.knee, proximal, femur.side))
    return None if found is None or cuts_condyles(femur.knee, found) else found


def find_neck(cortex: Cortex) -> NeckAxis | None:
    """Return the neck's axis; a head that was not told from its socket, and metal, give none."""
    head = cortex.femur.head
    if head is None or not head.separated:
        return None
    foot = cortex.axis_point_lps_mm
    first = normalise(normalise(head.centre_lps_mm - foot) + NECK_RISE * cortex.axis_direction)
    return keep_neck(cortex, find_neck_axis(cortex.femur.crop, head, first))


def _settle(
    cortex: Cortex,
    frame: FemurFrame,
    top_lps_mm: NDArray[np.float64],
    given: GivenLandmarks,
    settings: AlignSettings,
    *,
    proximal_share: float,
    other_axis: NDArray[np.float64] | None = None,
) -> tuple[FemurFrame, LesserTrochanter, Isthmus, float]:
    """Iterate landmarks and frame until they stand still; what is given is not looked for.

    The last is the standard uncertainty of the axis [deg].

    `other_axis` is one that might as well be right.
    """
    axis_u_deg = 0.0
    for _ in range(8):
        trochanter = given.trochanter or _find_trochanter(
            cortex, frame, top_lps_mm, settings, axis_u_deg
        )
        sections = _cut_canal(cortex, frame, trochanter)
        isthmus = (
            find_isthmus(sections, settings, proximal_share)
            if given.isthmus_lps_mm is None
            else take_isthmus(sections, frame, trochanter, given.isthmus_lps_mm)
        )
        new = _next_frame(cortex, trochanter, isthmus, sections, given.neck)
        turned = find_angle_deg(new.proximal, frame.proximal)
        axis_u_deg = _axis_u_deg(isthmus, new.proximal, other_axis)
        moved = float(np.linalg.norm(new.origin_lps_mm - frame.origin_lps_mm))
        frame = new
        if turned < 0.02 and moved < 0.05:
            break
    return frame, trochanter, isthmus, axis_u_deg


def _axis_u_deg(
    isthmus: Isthmus, proximal: NDArray[np.float64], other_axis: NDArray[np.float64] | None
) -> float:
    """Return the standard uncertainty of the axis: centroids good to 0.1 mm over its length.

    Half of what lies between it and an axis that might as well be right is added, and what the
    canal may bend below the scan where its isthmus is not in view.
    """
    top, bottom = _axis_span_mm(isthmus)
    centres = np.degrees(0.1 / (top - bottom) * np.sqrt(12.0)) + 0.1
    between = 0.0 if other_axis is None else find_angle_deg(proximal, other_axis)
    above_mm = max(0.5 * (top + bottom) - USUAL_MIDDLE_MM, LEAST_ABOVE_MM)
    unseen = 0.0 if isthmus.in_view else BEND_DEG_PER_MM * above_mm
    return float(np.linalg.norm([centres, 0.5 * between, unseen]))


def _first_frame(cortex: Cortex, head: HeadSphere, neck: NeckAxis | None) -> FemurFrame:
    towards_head = head.centre_lps_mm - cortex.axis_point_lps_mm
    medial = towards_head if neck is None else neck.direction
    return make_frame(cortex.axis_point_lps_mm, cortex.axis_direction, medial, Plane.NECK)


def _find_trochanter(
    cortex: Cortex,
    frame: FemurFrame,
    top_lps_mm: NDArray[np.float64],
    settings: AlignSettings,
    axis_u_deg: float,
) -> LesserTrochanter:
    return find_lesser_trochanter(
        cortex.outer_lps_mm,
        cortex.outer_u_mm,
        frame,
        top_lps_mm,
        axis_u_deg=axis_u_deg,
        side=cortex.femur.side.value,
        settings=settings,
    )


def _cut_canal(cortex: Cortex, frame: FemurFrame, trochanter: LesserTrochanter) -> CanalSections:
    """Return the canal's sections below the lesser trochanter, perpendicular to the axis."""
    zero = float(frame.lps_to_frame_mm(trochanter.apex_lps_mm)[2])
    lift = np.array([0.0, 0.0, zero])
    rings = frame.lps_to_frame_mm(cortex.canal_lps_mm) - lift
    rings[(cortex.quality & UNTRUSTED) != 0] = np.nan
    levels = np.arange(LOWEST_SECTION_MM, AXIS_TOP_LAST_MM + 0.5, 1.0)
    sections = cut_tube(rings, levels)
    whole = np.isfinite(sections).all(axis=(1, 2))
    if not whole.any():
        raise _short_of_sections(cortex, 0.0)
    return CanalSections(
        levels_mm=levels[whole],
        width_ml_mm=np.ptp(sections[whole, :, 0], axis=1),
        centroids_lps_mm=frame.frame_to_lps_mm(find_centroids(sections[whole]) + lift),
    )


def _short_of_sections(cortex: Cortex, length_mm: float) -> CanalMorphError:
    """Return why there are too few whole sections: the scan ends, or they cannot be followed."""
    side = cortex.femur.side.value
    rings = cortex.heights_mm < -ENOUGH_BELOW_HEAD_MM
    if not rings.any():
        return ShaftTooShortError(side=side, length_mm=length_mm)
    for bit, cause in (
        (Quality.TOUCHES_EDGE, "the field of view cuts the bone"),
        (Quality.FILLED_CANAL, "it is filled by something nearly as dense as cortex, like cement"),
        (Quality.MISSING_SLICES, "slices are missing"),
    ):
        if ((cortex.quality[rings] & int(bit)) != 0).mean() > 0.2:
            return CanalNotFollowedError(side=side, cause=cause)
    return CanalNotFollowedError(side=side, cause="it cannot be told from the cortex")


def _axis_span_mm(isthmus: Isthmus) -> tuple[float, float]:
    """Return top and bottom level of the sections that the axis runs through [mm]."""
    if isthmus.level_mm <= AXIS_TOP_MM - LONG_AXIS_MM:
        return AXIS_TOP_MM, isthmus.level_mm
    bottom = min(isthmus.level_mm, max(isthmus.lowest_mm, AXIS_TOP_SHORT_MM - LONG_AXIS_MM))
    return max(AXIS_TOP_SHORT_MM, bottom + SHORTEST_AXIS_MM), bottom


def _next_frame(
    cortex: Cortex,
    trochanter: LesserTrochanter,
    isthmus: Isthmus,
    sections: CanalSections,
    neck: NeckAxis | None,
) -> FemurFrame:
    """Return the frame on the line through the canal's centroids, level 0 at the trochanter."""
    levels = sections.levels_mm
    top, bottom = _axis_span_mm(isthmus)
    part = sections.centroids_lps_mm[(levels <= top) & (levels >= bottom)]
    # Whole sections lie 1 mm apart: of the shortest axis four in five must be known.
    if top > AXIS_TOP_LAST_MM or len(part) < 0.8 * SHORTEST_AXIS_MM:
        raise _short_of_sections(cortex, max(0.0, -bottom))
    point, proximal = fit_line(part)
    origin = point + proximal * ((trochanter.apex_lps_mm - point) @ proximal)
    if neck is not None:
        return make_frame(origin, proximal, neck.direction, Plane.NECK)
    return make_scanner_frame(origin, proximal, cortex.femur.side)


def _shaft_is_lost(cortex: Cortex, frame: FemurFrame) -> bool:
    """Whether the shaft ends within the scan, yet far above where it flares to the knee."""
    end = float(frame.lps_to_frame_mm(cortex.femur.shaft_path_lps_mm[0])[2])
    return not cortex.femur.shaft_leaves_scan and end > SHAFT_REACHES_MM


def _doubt_landmarks(trochanter: LesserTrochanter, isthmus: Isthmus) -> tuple[str, ...]:
    """Return the codes of doubt about the landmarks that levels and axis rest on."""
    top, bottom = _axis_span_mm(isthmus)
    warnings = []
    if trochanter.confidence < CLEAR_CONFIDENCE or trochanter.level_u_mm > LARGEST_LEVEL_U_MM:
        warnings.append("lt_uncertain")
    if not isthmus.in_view:
        warnings.append("isthmus_not_in_view")
    if top - bottom < 30.0 or (
        isthmus.lowest_mm > AXIS_TOP_MM - LONG_AXIS_MM and not isthmus.in_view
    ):
        warnings.append("short_shaft_axis")
    return tuple(warnings)


def _doubt_bone(
    cortex: Cortex,
    frame: FemurFrame,
    neck: NeckAxis | None,
    condyles: Condyles | None,
    *,
    ambiguous: bool,
) -> tuple[str, ...]:
    """Return the codes of what was to be found from the neck to the knee, and was not."""
    head, warnings = cortex.femur.head, []
    if neck is None and head is not None and head.separated:
        warnings.append("neck_not_found")
    if ambiguous:
        warnings.append("isthmus_ambiguous")
    if _shaft_is_lost(cortex, frame):
        warnings.append("shaft_not_followed")
    if condyles is None and cortex.femur.knee is not None:
        warnings.append("condyles_not_found")
    if condyles is not None and condyles.second_block:
        warnings.append("knee_from_second_block")
    return tuple(warnings)
