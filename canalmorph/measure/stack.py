"""Sections of a femur's surfaces across any frame: the work that all kinds of sections share."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.geometry.tubes import cut_tube
from canalmorph.measure.section import SectionMeasures, measure_outline, measure_walls
from canalmorph.model.certainty import is_too_uncertain
from canalmorph.model.columns import SECTION_MEASURES
from canalmorph.model.femur import Calibration, Cortex, FemurFrame, HeadSphere

#: Where the head is this near to a section, the outlines of head and neck run together in it, and
#: the medial end of its ML widths is uncertain by the second; random femora showed up to 7 mm. [mm]
HEAD_NEAR_MM, HEAD_JOIN_U_MM = 1.0, 3.0
#: An outline of dense cortex with a larger gap has no width.
DENSE_GAP_SHARE = 0.05
#: What "as much dense cortex" leaves uncertain: 30 HU over 4 mm of wall, on two sides. [mm]
DENSE_U_MM = 0.1
#: A canal narrower than this many blurs never reaches the level of marrow: 1 mm reads as 2.7 mm.
NARROWEST_CANAL_BLURS = 5.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SectionStack:
    """Parallel sections and their measures.

    Attributes
    ----------
    columns, uncertainties, shared_uncertainties : mapping of str to (n,) float array
        By the names of `canalmorph.model.columns.SECTION_MEASURES`; NaN where not measurable.
        The shared part moves all points together: the scan-wide density, blur and kernel move
        every edge the same way on both femora of a scan, and it cancels in their difference.
        [mm or mm2]
    quality : (n,) int array
        `canalmorph.flags.Quality` bits.
    outer_mm, canal_mm : (n, m, 4) float arrays
        Outlines as (medial, posterior, own and shared uncertainty). [mm]
    """

    columns: Mapping[str, NDArray[np.float64]]
    uncertainties: Mapping[str, NDArray[np.float64]]
    shared_uncertainties: Mapping[str, NDArray[np.float64]]
    quality: NDArray[np.int64]
    outer_mm: NDArray[np.float64]
    canal_mm: NDArray[np.float64]


def measure_sections(
    cortex: Cortex,
    frame: FemurFrame,
    heights_mm: NDArray[np.float64],
    *,
    plane_u_deg: float = 0.0,
) -> SectionStack:
    """Return the measures of the planes at `heights_mm` along the frame's third axis.

    Parameters
    ----------
    cortex : Cortex
        Both surfaces.
    frame : FemurFrame
        Its first two axes are what ML and AP mean, its third is the planes' normal.
    heights_mm : (n,) float array
        Of the planes over the frame's origin. [mm]
    plane_u_deg : float
        Standard uncertainty of the frame's ML direction. [deg]
    """
    outer, canal, ring_bits = _cut_surfaces(cortex, frame, heights_mm)
    dense = cut_tube(frame.lps_to_frame_mm(cortex.dense_lps_mm), heights_mm)[..., :2]
    limits, limits_u = find_medial_limits(frame, heights_mm, cortex.femur.head)
    columns = {column.name: np.full(len(heights_mm), np.nan) for column in SECTION_MEASURES}
    uncertainties = {name: values.copy() for name, values in columns.items()}
    shared = {name: values.copy() for name, values in columns.items()}
    quality = np.zeros(len(heights_mm), dtype=np.int64)
    for row in range(len(heights_mm)):
        quality[row] = ring_bits[row]
        if quality[row] & int(Quality.METAL):
            outer[row] = canal[row] = np.nan
            continue
        found, bits = _measure_section(
            outer[row],
            canal[row],
            (limits[row], limits_u[row], plane_u_deg),
        )
        values, us = found.values, found.uncertainties
        narrow = _canal_is_too_narrow(values, cortex.calibration)
        bits |= int(Quality.NARROW_CANAL) if narrow else 0
        if narrow or quality[row] & int(Quality.FILLED_CANAL):
            values = {name: value for name, value in values.items() if name.startswith("outer_")}
        else:
            _add_dense_widths(dense[row], values, us)
        quality[row] |= bits
        for name, value in values.items():
            if is_too_uncertain(name, value, us[name]):
                quality[row] |= int(Quality.UNCERTAIN)
                continue
            columns[name][row] = value
            uncertainties[name][row] = us[name]
            shared[name][row] = found.shared.get(name, np.nan)
    return SectionStack(
        columns=columns,
        uncertainties=uncertainties,
        shared_uncertainties=shared,
        quality=quality,
        outer_mm=outer,
        canal_mm=canal,
    )


def _add_dense_widths(
    dense: NDArray[np.float64], values: dict[str, float], us: dict[str, float]
) -> None:
    """Add the canal's widths within dense cortex, where that outline is known all around."""
    known = np.isfinite(dense).all(axis=1)
    if known.mean() < 1 - DENSE_GAP_SHARE:
        return
    for axis, name in enumerate(("ml", "ap")):
        if f"canal_{name}_mm" in values:
            values[f"canal_dense_{name}_mm"] = float(np.ptp(dense[known, axis]))
            us[f"canal_dense_{name}_mm"] = float(np.hypot(us[f"canal_{name}_mm"], DENSE_U_MM))


def _cut_surfaces(
    cortex: Cortex, frame: FemurFrame, heights_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return both sections (l, m, 4) as (medial, posterior, own u, shared u), and ring bits."""
    outer, canal = (
        cut_tube(frame.lps_to_frame_mm(points), heights_mm, u, shared)[..., [0, 1, 3, 4]]
        for points, u, shared in (
            (cortex.outer_lps_mm, cortex.outer_u_mm, cortex.outer_shared_u_mm),
            (cortex.canal_lps_mm, cortex.canal_u_mm, cortex.canal_shared_u_mm),
        )
    )
    return outer, canal, _ring_bits(cortex, frame, heights_mm)


def _ring_bits(
    cortex: Cortex, frame: FemurFrame, heights_mm: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Return the bits of the ring nearest each plane, and metal of every ring that it crosses."""
    # A ring's height is that of its middle on the rough axis: known where its edges are not.
    middles = cortex.axis_point_lps_mm + cortex.heights_mm[:, None] * cortex.axis_direction
    ring_heights = frame.lps_to_frame_mm(middles)[:, 2]
    nearest = np.abs(ring_heights[None, :] - heights_mm[:, None]).argmin(axis=1)
    bits = cortex.quality[nearest] & ~int(Quality.OUTLINE_INCOMPLETE)
    reach = frame.lps_to_frame_mm(cortex.outer_lps_mm)[..., 2]
    metal = (cortex.quality & int(Quality.METAL)) != 0
    low = np.where(np.isfinite(reach), reach, np.inf).min(axis=1)[metal]
    high = np.where(np.isfinite(reach), reach, -np.inf).max(axis=1)[metal]
    crossed = ((low <= heights_mm[:, None]) & (heights_mm[:, None] <= high)).any(axis=1)
    return np.asarray(bits | np.where(crossed, int(Quality.METAL), 0))


def find_medial_limits(
    frame: FemurFrame, heights_mm: NDArray[np.float64], head: HeadSphere | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return where the head's circle begins at each height, and its uncertainty [mm].

    The head's centre less ``sqrt(R^2 - dz^2)``, as a line drawn on a radiograph ends there;
    infinite where the head is not met. Near the head's pole the line hangs on the radius, and
    where head and neck meet in the section their outlines run together: the uncertainty says so.
    It is 0 where the head is far. A head on a broken neck gives no line.
    """
    if head is None or head.broken:
        return np.full(len(heights_mm), np.inf), np.zeros(len(heights_mm))
    centre = frame.lps_to_frame_mm(head.centre_lps_mm)
    reach = head.radius_mm**2 - (centre[2] - heights_mm) ** 2
    half = np.sqrt(np.maximum(reach, 0.0))
    limits = np.where(reach > 0, centre[0] - half, np.inf)
    steepness = head.radius_mm / np.maximum(half, 2.0)
    u = np.hypot(np.hypot(head.centre_u_mm, steepness * head.radius_u_mm), HEAD_JOIN_U_MM)
    near = np.abs(centre[2] - heights_mm) < head.radius_mm + HEAD_NEAR_MM
    return limits, np.where(near, u, 0.0)


def _canal_is_too_narrow(values: Mapping[str, float], calibration: Calibration) -> bool:
    """Whether the blur fills the canal, so that its edges cannot be told apart."""
    calipers = ("canal_min_mm", "canal_ml_mm", "canal_ap_mm")
    narrowest = min(values.get(name, np.inf) for name in calipers)
    return bool(narrowest < NARROWEST_CANAL_BLURS * calibration.blur_in_plane_mm)


def _measure_section(
    outer: NDArray[np.float64],
    canal: NDArray[np.float64],
    limit: tuple[float, float, float],
) -> tuple[SectionMeasures, int]:
    """Return the measures of one section and its quality bits.

    `limit` is the head's line, its uncertainty [mm], and that of the plane [deg].
    """
    found = SectionMeasures({}, {}, {})
    bits = 0
    for prefix, outline in (("outer", outer), ("canal", canal)):
        some = measure_outline(
            outline[:, :2],
            outline[:, 2],
            outline[:, 3],
            medial_limit_mm=limit[0],
            medial_limit_u_mm=limit[1],
            plane_u_deg=limit[2],
            prefix=prefix,
        )
        found.merge(some)
        in_head = limit[1] > 0 or bool((outline[:, 0] > limit[0]).any())
        if in_head:
            bits |= int(Quality.HEAD_IN_SECTION)
        if f"{prefix}_ml_mm" not in some.values or not (
            in_head or f"{prefix}_area_mm2" in some.values
        ):
            bits |= int(Quality.OUTLINE_INCOMPLETE)
    if not bits & int(Quality.HEAD_IN_SECTION):
        known = np.isfinite(outer[:, 3])
        together = outer[known, 3].mean() if known.any() else 0.0
        found.merge(
            measure_walls(
                outer[:, :2],
                canal[:, :2],
                outer[:, 2],
                canal[:, 2],
                canal[:, 3] + together,
            )
        )
    return found, bits
