"""Whether front and back of a femur lie where the scan's coordinates say.

The lesser trochanter points to the back. A scan that was registered prone while the patient lay
supine, or the other way round, is the patient turned by 180 degrees about the long axis: left and
right are exchanged, and the lesser trochanter seems to point to the front.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.align.metal import is_near_metal
from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter import find_lesser_trochanter
from canalmorph.femur_errors import LesserTrochanterError, RegistrationContradictionError
from canalmorph.model.femur import Cortex, FemurFrame, LesserTrochanter

#: A bump in front tells of a wrong registration where it stands out by this at least. The phantoms'
#: femora have 1.6 mm in front, and lesser trochanters of 9. [mm]
LEAST_IN_FRONT_MM = 3.0
#: And by so many times what stands out most behind. On bone of low density the surface may be torn
#: under the head, by more than the trochanter, which lies behind all the same: 12 mm and 9.
LEAST_TIMES_BEHIND = 1.5
#: And where it stands out most in a direction this far from the border of those looked along: at
#: the border real femora show the flank of the lesser trochanter itself, 4 mm of its 11. [deg]
BORDER_DEG = 4.0


def check_front_and_back(
    cortex: Cortex,
    frame: FemurFrame,
    head_lps_mm: NDArray[np.float64],
    behind: LesserTrochanter | None,
    settings: AlignSettings,
) -> None:
    """Refuse coordinates in which the lesser trochanter points to the front.

    Parameters
    ----------
    cortex : Cortex
        Its outer surface.
    frame : FemurFrame
        The shaft axis, and the directions of medial and posterior.
    head_lps_mm : (3,) float array
        The head's centre. [mm]
    behind : LesserTrochanter or None
        The one that was found behind, if any.
    settings : AlignSettings
        Where to look.

    Raises
    ------
    RegistrationContradictionError
        If the most prominent bump lies in front.
    """
    try:
        in_front = find_lesser_trochanter(
            cortex.outer_lps_mm,
            cortex.outer_u_mm,
            replace(frame, posterior=-frame.posterior),
            head_lps_mm,
            axis_u_deg=0.0,
            side=cortex.femur.side.value,
            settings=replace(settings, least_prominence_mm=LEAST_IN_FRONT_MM),
        )
    except LesserTrochanterError:
        return
    low, high = settings.trochanter_directions_deg
    inside = low + BORDER_DEG < in_front.direction_deg < high - BORDER_DEG
    least_mm = 0.0 if behind is None else LEAST_TIMES_BEHIND * behind.prominence_mm
    more = in_front.prominence_mm > least_mm
    if inside and more and not is_near_metal(cortex, in_front.apex_lps_mm):
        raise RegistrationContradictionError(
            source=cortex.femur.crop.facts.source,
            finding=f"the lesser trochanter of the {cortex.femur.side} femur points to the front",
        )
