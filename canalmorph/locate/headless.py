"""Scans of the thighs, whose heads lie above the highest slice: a pair of shafts may be femora.

A thigh has one long bone; a shin and a forearm have two beside each other. Whether the pair are
femora is then for the lesser trochanter to say, at `align`.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.locate.settings import LocateSettings
from canalmorph.locate.shafts import Chain, find_shafts
from canalmorph.model.femur import Side

#: A shaft without a head is this long at least: the lesser trochanter, and an axis below it. [mm]
SHORTEST_MM = 70.0
#: Its round sections end this near the highest slice, as the head would be in view else. [mm]
BELOW_TOP_MM = 60.0
#: Two femora lie this far apart, beside each other over so much, and are about as thick. [mm]
APART_MM, OVERLAP_MM, THICKNESS_SHARE = (60.0, 420.0), 40.0, 0.6
#: The second bone of a shin or forearm: this near, over this length, of such area; denser than a
#: vessel with contrast. [mm, mm, mm2, HU] Common anatomy, no source.
SECOND_NEAR_MM, SECOND_LENGTH_MM, SECOND_AREA_MM2, SECOND_HU = 60.0, 30.0, (40.0, 900.0), 400.0


def find_headless_shafts(
    chains: list[Chain],
    blocks_hu: NDArray[np.float32],
    index_to_lps_mm: NDArray[np.float64],
    settings: LocateSettings,
) -> dict[Side, Chain]:
    """Return the first pair of shafts that may be both femora, by side; empty where none is.

    Parameters
    ----------
    chains : list of Chain
        All shafts, longest first.
    blocks_hu : (k, j, i) float32 array
        Coarse grid, k upwards. [HU]
    index_to_lps_mm : (4, 4) float array
        Its affine. [mm]
    settings : LocateSettings
        Thresholds.
    """
    top_mm = float(index_to_lps_mm[2, 3] + index_to_lps_mm[2, 0] * (len(blocks_hu) - 1))
    long = [
        chain
        for chain in chains
        if chain.length_mm >= SHORTEST_MM and chain.centres_lps_mm[-1, 2] > top_mm - BELOW_TOP_MM
    ]
    if len(long) < 2:
        return {}
    thin = replace(settings, bone_hu=SECOND_HU, shaft_area_mm2=SECOND_AREA_MM2)
    bones = find_shafts(blocks_hu, index_to_lps_mm, thin)
    alone = [chain for chain in long if not any(_is_second_bone(one, chain) for one in bones)]
    for number, first in enumerate(alone):
        for second in alone[number + 1 :]:
            if _are_a_pair(first, second):
                right, left = sorted((first, second), key=_middle_x)
                return {Side.RIGHT: right, Side.LEFT: left}
    return {}


def _is_second_bone(one: Chain, shaft: Chain) -> bool:
    """Whether a chain runs beside a shaft, as the fibula beside the tibia, and is not the shaft."""
    heights = one.centres_lps_mm[:, 2]
    beside = (heights >= shaft.centres_lps_mm[0, 2]) & (heights <= shaft.centres_lps_mm[-1, 2])
    if not beside.any() or np.ptp(heights[beside]) < SECOND_LENGTH_MM:
        return False
    path = np.stack(
        [
            np.interp(heights[beside], shaft.centres_lps_mm[:, 2], shaft.centres_lps_mm[:, axis])
            for axis in (0, 1)
        ],
        axis=1,
    )
    away_mm = float(np.median(np.linalg.norm(one.centres_lps_mm[beside, :2] - path, axis=1)))
    radius_mm = float(np.sqrt(np.median(shaft.areas_mm2) / np.pi))
    return radius_mm < away_mm < SECOND_NEAR_MM


def _middle_x(chain: Chain) -> float:
    return float(np.median(chain.centres_lps_mm[:, 0]))


def _are_a_pair(first: Chain, second: Chain) -> bool:
    away_mm = abs(_middle_x(first) - _middle_x(second))
    low = max(first.centres_lps_mm[0, 2], second.centres_lps_mm[0, 2])
    high = min(first.centres_lps_mm[-1, 2], second.centres_lps_mm[-1, 2])
    areas = np.median(first.areas_mm2), np.median(second.areas_mm2)
    return bool(
        APART_MM[0] < away_mm < APART_MM[1]
        and high - low > OVERLAP_MM
        and min(areas) > THICKNESS_SHARE * max(areas)
    )
