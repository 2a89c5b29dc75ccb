"""Landmarks that are known before a femur is aligned: set by a person, or kept as found."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lines import normalise
from canalmorph.model.femur import Condyles, LesserTrochanter, NeckAxis


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GivenLandmarks:
    """What is not looked for; everything else is, and hangs on it.

    Attributes
    ----------
    neck : NeckAxis or None
        None where there is none, or where metal or a fracture hides it.
    trochanter : LesserTrochanter or None
        Level 0; None where it is to be found.
    isthmus_lps_mm : (3,) float array or None
        A point at the isthmus; None where it is to be found. [mm]
    condyles : Condyles or None
        Of the lower end, seen along another shaft axis; None where there are none.
    """

    neck: NeckAxis | None
    trochanter: LesserTrochanter | None = None
    isthmus_lps_mm: NDArray[np.float64] | None = None
    condyles: Condyles | None = None


def turn_condyles(condyles: Condyles | None, proximal: NDArray[np.float64]) -> Condyles | None:
    """Return condyles as seen along another shaft axis.

    The places where the line rests stay: on a round condyle they move by its radius times the
    axis' turn, along the surface, and its height by half of that times the turn: 0.003 mm for 1
    degree.
    """
    if condyles is None:
        return None
    line = condyles.medial_posterior_lps_mm - condyles.lateral_posterior_lps_mm
    return replace(condyles, medial=normalise(line - (line @ proximal) * proximal))
