"""What metal hides of a femur's landmarks: none is given within its reach."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import HiddenByMetalError
from canalmorph.flags import Quality
from canalmorph.geometry.lumps import measure_distance_mm
from canalmorph.model.femur import (
    METAL_REACH_MM,
    AlignedFemur,
    Condyles,
    Cortex,
    LesserTrochanter,
    NeckAxis,
)

#: Half width of a neck: its surface lies so far from its axis. [mm]
NECK_HALF_MM = 15.0
#: Where this share of the rings over the first 150 mm lies near metal, it is the reason why the
#: femur's landmarks or canal were not found.
LEAST_SHARE, UPPER_MM = 0.2, 150.0


def is_near_metal(cortex: Cortex, *points_lps_mm: NDArray[np.float64]) -> bool:
    """Return whether any of the points lies within metal's reach."""
    distances = measure_distance_mm(np.array(points_lps_mm), cortex.femur.metal_lps_mm)
    return bool((distances < METAL_REACH_MM).any())


def keep_neck(cortex: Cortex, neck: NeckAxis | None) -> NeckAxis | None:
    """Return the neck's axis, None where metal lies in or beside the neck."""
    if neck is None:
        return None
    distance = measure_distance_mm(neck.centre_lps_mm, cortex.femur.metal_lps_mm)
    return None if distance < METAL_REACH_MM + NECK_HALF_MM else neck


def keep_condyles(cortex: Cortex, condyles: Condyles | None) -> Condyles | None:
    """Return the condyles, None where metal lies at one of their landmarks."""
    if condyles is None:
        return None
    landmarks = (
        condyles.medial_posterior_lps_mm,
        condyles.lateral_posterior_lps_mm,
        condyles.medial_epicondyle_lps_mm,
        condyles.lateral_epicondyle_lps_mm,
        condyles.lowest_lps_mm,
    )
    known = [point for point in landmarks if point is not None]
    return None if is_near_metal(cortex, *known) else condyles


def without_hidden_tip(aligned: AlignedFemur) -> AlignedFemur:
    """Return the femur without its greater trochanter's tip where metal lies near it."""
    tip = aligned.trochanter_tip
    if tip is None or not is_near_metal(aligned.cortex, tip.tip_lps_mm):
        return aligned
    return replace(aligned, trochanter_tip=None)


def refuse_hidden_trochanter(cortex: Cortex, trochanter: LesserTrochanter) -> None:
    """Refuse a lesser trochanter within metal's reach: every level counts from it.

    Raises
    ------
    HiddenByMetalError
        Naming the side.
    """
    if is_near_metal(cortex, trochanter.apex_lps_mm):
        raise HiddenByMetalError(side=cortex.femur.side.value, part="lesser trochanter")


def blame_metal(cortex: Cortex, error: CanalMorphError) -> CanalMorphError:
    """Return what explains a failure: metal, where much of it lies along the upper femur."""
    upper = cortex.heights_mm > -UPPER_MM
    near = (cortex.quality[upper] & int(Quality.METAL)) != 0
    if not upper.any() or near.mean() < LEAST_SHARE:
        return error
    return HiddenByMetalError(side=cortex.femur.side.value, part="upper end or shaft")
