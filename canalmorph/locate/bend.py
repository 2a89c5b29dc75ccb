"""A bend of the shaft without a step, as a fracture that healed at an angle leaves."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lines import fit_line

#: Lines through this much of the path, above and below a place, so far apart, tell how much the
#: shaft turns there. [mm, mm, count]
WINDOW_MM, APART_MM, FEWEST_POINTS = 40.0, 20.0, 8
#: So far below the head's centre trochanters and knee turn no centre. [mm]
RANGE_MM = (150.0, 280.0)
#: So much a sound shaft turns there, to either side, and from backward to forward: six scans of
#: real surfaces and the phantoms stay within 1.0 of it, a bend of 10 degrees adds 5 to 9. [deg]
SIDEWAYS_DEG, FORWARD_DEG = 4.0, (-1.0, 7.0)
#: More than this beyond it is a bend. [deg]
LEAST_BEND_DEG = 3.0
#: The code of the warning.
BENT = "shaft_bent"


def is_bent(path_lps_mm: NDArray[np.float64], head_mm: float) -> bool:
    """Return whether a shaft turns somewhere more sharply than a bow does.

    Parameters
    ----------
    path_lps_mm : (n, 3) float array
        Centres of its sections, from below to above. [mm]
    head_mm : float
        Height of the head's centre. [mm]

    Examples
    --------
    >>> z = np.arange(-400.0, -60.0, 2.5)
    >>> bow = np.stack([0 * z, (z + 60.0) ** 2 / 1600.0, z], axis=1)
    >>> is_bent(bow, 0.0)
    False
    >>> kink = np.maximum(-220.0 - z, 0.0) * np.tan(np.radians(10.0))
    >>> is_bent(bow + np.stack([kink, 0 * z, 0 * z], axis=1), 0.0)
    True
    """
    path = path_lps_mm
    low, high = head_mm - RANGE_MM[1], head_mm - RANGE_MM[0]
    for height in path[(path[:, 2] > low) & (path[:, 2] < high), 2]:
        away = path[:, 2] - height
        sides = [
            path[(away * sign > APART_MM / 2) & (away * sign < APART_MM / 2 + WINDOW_MM)]
            for sign in (1.0, -1.0)
        ]
        if min(len(side) for side in sides) < FEWEST_POINTS:
            continue
        above, below = (fit_line(side)[1] for side in sides)
        turn = np.degrees(above[:2] / above[2] - below[:2] / below[2])
        sideways = max(abs(float(turn[0])) - SIDEWAYS_DEG, 0.0)
        forward = max(float(turn[1]) - FORWARD_DEG[1], FORWARD_DEG[0] - float(turn[1]), 0.0)
        if np.hypot(sideways, forward) > LEAST_BEND_DEG:
            return True
    return False
