"""Facts of head, neck and greater trochanter: they belong to no level."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.femur import AlignedFemur, HeadSphere, NeckAxis
from canalmorph.model.results import Measurement
from canalmorph.published import NECK_AXES_APART_DEG

#: An axis down to an isthmus that is not in view turns about its middle, so far below level 0. [mm]
SHORT_AXIS_BELOW_MM = 55.0
#: Uncertainty of the lesser trochanter's apex across the shaft, each way; the second where
#: shaft or head is not in view, so that it was looked for in rougher directions. [mm]
APEX_ACROSS_U_MM, ROUGH_ACROSS_U_MM = 0.3, 1.2
#: A head whose centre is known to no better than this is flagged. [mm]
CENTRE_UNCERTAIN_MM = 1.0
#: Facts of the head that have no meaning without the shaft's axis.
AGAINST_SHAFT = ("head_level_mm", "femoral_offset_mm", "femoral_offset_ap_mm")


def find_proximal_facts(aligned: AlignedFemur) -> dict[str, Measurement]:
    """Return the facts of head, neck and greater trochanter by column name.

    A head that could not be told from its socket gives none of its own, and no neck.
    """
    facts: dict[str, Measurement] = {}
    head = get_separated_head(aligned)
    if head is not None:
        facts |= _head_facts(aligned, head)
    if not aligned.shaft_in_view:
        return {name: fact for name, fact in facts.items() if name not in AGAINST_SHAFT}
    if aligned.neck is not None:
        facts |= _neck_facts(aligned, aligned.neck)
    if aligned.neck_by_sphere is not None:
        facts["neck_shaft_angle_sphere_deg"] = _angle_in_space(aligned, aligned.neck_by_sphere)
    return facts | _trochanter_facts(aligned, head)


def get_separated_head(aligned: AlignedFemur) -> HeadSphere | None:
    """Return the head, if it was told from its socket."""
    head = aligned.cortex.femur.head
    return head if head is not None and head.separated else None


def find_proximal_warnings(aligned: AlignedFemur) -> tuple[str, ...]:
    """Return codes of what failed or is in doubt at head and neck."""
    warnings = []
    head = aligned.cortex.femur.head
    if not aligned.shaft_in_view:
        warnings.append("shaft_not_in_view")
    if head is None:
        warnings.append("head_not_in_view")
    elif head.slices_missing:
        warnings.append("slices_missing_at_head")
    elif not head.separated and not (head.near_metal or head.broken):
        warnings.append("head_not_separated")
    elif head.separated and (not head.is_round or head.centre_u_mm > CENTRE_UNCERTAIN_MM):
        warnings.append("head_not_round")
    if aligned.neck is not None and aligned.neck_by_sphere is not None:
        cosine = float(aligned.neck.direction @ aligned.neck_by_sphere.direction)
        if np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) > NECK_AXES_APART_DEG:
            warnings.append("neck_methods_differ")
    return tuple(warnings)


def get_apex_across_u_mm(aligned: AlignedFemur) -> float:
    """Return the uncertainty of the lesser trochanter's apex across the shaft, each way [mm]."""
    whole = aligned.shaft_in_view and aligned.cortex.femur.head is not None
    return APEX_ACROSS_U_MM if whole else ROUGH_ACROSS_U_MM


def _head_facts(aligned: AlignedFemur, head: HeadSphere) -> dict[str, Measurement]:
    frame = aligned.frame
    centre = frame.lps_to_frame_mm(head.centre_lps_mm)
    apex = aligned.lesser_trochanter
    arm = head.centre_lps_mm - apex.apex_lps_mm
    distance = float(np.linalg.norm(arm))
    along = abs(float(arm @ frame.proximal)) / distance
    axis_u = np.radians(aligned.axis_u_deg)
    across_u = get_apex_across_u_mm(aligned)
    offset = float(np.hypot(centre[0], centre[1]))
    below = 0.0 if aligned.isthmus_in_view else SHORT_AXIS_BELOW_MM
    aside_u = float(np.hypot(head.centre_u_mm, axis_u * (centre[2] + below)))
    facts = {
        f"head_{name}_mm": Measurement(value=float(head.centre_lps_mm[axis]), u=head.centre_u_mm)
        for axis, name in enumerate("xyz")
    }
    return facts | {
        "head_diameter_mm": Measurement(value=2 * head.radius_mm, u=2 * head.radius_u_mm),
        "head_level_mm": Measurement(
            value=float(centre[2]),
            u=float(np.linalg.norm([head.centre_u_mm, apex.level_u_mm, axis_u * offset])),
        ),
        "head_to_lt_mm": Measurement(
            value=distance,
            u=float(np.linalg.norm([head.centre_u_mm, along * apex.level_u_mm, across_u])),
        ),
        "femoral_offset_mm": Measurement(value=offset, u=aside_u),
        "femoral_offset_ap_mm": Measurement(
            value=float(
                (centre[0] * frame.medial + centre[1] * frame.posterior) @ _film_medial(aligned)
            ),
            u=aside_u,
        ),
    }


def _film_medial(aligned: AlignedFemur) -> NDArray[np.float64]:
    """Return medial on a film: the patient's left-right axis made perpendicular to the shaft."""
    axis = np.array([float(aligned.cortex.femur.side.medial_x_sign), 0.0, 0.0])
    proximal = aligned.frame.proximal
    across = axis - (axis @ proximal) * proximal
    return np.asarray(across / np.linalg.norm(across))


def _angle_in_space(aligned: AlignedFemur, neck: NeckAxis) -> Measurement:
    cosine = float(np.clip(-neck.direction @ aligned.frame.proximal, -1.0, 1.0))
    return Measurement(
        value=float(np.degrees(np.arccos(cosine))),
        u=float(np.hypot(neck.direction_u_deg, aligned.axis_u_deg)),
    )


def _neck_facts(aligned: AlignedFemur, neck: NeckAxis) -> dict[str, Measurement]:
    """Return the neck-shaft angle in space and on a film, and the turn between the two.

    Projected on the plane of the shaft axis and the film's medial direction, ``tan f' = tan f
    cos t``, f being 180 degrees less the angle and t the neck's turn about the shaft.
    """
    up = aligned.frame.proximal
    medial = _film_medial(aligned)
    anterior = np.cross(up, medial)
    anterior = anterior if anterior[1] < 0 else -anterior
    seen = float(neck.direction @ medial), float(neck.direction @ up)
    forward = float(neck.direction @ anterior)
    across = float(np.hypot(seen[0], forward))
    flat_u = neck.direction_u_deg / max(float(np.hypot(*seen)), 0.2)
    return {
        "neck_shaft_angle_deg": _angle_in_space(aligned, neck),
        "neck_shaft_angle_ap_deg": Measurement(
            value=float(180.0 - np.degrees(np.arctan2(*seen))),
            u=float(np.hypot(flat_u, aligned.axis_u_deg)),
        ),
        "neck_turn_ap_deg": Measurement(
            value=float(np.degrees(np.arctan2(forward, seen[0]))),
            u=float(np.hypot(neck.direction_u_deg, aligned.axis_u_deg) / max(across, 0.2)),
        ),
    }


def _trochanter_facts(aligned: AlignedFemur, head: HeadSphere | None) -> dict[str, Measurement]:
    tip = aligned.trochanter_tip
    if tip is None:
        return {}
    up = aligned.frame.proximal
    facts = {}
    for axis, name in enumerate("xyz"):
        along = abs(float(up[axis]))
        u = np.hypot(tip.level_u_mm * along, tip.across_u_mm * np.sqrt(max(0.0, 1 - along**2)))
        facts[f"trochanter_tip_{name}_mm"] = Measurement(
            value=float(tip.tip_lps_mm[axis]), u=float(u)
        )
    if head is None:
        return facts
    arm = head.centre_lps_mm - tip.tip_lps_mm
    distance, rise = float(np.linalg.norm(arm)), float(arm @ up)
    along = abs(rise) / distance
    own = np.hypot(along * tip.level_u_mm, np.sqrt(1 - along**2) * tip.across_u_mm)
    tilt_mm = np.radians(aligned.axis_u_deg) * float(np.sqrt(distance**2 - rise**2))
    return facts | {
        "head_to_trochanter_tip_mm": Measurement(
            value=distance, u=float(np.hypot(head.centre_u_mm, own))
        ),
        "head_above_trochanter_tip_mm": Measurement(
            value=rise, u=float(np.linalg.norm([head.centre_u_mm, tip.level_u_mm, tilt_mm]))
        ),
    }
