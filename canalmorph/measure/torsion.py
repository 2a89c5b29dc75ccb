"""What the femur's lower end tells: torsion, length, mechanical axis; and why each is blank."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.measure.proximal import get_separated_head
from canalmorph.model.femur import AlignedFemur, Condyles, FemurFrame
from canalmorph.model.index_columns import KNEE_FACTS, NECK_BROKEN
from canalmorph.model.results import Measurement

#: What an error of the shaft axis does to the neck's direction seen along it: the cotangent of
#: their angle, for a neck-shaft angle of 126 degrees.
AXIS_SHARE = 0.73


def measure_knee(aligned: AlignedFemur, *, plane_u_deg: float) -> dict[str, Measurement]:
    """Return the measures that need the condyles, by femur column name; empty without them.

    Parameters
    ----------
    aligned : AlignedFemur
        Landmarks of both ends and the frame.
    plane_u_deg : float
        Standard uncertainty of the neck's direction about the shaft axis. [deg]
    """
    condyles = aligned.condyles
    if condyles is None:
        return {}
    facts = _measure_torsion(aligned, condyles, plane_u_deg)
    head = get_separated_head(aligned)
    if head is None:
        return facts
    frame = aligned.frame
    centre = frame.lps_to_frame_mm(head.centre_lps_mm)
    if condyles.lowest_lps_mm is not None:
        lowest = frame.lps_to_frame_mm(condyles.lowest_lps_mm)
        tilt = np.radians(aligned.axis_u_deg) * np.linalg.norm((centre - lowest)[:2])
        u = np.hypot(np.hypot(condyles.lowest_u_mm, head.centre_u_mm), head.radius_u_mm)
        facts["femur_length_mm"] = Measurement(
            value=float(centre[2] + head.radius_mm - lowest[2]), u=float(np.hypot(u, tilt))
        )
    middle = _find_knee_centre(condyles)
    if middle is not None:
        facts |= _measure_mechanical(
            aligned, condyles, head.centre_lps_mm - middle, head.centre_u_mm
        )
    return facts


def explain_knee(aligned: AlignedFemur, facts: dict[str, Measurement]) -> dict[str, str]:
    """Return why a measure of the lower end is blank, by femur column name."""
    femur = aligned.cortex.femur
    if "shaft_not_continuous" in femur.warnings:
        reason = "The femur is not continuous: nothing can be measured across the break."
    elif "fracture_marked" in aligned.warnings:
        reason = "A person marked a fracture of the shaft: nothing is measured across it."
    elif femur.knee is None:
        reason = "The scan ends above the femoral condyles."
    elif aligned.condyles is None and femur.knee.crop.gaps:
        reason = "Slices are missing at the knee."
    elif aligned.condyles is None:
        reason = (
            "Two femoral condyles that are whole and apart from the other bones were not found "
            "in the scan."
        )
    else:
        reason = ""
    others = {
        "torsion_deg": "No neck axis was found, so that there is nothing to set the condyles to.",
        "torsion_transepicondylar_deg": "The epicondyles or the neck were not found.",
        "femur_length_mm": "The scan ends above the condyles' lowest place, or the joint cannot "
        "be told there.",
    }
    if femur.head is not None and femur.head.broken:
        others = dict.fromkeys(KNEE_FACTS, NECK_BROKEN)
    elif get_separated_head(aligned) is None:
        others["femur_length_mm"] = "The head's sphere is not known well enough."
        others["mechanical_axis_length_mm"] = others["femur_length_mm"]
        others["mechanical_anatomical_angle_deg"] = others["femur_length_mm"]
    fallback = "The epicondyles were not found whole, so that the knee's centre is unknown."
    blanks = {
        name: reason or others.get(name, fallback) for name in KNEE_FACTS if name not in facts
    }
    return blanks | ({"condyles": reason} if reason else {})


def _measure_torsion(
    aligned: AlignedFemur, condyles: Condyles, plane_u_deg: float
) -> dict[str, Measurement]:
    """Return torsion against both distal axes; positive is anteversion, on either side."""
    if aligned.neck is None:
        return {}
    frame, neck = aligned.frame, aligned.neck.direction
    axis_u_deg = AXIS_SHARE * aligned.axis_u_deg
    upper_u_deg = float(np.hypot(plane_u_deg, axis_u_deg))
    facts = {
        "torsion_deg": Measurement(
            value=_turn_deg(frame, neck, condyles.medial),
            u=float(np.hypot(upper_u_deg, condyles.medial_u_deg)),
        )
    }
    medial, lateral = condyles.medial_epicondyle_lps_mm, condyles.lateral_epicondyle_lps_mm
    if medial is not None and lateral is not None:
        width = float(np.linalg.norm(medial - lateral))
        u_deg = float(np.degrees(np.sqrt(2.0) * condyles.epicondyle_u_mm / width))
        facts["torsion_transepicondylar_deg"] = Measurement(
            value=_turn_deg(frame, neck, medial - lateral),
            u=float(np.hypot(upper_u_deg, u_deg)),
        )
    return facts


def _turn_deg(frame: FemurFrame, start: NDArray[np.float64], end: NDArray[np.float64]) -> float:
    """Return the turn about the shaft axis from one direction to another, to posterior [deg]."""
    one, other = (
        np.degrees(np.arctan2(direction @ frame.posterior, direction @ frame.medial))
        for direction in (start, end)
    )
    return float((other - one + 180.0) % 360.0 - 180.0)


def _find_knee_centre(condyles: Condyles) -> NDArray[np.float64] | None:
    medial, lateral = condyles.medial_epicondyle_lps_mm, condyles.lateral_epicondyle_lps_mm
    return None if medial is None or lateral is None else np.asarray((medial + lateral) / 2)


def _measure_mechanical(
    aligned: AlignedFemur, condyles: Condyles, arm: NDArray[np.float64], head_u_mm: float
) -> dict[str, Measurement]:
    """Return length and tilt of the line from the knee's centre to the head's, `arm`."""
    length = float(np.linalg.norm(arm))
    aside, up = float(arm @ condyles.medial), float(arm @ aligned.frame.proximal)
    u_ends = float(np.hypot(condyles.epicondyle_u_mm / np.sqrt(2.0), head_u_mm))
    return {
        "mechanical_axis_length_mm": Measurement(value=length, u=u_ends),
        "mechanical_anatomical_angle_deg": Measurement(
            value=float(np.degrees(np.arctan2(aside, up))),
            u=float(np.hypot(aligned.axis_u_deg, np.degrees(u_ends / length))),
        ),
    }
