"""The isthmus among the canal's sections of one frame: found, or taken where it is given."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.align.settings import AlignSettings
from canalmorph.geometry.ridges import find_prominent_peaks
from canalmorph.model.femur import FemurFrame, LesserTrochanter
from canalmorph.model.shaft import ISTHMUS_BELOW_MM

#: A narrow place stands out from its neighbours by this at least. [mm]
CLEAR_MINIMUM_MM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Isthmus:
    """Its level, the lowest section in view, and whether it is in view and the narrowest."""

    level_mm: float
    lowest_mm: float
    in_view: bool
    narrowest: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CanalSections:
    """Sections of the canal in one frame, from below to above."""

    levels_mm: NDArray[np.float64]
    width_ml_mm: NDArray[np.float64]
    centroids_lps_mm: NDArray[np.float64]


def find_isthmus(
    sections: CanalSections, settings: AlignSettings, proximal_share: float
) -> Isthmus:
    """Return the level of the narrowest canal in view, and whether it is the isthmus."""
    levels = sections.levels_mm
    lowest = float(levels.min())
    below = levels < ISTHMUS_BELOW_MM
    if below.sum() < 3:
        return Isthmus(level_mm=lowest, lowest_mm=lowest, in_view=False, narrowest=True)
    width = _smooth_width(sections.width_ml_mm[below])
    chosen = _most_proximal_minimum(width, proximal_share)
    level = float(levels[below][chosen])
    end = float(np.median(width[levels[below] < lowest + 6.0]))
    wider = end > 1.02 * float(width[chosen]) + 0.05
    return Isthmus(
        level_mm=level,
        lowest_mm=lowest,
        in_view=bool(wider and level - lowest >= settings.isthmus_margin_mm),
        narrowest=bool(abs(level - float(levels[below][int(np.argmin(width))])) < 8.0),
    )


def take_isthmus(
    sections: CanalSections,
    frame: FemurFrame,
    trochanter: LesserTrochanter,
    point_lps_mm: NDArray[np.float64],
) -> Isthmus:
    """Return the isthmus at a point that is given."""
    level = float((point_lps_mm - trochanter.apex_lps_mm) @ frame.proximal)
    lowest = float(sections.levels_mm.min())
    return Isthmus(level_mm=level, lowest_mm=lowest, in_view=True, narrowest=True)


def _most_proximal_minimum(width_mm: NDArray[np.float64], share: float) -> int:
    """Return the most proximal clear minimum that is at most `share` times the narrowest.

    A curved canal may have two narrow places 30 mm apart, each of which, taken as the end of the
    axis, tilts the frame so that it is itself the narrowest. Of such pairs the proximal one is
    the isthmus, since the axis is the proximal shaft's.
    """
    narrow = [index for index, _ in find_prominent_peaks(-width_mm, CLEAR_MINIMUM_MM)]
    clear = [index for index in narrow if width_mm[index] <= share * width_mm.min()]
    return max([*clear, int(np.argmin(width_mm))])


def _smooth_width(width_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return widths by local parabolas over 7 rings, which leave a sharp narrowing sharp."""
    rows = np.arange(len(width_mm))
    smooth = np.empty(len(width_mm))
    for row in rows:
        start = int(np.clip(row - 3, 0, max(0, len(width_mm) - 7)))
        near = slice(start, start + 7)
        degree = min(2, len(rows[near]) - 1)
        smooth[row] = np.polyval(np.polyfit(rows[near] - row, width_mm[near], degree), 0.0)
    return smooth
