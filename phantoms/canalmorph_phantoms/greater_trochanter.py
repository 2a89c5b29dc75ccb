"""The greater trochanter's true tip, from the solid."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.solid import evaluate_femur

#: Where the tip is looked for: medial and posterior of the shaft axis, and about the made tip. [mm]
_MEDIAL_MM, _POSTERIOR_MM, _AROUND_MM = (-60.0, 8.0), (-38.0, 48.0), (20.0, 10.0)
_STEP_MM = 0.5
#: The tip is the middle of the surface this near to its highest point. [mm]
_CAP_MM = 1.0


@njit(cache=True)
def _find_tops(us, vs, low, high, p, table, out):  # type: ignore[no-untyped-def]  # compiled
    """Set the height of the outer surface over each column, by steps and then by halving."""
    for i in range(len(us)):
        for j in range(len(vs)):
            s = high
            while s > low and evaluate_femur(us[i], vs[j], s, p, table)[0] > 0.0:
                s -= 1.0
            if s <= low or s == high:
                continue
            inside, outside = s, s + 1.0
            for _ in range(14):
                middle = 0.5 * (inside + outside)
                if evaluate_femur(us[i], vs[j], middle, p, table)[0] > 0.0:
                    outside = middle
                else:
                    inside = middle
            out[i, j] = inside


def find_trochanter_tip(solid: FemurSolid) -> NDArray[np.float64]:
    """Return the greater trochanter's tip in the femur's frame, (u, v, s) [mm].

    The highest point of the outer surface beside the shaft axis; across the axis the middle of
    the surface that lies within 1 mm of its height.
    """
    made = solid.shape.head_height_mm + solid.shape.trochanter_tip_mm
    us, vs = (np.arange(low, high, _STEP_MM) for low, high in (_MEDIAL_MM, _POSTERIOR_MM))
    tops = np.full((len(us), len(vs)), -np.inf)
    below, above = _AROUND_MM
    _find_tops(us, vs, made - below, made + above, solid.parameters, solid.table, tops)
    rows, columns = np.nonzero(tops >= tops.max() - _CAP_MM)
    return np.array([us[rows].mean(), vs[columns].mean(), tops.max()])
