"""A scan that ends under the hip: head, neck and lesser trochanter without an axis of the shaft.

No level, no angle against the shaft and no width has a meaning then. The lesser trochanter is
looked for along the scanner's axis instead of the shaft's, and its uncertainty says so.
"""

from dataclasses import replace

from canalmorph.align.frames import make_scanner_frame
from canalmorph.align.gaps import refuse_gap_at_trochanter
from canalmorph.align.metal import refuse_hidden_trochanter
from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter import find_lesser_trochanter
from canalmorph.model.femur import (
    AlignedFemur,
    Cortex,
    HeadSphere,
    LesserTrochanter,
    NeckAxis,
)

#: Femora lie up to 12 degrees oblique to the scanner's axis; one standard uncertainty. [deg]
AXIS_U_DEG = 7.0


def align_hip_only(
    cortex: Cortex,
    head: HeadSphere,
    neck: NeckAxis | None,
    settings: AlignSettings,
    trochanter: LesserTrochanter | None = None,
) -> AlignedFemur:
    """Return the hip with its landmarks; its frame is the scanner's, good for pictures only.

    Parameters
    ----------
    cortex : Cortex
        Rings about the scanner's axis.
    head : HeadSphere
        Its head.
    neck : NeckAxis or None
        Its neck.
    settings : AlignSettings
        Where to look.
    trochanter : LesserTrochanter, optional
        Where it is known.

    Raises
    ------
    LesserTrochanterError
        If the lesser trochanter is not in view or not clear.
    HiddenByMetalError
        If metal lies near it.
    """
    frame = make_scanner_frame(cortex.axis_point_lps_mm, cortex.axis_direction, cortex.femur.side)
    trochanter = trochanter or find_lesser_trochanter(
        cortex.outer_lps_mm,
        cortex.outer_u_mm,
        frame,
        head.centre_lps_mm,
        axis_u_deg=AXIS_U_DEG,
        side=cortex.femur.side.value,
        settings=settings,
    )
    refuse_hidden_trochanter(cortex, trochanter)
    up = frame.proximal
    refuse_gap_at_trochanter(cortex, trochanter.apex_lps_mm, up)
    foot = frame.origin_lps_mm
    frame = replace(frame, origin_lps_mm=foot + up * ((trochanter.apex_lps_mm - foot) @ up))
    return AlignedFemur(
        cortex=cortex,
        frame=frame,
        lesser_trochanter=trochanter,
        neck=neck,
        axis_u_deg=AXIS_U_DEG,
        isthmus_in_view=False,
        shaft_in_view=False,
    )
