"""Where the epicondyles of a solid femur truly are: sampled on the solid, no voxels."""

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph_phantoms import solid as sd
from canalmorph_phantoms.femur import FemurSolid

#: An epicondyle's place is the middle of its top so high. [mm]
TOP_MM = 1.0
#: Sampled over this half edge around the condyles' centres, with this step. [mm]
HALF_MM, STEP_MM = 20.0, 0.5


@njit(cache=True)
def _trace(
    starts: NDArray[np.float64],
    way: NDArray[np.float64],
    reach_mm: float,
    p: NDArray[np.float64],
    table: NDArray[np.float64],
    out: NDArray[np.float64],
) -> None:
    """Come from outside, `reach_mm` away, by steps that never pass the surface; then bisect."""
    for n in range(starts.shape[0]):
        low, high = 0.0, reach_mm
        u, v, s = starts[n] + high * way
        found = False
        while high > 0.0:
            u, v, s = starts[n] + high * way
            if sd.evaluate_femur(u, v, s, p, table)[0] <= 0.0:
                found = True
                break
            high -= 0.5
        if not found:
            continue
        low, high = high, high + 0.5
        for _ in range(30):
            middle = 0.5 * (low + high)
            u, v, s = starts[n] + middle * way
            if sd.evaluate_femur(u, v, s, p, table)[0] <= 0.0:
                low = middle
            else:
                high = middle
        out[n] = low


def find_epicondyles(solid: FemurSolid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return medial and lateral epicondyle in the femur's own frame, (3,) each [mm].

    The middle of the top 1 mm of what stands out farthest along the posterior condylar line,
    to either side; without bumps this is the side of the condyle itself.
    """
    p = solid.parameters
    along = np.array([p[sd.P_COND_COS], p[sd.P_COND_SIN], 0.0])
    back = np.array([-p[sd.P_COND_SIN], p[sd.P_COND_COS], 0.0])
    up = np.array([0.0, 0.0, 1.0])
    centre = np.array([p[sd.P_COND_U], p[sd.P_COND_V], p[sd.P_DISTAL] + p[sd.P_COND_R]])
    grid = np.arange(-HALF_MM, HALF_MM + STEP_MM / 2, STEP_MM)
    across, height = (part.ravel() for part in np.meshgrid(grid, grid, indexing="ij"))
    starts = centre + across[:, None] * back + height[:, None] * up
    places = []
    outside = p[sd.P_COND_HALF] + p[sd.P_COND_R] + solid.shape.epicondyle_proud_mm + 6.0
    for way in (along, -along):
        reach = np.full(len(starts), -np.inf)
        _trace(starts, way, outside, p, solid.table, reach)
        top = reach > reach.max() - TOP_MM
        places.append((starts[top] + reach[top][:, None] * way).mean(axis=0))
    return places[0], places[1]
