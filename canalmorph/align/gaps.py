"""What missing slices take away from the landmarks: better none than one beside its true place."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.femur_errors import SlicesMissingError
from canalmorph.model.femur import Condyles, Cortex, HeadSphere, KneeView
from canalmorph.model.volume import find_covered

#: A gap within so much below and above the lesser trochanter's apex leaves it unknown: the bump,
#: and above it the valley from which it stands out, without which the apex moved by 5 mm. [mm]
BUMP_MM = (15.0, 35.0)
#: The condyles' surfaces are read this far below their lowest place. [mm]
BELOW_CONDYLES_MM = 5.0


def refuse_gap_at_trochanter(
    cortex: Cortex, apex_lps_mm: NDArray[np.float64], proximal: NDArray[np.float64]
) -> None:
    """Refuse a femur whose slices are missing at its lesser trochanter: no level has a meaning."""
    reach = np.arange(-BUMP_MM[0], BUMP_MM[1] + 0.5)
    points = apex_lps_mm + reach[:, None] * proximal
    if find_covered(cortex.femur.crop.gaps, points).any():
        raise SlicesMissingError(side=cortex.femur.side.value)


def blame_gap(
    cortex: Cortex, top_lps_mm: NDArray[np.float64], reach_mm: tuple[float, float]
) -> None:
    """Refuse a femur without a clear lesser trochanter for the gap that lies where it would be.

    Parameters
    ----------
    cortex : Cortex
        Its scan's gaps tell.
    top_lps_mm : (3,) float array
        From where the trochanter is looked for. [mm]
    reach_mm : (float, float)
        How far below that it may lie, least and most. [mm]
    """
    below = np.arange(reach_mm[0], reach_mm[1], 1.0)
    points = top_lps_mm - below[:, None] * cortex.axis_direction
    if find_covered(cortex.femur.crop.gaps, points).any():
        raise SlicesMissingError(side=cortex.femur.side.value)


def cuts_tip(cortex: Cortex, head: HeadSphere) -> bool:
    """Return whether slices are missing at the head's height: the greater trochanter ends there."""
    reach = np.linspace(-1.0, 1.0, 41)[:, None] * head.radius_mm
    points = head.centre_lps_mm + reach * cortex.axis_direction
    return bool(find_covered(cortex.femur.crop.gaps, points).any())


def cuts_condyles(knee: KneeView, condyles: Condyles) -> bool:
    """Return whether slices are missing between the shaft's end and the condyles' lowest place."""
    lowest = condyles.medial_posterior_lps_mm
    if condyles.lowest_lps_mm is not None:
        lowest = condyles.lowest_lps_mm
    heights = np.arange(lowest[2] - BELOW_CONDYLES_MM, knee.seed_lps_mm[2] + 1.0)
    points = np.tile(knee.seed_lps_mm, (len(heights), 1))
    points[:, 2] = heights
    return bool(find_covered(knee.crop.gaps, points).any())
