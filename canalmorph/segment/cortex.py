"""The stage: rings of a femur's outer surface and of its canal, with their uncertainty."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.femur_errors import SlicesAlongShaftError
from canalmorph.flags import Quality
from canalmorph.geometry.lumps import measure_distance_mm
from canalmorph.geometry.sampling import sample_points
from canalmorph.model.femur import METAL_REACH_MM, Calibration, Cortex, Femur, HeadSphere
from canalmorph.model.volume import NEVER_SCANNED_HU, SliceGap, find_covered
from canalmorph.segment.blur import slice_axis, slice_direction
from canalmorph.segment.calibration import WallRays, calibrate
from canalmorph.segment.edges import (
    RAY_IN_MM,
    RAY_STEP_MM,
    Rays,
    Reading,
    Surface,
    fit_edges,
    sample_across,
    smooth_points,
)
from canalmorph.segment.half_maximum import find_half_maximum_edges
from canalmorph.segment.head import doubt_head, is_cut, refine_head
from canalmorph.segment.porous import (
    OF_DENSE,
    TO_MARROW,
    choose_reading,
    find_porous_rings,
    may_be_porous,
)
from canalmorph.segment.rings import RoughAxis, find_first_outlines, find_rough_axis
from canalmorph.segment.settings import SegmentSettings
from canalmorph.segment.surface import find_normals, find_radial_rays, find_ring_centres
from canalmorph.segment.wall import X_IN, X_OUT

#: Shaft rings for calibration lie this far below the head's centre. [mm]
SHAFT_BELOW_HEAD_MM = 75.0
#: Slices thicker than this must run across the shaft, nearer to it than 45 degrees. [mm]
THICK_SLICE_MM, LEAST_ACROSS = 1.25, 0.7
#: Hardening of the beam by bone moves the outer edge outwards, 0.02 to 0.05 mm on scans made from
#: simulated projections; it is not modelled. [mm]
HARDENING_U_MM = 0.015
#: What fills a canal more densely than this is neither marrow nor cancellous bone, whose middle
#: reads up to 300 HU in phantoms; bone cement has 1000 HU and more. From memory, no source. [HU]
FILLED_HU = 800.0
#: It is looked at on so many points, this share of the way from the canal's middle to its edge.
FILL_POINTS, FILL_SHARE = 24, 0.4
#: A surface keeps this far from slices that are missing: sections between two rings lean on both.
#: Slices beside a gap are as taken, so that no blur reaches farther. [mm]
GAP_REACH_MM = 1.0
#: Rays of a ring so near to a gap may run into it, and what they miss is the gap's doing. [mm]
NEAR_GAP_MM = 8.0
#: More than this share of a ring without trusted edges leaves the ring incomplete.
LARGEST_GAP_SHARE = 0.1
#: From so far inside the outer surface on, nothing around a bone may be unseen. [mm]
BESIDE_MM = 2.0
#: Of an outer surface that lacks more, the canal's rays start from points put in between: what they
#: meet is no canal.
LARGEST_LACK_SHARE = 0.2
#: Where the field of view cuts more than this share of a ring's outer edge, rays find the cut in
#: place of the canal's edge: a canal read 7 mm too narrow.
LARGEST_CUT_SHARE = 0.03


def segment_cortex(femur: Femur, settings: SegmentSettings) -> Cortex:
    """Return the outer and inner surface of a femur's cortex.

    The bone's first outline is taken on sections across a rough axis and moved to its half
    maximum; from there, rays across the outer surface, and then rays across the canal's, are
    fitted with the blurred-cortex model. Density and blur come from the scan's own thick walls.

    Parameters
    ----------
    femur : Femur
        A located femur, with its head where that is in view.
    settings : SegmentSettings
        Rings, rays, priors.

    Raises
    ------
    ShaftTooShortError
        If too little of the shaft is in view.
    SlicesAlongShaftError
        If thick slices run along the shaft, so that its walls are blurred over their thickness.
    """
    axis = find_rough_axis(femur)
    _refuse_thick_slices_along_shaft(femur, axis)
    heights = _ring_heights(femur, axis, settings)
    cortex = segment_tube(femur, axis, heights, heights < -SHAFT_BELOW_HEAD_MM, settings)
    head = refine_head(femur, cortex.calibration)
    head = _doubt_near_metal(femur, head)
    if head is not None and is_cut(head, femur.crop.gaps, axis.direction):
        head = replace(doubt_head(head), slices_missing=True)
    return replace(cortex, femur=replace(femur, head=head))


def _doubt_near_metal(femur: Femur, head: HeadSphere | None) -> HeadSphere | None:
    """Return the head, in doubt where metal lies in it or near its surface."""
    if head is None:
        return None
    reach_mm = head.radius_mm + METAL_REACH_MM
    if measure_distance_mm(head.centre_lps_mm, femur.metal_lps_mm) > reach_mm:
        return head
    return replace(doubt_head(head), near_metal=True)


def segment_tube(
    femur: Femur,
    axis: RoughAxis,
    heights: NDArray[np.float64],
    shaft: NDArray[np.bool_],
    settings: SegmentSettings,
) -> Cortex:
    """Return both surfaces of any tubular bone along a rough axis.

    Parameters
    ----------
    femur : Femur
        The bone; its head is only used to leave out the hip's socket.
    axis : RoughAxis
        Along the bone.
    heights : (n,) float array
        Of the rings along the axis, ascending. [mm]
    shaft : (n,) bool array
        Rings whose walls tell density and blur.
    settings : SegmentSettings
        Rings, rays, priors.
    """
    base = find_first_outlines(femur, axis, heights, settings)
    base = _half_maximum_surface(femur, axis, base, settings)
    outer, rough_canal, calibration = _fit_outer(femur, axis, base, shaft, settings)
    canal, dense = _fit_canal(femur, axis, outer.points_mm, rough_canal, calibration, settings)
    gaps, lost = femur.crop.gaps, outer.cut.mean(axis=1) > LARGEST_CUT_SHARE
    lost |= np.isnan(outer.points_mm[..., 0]).mean(axis=1) > LARGEST_LACK_SHARE
    return Cortex(
        femur=femur,
        heights_mm=heights,
        axis_point_lps_mm=axis.point_lps_mm,
        axis_direction=axis.direction,
        outer_lps_mm=_without_gaps(outer.points_mm, gaps),
        canal_lps_mm=np.where(lost[:, None, None], np.nan, _without_gaps(canal.points_mm, gaps)),
        dense_lps_mm=_without_gaps(dense, gaps),
        outer_u_mm=outer.u_mm,
        canal_u_mm=canal.u_mm,
        outer_shared_u_mm=np.hypot(outer.shared_u_mm, HARDENING_U_MM),
        canal_shared_u_mm=canal.shared_u_mm,
        quality=_ring_quality(femur, axis, heights, outer, canal)
        | np.where(np.isfinite(dense).any(axis=(1, 2)), int(Quality.POROUS_ENDOSTEUM), 0),
        calibration=calibration,
    )


def _refuse_thick_slices_along_shaft(femur: Femur, axis: RoughAxis) -> None:
    spacing_mm = float(femur.crop.spacing_mm[slice_axis(femur.crop)])
    along = abs(float(slice_direction(femur.crop) @ axis.direction))
    if along < LEAST_ACROSS and spacing_mm > THICK_SLICE_MM:
        raise SlicesAlongShaftError(side=femur.side.value, spacing_mm=spacing_mm)


def _ring_heights(femur: Femur, axis: RoughAxis, settings: SegmentSettings) -> NDArray[np.float64]:
    """Return heights from the lower end of the shaft in view up to the head's centre."""
    lowest = float(((femur.shaft_path_lps_mm - axis.point_lps_mm) @ axis.direction).min())
    lowest = max(lowest, -settings.lowest_below_head_mm)
    return np.arange(np.ceil(lowest), 1.0, settings.ring_step_mm)


def _half_maximum_surface(
    femur: Femur, axis: RoughAxis, base: NDArray[np.float64], settings: SegmentSettings
) -> NDArray[np.float64]:
    """Return the first outline moved to the half-maximum outer edge, as a smooth surface.

    The points themselves are smoothed, not their moves: a smooth move would keep the steps of
    the pixels that the first outline was found on.
    """
    for _ in range(2):
        _, across = find_normals(base, axis.direction)
        profiles = sample_across(femur.crop, base, across)
        start = find_half_maximum_edges(
            profiles.reshape(-1, profiles.shape[-1]),
            first_mm=-RAY_IN_MM,
            step_mm=RAY_STEP_MM,
            look_in_mm=4.0,
            look_out_mm=3.0,
        )
        points = base + start[:, X_OUT].reshape(base.shape[:2])[..., None] * across
        smooth = smooth_points(points, np.full(base.shape[:2], 0.1), base, settings)[0]
        base = np.where(np.isfinite(smooth), smooth, base)
    return base


def _fit_outer(
    femur: Femur,
    axis: RoughAxis,
    base: NDArray[np.float64],
    shaft: NDArray[np.bool_],
    settings: SegmentSettings,
) -> tuple[Surface, NDArray[np.float64], Calibration]:
    """Return the outer surface, rough canal points, and the scan's calibration."""
    normals, across = find_normals(base, axis.direction)
    profiles = sample_across(femur.crop, base, across)
    flat = profiles.reshape(-1, profiles.shape[-1])
    start = find_half_maximum_edges(flat, first_mm=-RAY_IN_MM, step_mm=RAY_STEP_MM)
    free = ~_is_near_metal(femur, base)
    walls = WallRays(
        profiles_hu=flat,
        start=start,
        normals=normals.reshape(-1, 3),
        across=across.reshape(-1, 3),
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
    )
    calibration = calibrate(
        walls.pick(np.flatnonzero(shaft[:, None] & free)),
        femur.crop,
        everywhere=walls.pick(np.flatnonzero(free)),
    )
    surface = fit_edges(
        femur.crop,
        axis.direction,
        Rays(base=base, normals=normals, across=across, profiles_hu=profiles, start=start),
        calibration,
        settings,
        Reading(prior_u_hu=settings.cortex_prior_hu),
    )
    depth = _seen_depth_mm(start).reshape(base.shape[:2])
    return surface, base + depth[..., None] * across, calibration


def _seen_depth_mm(start: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return where the wall's inner edge was seen along each ray, NaN where it goes on [mm]."""
    return np.where(start[:, X_IN] > -RAY_IN_MM, start[:, X_IN], np.nan)


def _fit_canal(
    femur: Femur,
    axis: RoughAxis,
    outer: NDArray[np.float64],
    rough_canal: NDArray[np.float64],
    calibration: Calibration,
    settings: SegmentSettings,
) -> tuple[Surface, NDArray[np.float64]]:
    """Return the canal's surface, and points of the dense cortex's edge where it is another.

    Rays across the outer surface meet the canal at a slant where the wall is thick, so that the
    canal has rays of its own: first along radii from its centre, inwards from the outer surface,
    then across the surface that they gave.
    """
    centres = find_ring_centres(rough_canal)
    base, outwards = find_radial_rays(outer, centres, axis.first, axis.second)
    profiles = sample_across(femur.crop, base, outwards)
    start = find_half_maximum_edges(
        profiles.reshape(-1, profiles.shape[-1]), first_mm=-RAY_IN_MM, step_mm=RAY_STEP_MM
    )
    depth = _seen_depth_mm(start).reshape(base.shape[:2])
    rough = base + depth[..., None] * outwards
    canal, _ = smooth_points(rough, np.full(depth.shape, 0.1), rough, settings)
    normals, across = find_normals(canal, axis.direction)
    profiles = sample_across(femur.crop, canal, -across)
    start = find_half_maximum_edges(
        profiles.reshape(-1, profiles.shape[-1]),
        first_mm=-RAY_IN_MM,
        step_mm=RAY_STEP_MM,
        look_in_mm=4.0,
        look_out_mm=0.5,
    )
    rays = Rays(base=canal, normals=-normals, across=-across, profiles_hu=profiles, start=start)
    usual = fit_edges(
        femur.crop,
        axis.direction,
        rays,
        calibration,
        settings,
        Reading(prior_u_hu=settings.cortex_prior_hu),
    )
    if not may_be_porous(femur.crop, rays, calibration):
        return usual, np.full_like(usual.points_mm, np.nan)
    marrow, dense = (
        fit_edges(femur.crop, axis.direction, rays, calibration, settings, reading)
        for reading in (TO_MARROW, OF_DENSE)
    )
    porous = find_porous_rings(marrow, dense, calibration)
    return choose_reading(usual, marrow, porous), np.where(
        porous[:, None, None], dense.points_mm, np.nan
    )


def _is_near_metal(femur: Femur, points_mm: NDArray[np.float64]) -> NDArray[np.bool_]:
    return np.asarray(measure_distance_mm(points_mm, femur.metal_lps_mm) < METAL_REACH_MM)


def _read_content_hu(femur: Femur, canal_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the median of what lies around each ring's middle; air's where unknown [HU]."""
    centres = find_ring_centres(canal_mm)[:, None, :]
    some = canal_mm[:, :: max(1, canal_mm.shape[1] // FILL_POINTS)]
    points = centres + FILL_SHARE * np.nan_to_num(some - centres)
    values = sample_points(femur.crop.voxels_hu, femur.crop.index_to_lps_mm, points)
    return np.asarray(np.median(np.nan_to_num(values, nan=-1000.0), axis=1))


def _ring_quality(
    femur: Femur,
    axis: RoughAxis,
    heights: NDArray[np.float64],
    outer: Surface,
    canal: Surface,
) -> NDArray[np.int64]:
    """Return the quality bits of each ring."""
    quality = np.zeros(len(outer.points_mm), dtype=np.int64)
    with np.errstate(invalid="ignore"):
        thin = (canal.wall_mm < 3 * canal.blur_mm).mean(axis=1) > 0.1
    quality |= np.where(thin, int(Quality.THIN_CORTEX), 0)
    for surface in (outer, canal):
        missing = np.isnan(surface.points_mm[..., 0]).mean(axis=1)
        quality |= np.where(missing > LARGEST_GAP_SHARE, int(Quality.OUTLINE_INCOMPLETE), 0)
    _, across = find_normals(outer.points_mm, axis.direction)
    beside = sample_across(femur.crop, outer.points_mm, across, inside_mm=BESIDE_MM)
    metal = _is_near_metal(femur, outer.points_mm).any(axis=1)
    quality |= np.where(metal, int(Quality.METAL), 0)
    filled = _read_content_hu(femur, canal.points_mm) > FILLED_HU
    quality |= np.where(filled, int(Quality.FILLED_CANAL), 0)
    known = np.isfinite(outer.points_mm[..., 0])
    with np.errstate(invalid="ignore"):
        unseen = (~(beside > NEVER_SCANNED_HU)).any(axis=2) & known
    edge = (unseen | outer.cut).any(axis=1)
    missing, near_gap = (
        _reach_gap(femur, axis, heights, outer, reach_mm)
        for reach_mm in (GAP_REACH_MM, NEAR_GAP_MM)
    )
    missing |= near_gap & (edge | ((quality & int(Quality.OUTLINE_INCOMPLETE)) != 0))
    quality |= np.where(missing, int(Quality.MISSING_SLICES), 0)
    return quality | np.where(edge & ~near_gap, int(Quality.TOUCHES_EDGE), 0)


def _reach_gap(
    femur: Femur,
    axis: RoughAxis,
    heights: NDArray[np.float64],
    outer: Surface,
    reach_mm: float,
) -> NDArray[np.bool_]:
    """Return which rings lie within a reach of missing slices; one without points by its middle."""
    gaps = femur.crop.gaps
    middles = axis.point_lps_mm + heights[:, None] * axis.direction
    reached = find_covered(gaps, outer.points_mm, reach_mm=reach_mm).any(axis=1)
    return np.asarray(reached | find_covered(gaps, middles, reach_mm=reach_mm))


def _without_gaps(
    points_mm: NDArray[np.float64], gaps: tuple[SliceGap, ...]
) -> NDArray[np.float64]:
    """Return the points with NaN where slices are missing: no surface is made up there."""
    covered = find_covered(gaps, points_mm, reach_mm=GAP_REACH_MM)
    return np.where(covered[..., None], np.nan, points_mm)
