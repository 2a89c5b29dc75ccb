"""Porous inner cortex: two readings of the canal's edge, and where they differ.

The first reading gives the wall an inner zone of its own density: its edge is where the marrow
begins. The second takes the whole wall for as dense as the scan's thick outer cortex: its
edge bounds the dense cortex that would hold the same mineral. In a solid wall both are the same; a
porous inner zone makes the second canal the wider one.
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.model.femur import Calibration
from canalmorph.model.volume import CtVolume
from canalmorph.segment.edges import Rays, Reading, Surface, read_edges_mm

#: Walls thinner than this have no inner zone of their own. [mm]
THICK_MM = 3.0
#: The edge to the marrow, with an inner zone of its own density and thickness.
TO_MARROW = Reading(prior_u_hu=75.0, single_edge_mm=THICK_MM, window=(0.75, 0.0, 5.0), zone=True)
#: The edge of as much dense cortex, the density kept.
OF_DENSE = Reading(prior_u_hu=20.0, single_edge_mm=THICK_MM, window=(0.7, 0.0, 4.5))
#: The readings must differ by this at least, and by this many standard uncertainties. [mm]
LEAST_GAP_MM, LEAST_SCORE = 0.12, 3.0
#: Of a ring that tells anything this share of the rays knows both. [1]
LEAST_KNOWN = 0.3
#: The edge to the marrow is uncertain by this beside its noise: no zone has one density. [mm]
ZONE_U_MM = 0.12
#: All rays are read twice only where one of every third ring shows, with every second ray, this
#: part of the least gap. Five rings of nine must show the gap, so that one of them is always seen.
SOME_RINGS, SOME_RAYS, SOME_SHARE = 3, 2, 0.5
#: Rings over which the gap is judged together.
RINGS_TOGETHER = 9
#: Rays of a ring whose gaps count as independent.
INDEPENDENT_RAYS = 10.0


def may_be_porous(crop: CtVolume, rays: Rays, calibration: Calibration) -> bool:
    """Return whether some rays of the canal, unsmoothed, show a gap between the two readings.

    Parameters
    ----------
    crop : CtVolume
        For the directions in which blur differs.
    rays : Rays
        From the wall into the canal.
    calibration : Calibration
        Density, blur, kernel and noise.
    """
    if calibration.n_rays == 0:
        return False  # the density is assumed, and a second reading by it means nothing
    some = rays.pick(SOME_RINGS, SOME_RAYS)
    marrow, _ = read_edges_mm(crop, some, calibration, TO_MARROW)
    dense, wall = read_edges_mm(crop, some, calibration, OF_DENSE)
    gap = np.where(wall > THICK_MM, marrow - dense, np.nan)
    gap = gap[np.isfinite(gap).mean(axis=1) > LEAST_KNOWN]
    return bool((np.nanmedian(gap, axis=1) > SOME_SHARE * LEAST_GAP_MM).any())


def find_porous_rings(
    marrow: Surface, dense: Surface, calibration: Calibration
) -> NDArray[np.bool_]:
    """Return on which rings (n,) the two readings of the canal differ by more than they may.

    Parameters
    ----------
    marrow, dense : Surface
        Both readings.
    calibration : Calibration
        Without a density of the scan's own the second reading means nothing: no ring is porous.
    """
    gap = ((dense.points_mm - marrow.points_mm) * marrow.outwards).sum(axis=-1)
    gap[~(dense.wall_mm > THICK_MM)] = np.nan
    known = np.isfinite(gap).mean(axis=1) > LEAST_KNOWN
    if calibration.n_rays == 0 or not known.any():
        return np.zeros(len(gap), dtype=bool)
    middle = np.zeros(len(gap))
    u = np.full(len(gap), np.inf)
    middle[known] = np.nanmedian(gap[known], axis=1)
    spread = 1.4826 * np.nanmedian(np.abs(gap[known] - middle[known][:, None]), axis=1)
    shared = np.nanmean(dense.shared_u_mm[known], axis=1)
    u[known] = np.hypot(spread / np.sqrt(INDEPENDENT_RAYS), shared)
    porous = known & (middle > LEAST_GAP_MM) & (middle > LEAST_SCORE * u)
    together = ndimage.median_filter(porous.astype(np.uint8), RINGS_TOGETHER, mode="nearest")
    return np.asarray((together > 0) & known)


def choose_reading(usual: Surface, marrow: Surface, porous: NDArray[np.bool_]) -> Surface:
    """Return the usual surface with the edge to the marrow on porous rings."""
    here = porous[:, None] & np.isfinite(marrow.points_mm[..., 0])
    return replace(
        usual,
        points_mm=np.where(here[..., None], marrow.points_mm, usual.points_mm),
        u_mm=np.where(here, np.hypot(marrow.u_mm, ZONE_U_MM), usual.u_mm),
        shared_u_mm=np.where(here, marrow.shared_u_mm, usual.shared_u_mm),
    )
