"""Shafts whose head is not in view, as on a scan of the thighs: a pair of them may be femora.

Whether they are is for the lesser trochanter to say, at `align`. One shaft alone is not taken:
nothing in view would tell its side.
"""

import numpy as np

from canalmorph.locate.shafts import Chain
from canalmorph.model.femur import Side

#: A shaft without a head is this long at least: the lesser trochanter, and an axis below it. [mm]
SHORTEST_MM = 70.0
#: Two femora lie this far apart, beside each other over so much, and are about as thick. [mm]
APART_MM, OVERLAP_MM, THICKNESS_SHARE = (60.0, 420.0), 40.0, 0.6


def find_headless_shafts(chains: list[Chain]) -> dict[Side, Chain]:
    """Return the first pair of shafts that may be both femora, by side; empty where none is."""
    long = [chain for chain in chains if chain.length_mm >= SHORTEST_MM]
    for number, first in enumerate(long):
        for second in long[number + 1 :]:
            if _are_a_pair(first, second):
                right, left = sorted((first, second), key=_middle_x)
                return {Side.RIGHT: right, Side.LEFT: left}
    return {}


def _middle_x(chain: Chain) -> float:
    return float(np.median(chain.centres_lps_mm[:, 0]))


def _are_a_pair(first: Chain, second: Chain) -> bool:
    away = abs(_middle_x(first) - _middle_x(second))
    low = max(first.centres_lps_mm[0, 2], second.centres_lps_mm[0, 2])
    high = min(first.centres_lps_mm[-1, 2], second.centres_lps_mm[-1, 2])
    areas = np.median(first.areas_mm2), np.median(second.areas_mm2)
    return bool(
        APART_MM[0] < away < APART_MM[1]
        and high - low > OVERLAP_MM
        and min(areas) > THICKNESS_SHARE * max(areas)
    )
