"""A femur whose head is not in view: whether its lesser trochanter is clear enough to go on.

Without the head, the lesser trochanter is the only thing that tells a femur from another long
bone, and it is level 0: it must stand out more, with a valley on both sides of it in view.
"""

from dataclasses import replace

from canalmorph.align.frames import make_scanner_frame
from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter import find_lesser_trochanter
from canalmorph.femur_errors import HeadNotInViewError, LesserTrochanterError
from canalmorph.model.femur import Cortex, FemurFrame, LesserTrochanter

#: Where the lesser trochanter is looked for, below height 0 of the rings, which lies 25 mm over the
#: uppermost round section of the shaft. [mm]
BELOW_TOP_MM = (20.0, 85.0)
#: A bump stands out by this at least, and is clear of a second one by this confidence. [mm]
LEAST_PROMINENCE_MM, LEAST_CONFIDENCE = 3.0, 0.6
#: It stands out most in a direction this far within those that are looked along. [deg]
BORDER_DEG = 4.0
#: Uncertainty of the rough axis. [deg]
ROUGH_AXIS_U_DEG = 1.0


def use_headless_settings(settings: AlignSettings) -> AlignSettings:
    """Return where to look for the lesser trochanter, below the rings' height 0."""
    return replace(
        settings, trochanter_below_head_mm=BELOW_TOP_MM, least_prominence_mm=LEAST_PROMINENCE_MM
    )


def find_headless_frame(cortex: Cortex, settings: AlignSettings) -> FemurFrame:
    """Return a first frame with the scanner's directions, where a lesser trochanter is clear.

    Raises
    ------
    HeadNotInViewError
        If no bump is clearly a lesser trochanter.
    """
    frame = make_scanner_frame(cortex.axis_point_lps_mm, cortex.axis_direction, cortex.femur.side)
    check_trochanter(_look(cortex, frame, use_headless_settings(settings)), cortex, settings)
    return frame


def check_trochanter(
    found: LesserTrochanter | None, cortex: Cortex, settings: AlignSettings
) -> None:
    """Refuse a bump that is not clearly a lesser trochanter.

    It must stand out most in a direction within those that are looked along: at their border the
    bump is another's flank. It must have no near rival.

    Raises
    ------
    HeadNotInViewError
        If it is not clear.
    """
    low, high = settings.trochanter_directions_deg
    if (
        found is None
        or found.confidence < LEAST_CONFIDENCE
        or not low + BORDER_DEG < found.direction_deg < high - BORDER_DEG
    ):
        raise HeadNotInViewError(side=cortex.femur.side.value)


def _look(cortex: Cortex, frame: FemurFrame, settings: AlignSettings) -> LesserTrochanter | None:
    try:
        return find_lesser_trochanter(
            cortex.outer_lps_mm,
            cortex.outer_u_mm,
            frame,
            cortex.axis_point_lps_mm,
            axis_u_deg=ROUGH_AXIS_U_DEG,
            side=cortex.femur.side.value,
            settings=settings,
        )
    except LesserTrochanterError:
        return None
