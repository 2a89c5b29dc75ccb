"""The stage: sections perpendicular to the proximal shaft axis, and what belongs to no level."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.geometry.lines import fit_circle
from canalmorph.geometry.outlines import find_centroids
from canalmorph.geometry.tubes import cut_tube
from canalmorph.measure.section import measure_outline, measure_walls
from canalmorph.measure.settings import MeasureSettings
from canalmorph.model.columns import NAMED_LEVELS_MM, SECTION_COLUMNS
from canalmorph.model.femur import AlignedFemur, HeadSphere
from canalmorph.model.results import CanalProfile, Measurement

#: The canal's local axis is taken over this much to each side. [mm]
LOCAL_AXIS_MM = 10
#: The bow needs this much of the canal below LT-20. [mm]
BOW_LENGTH_MM = 150.0
#: Edges are uncertain by this beside their noise, from density, blur and shape; a first value,
#: chosen on the catalogue. [mm]
SYSTEMATIC_U_MM = 0.03
#: The same where the wall is thin.
SYSTEMATIC_THIN_U_MM = 0.12


def measure_canal(aligned: AlignedFemur, settings: MeasureSettings) -> CanalProfile:
    """Return every section's measures.

    Parameters
    ----------
    aligned : AlignedFemur
        Surfaces and frame.
    settings : MeasureSettings
        Levels.

    Returns
    -------
    CanalProfile
        From the top level down to the end of the shaft in view.
    """
    levels = _find_levels(aligned, settings)
    outer, canal, ring_bits = _cut_surfaces(aligned, levels)
    head = aligned.cortex.femur.head
    limits = _medial_limits(aligned, levels, head)
    names = [column.name for column in SECTION_COLUMNS if column.measured]
    columns = {name: np.full(len(levels), np.nan) for name in names}
    uncertainties = {name: np.full(len(levels), np.nan) for name in names}
    quality = np.zeros(len(levels), dtype=np.int64)
    for row in range(len(levels)):
        quality[row] = ring_bits[row]
        if quality[row] & int(Quality.METAL):
            continue
        values, us, bits = _measure_section(outer[row], canal[row], limits[row], ring_bits[row])
        quality[row] |= bits
        for name, value in values.items():
            columns[name][row] = value
            uncertainties[name][row] = us[name]
    columns["axis_tilt_deg"], uncertainties["axis_tilt_deg"] = _local_tilt(levels, canal)
    return CanalProfile(
        side=aligned.cortex.femur.side,
        frame=aligned.frame,
        levels_mm=levels,
        columns=columns,
        uncertainties=uncertainties,
        quality=quality,
        outer_outline_mm=outer[..., :2],
        canal_outline_mm=canal[..., :2],
        head=head,
        facts=_find_facts(aligned, levels, canal),
        level_u_mm=aligned.lesser_trochanter.level_u_mm,
        isthmus_in_view=aligned.isthmus_in_view,
        calibration=aligned.cortex.calibration,
        warnings=_profile_warnings(quality, levels),
    )


def _find_levels(aligned: AlignedFemur, settings: MeasureSettings) -> NDArray[np.float64]:
    """Return the levels whose section is in view, descending; named levels are among them."""
    heights = aligned.frame.lps_to_frame_mm(aligned.cortex.outer_lps_mm)[..., 2]
    lowest = max(settings.lowest_level_mm, float(np.nanmin(heights)))
    steps = np.arange(
        settings.top_level_mm, settings.lowest_level_mm - 1e-6, -settings.level_step_mm
    )
    named = [level for level in NAMED_LEVELS_MM.values() if np.abs(steps - level).min() > 1e-6]
    levels = np.sort(np.concatenate([steps, named]))[::-1]
    return np.ascontiguousarray(levels[levels >= lowest])


def _cut_surfaces(
    aligned: AlignedFemur, levels: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]]:
    """Return outer and canal sections (l, m, 3) as (medial, posterior, u), and their ring bits."""
    cortex = aligned.cortex
    sections = []
    bits = np.zeros(len(levels), dtype=np.int64)
    for points, u in (
        (cortex.outer_lps_mm, cortex.outer_u_mm),
        (cortex.canal_lps_mm, cortex.canal_u_mm),
    ):
        rings = aligned.frame.lps_to_frame_mm(points)
        sections.append(cut_tube(rings, levels, u)[..., [0, 1, 3]])
        heights = np.nanmedian(np.where(np.isfinite(rings[..., 2]), rings[..., 2], 0.0), axis=1)
        nearest = np.abs(heights[None, :] - levels[:, None]).argmin(axis=1)
        bits |= cortex.quality[nearest] & ~int(Quality.OUTLINE_INCOMPLETE)
    return sections[0], sections[1], bits


def _medial_limits(
    aligned: AlignedFemur, levels: NDArray[np.float64], head: HeadSphere | None
) -> NDArray[np.float64]:
    """Return where the head's circle begins at each level; infinite where it is not met [mm].

    The head's centre less ``sqrt(R^2 - dz^2)``, as a line drawn on a radiograph ends there.
    """
    if head is None:
        return np.full(len(levels), np.inf)
    centre = aligned.frame.lps_to_frame_mm(head.centre_lps_mm)
    reach = head.radius_mm**2 - (centre[2] - levels) ** 2
    return np.where(reach > 0, centre[0] - np.sqrt(np.maximum(reach, 0.0)), np.inf)


def _measure_section(
    outer: NDArray[np.float64], canal: NDArray[np.float64], limit_mm: float, ring_bits: int
) -> tuple[dict[str, float], dict[str, float], int]:
    """Return values, uncertainties and quality bits of one section."""
    values: dict[str, float] = {}
    us: dict[str, float] = {}
    thin = bool(ring_bits & int(Quality.THIN_CORTEX))
    systematic = SYSTEMATIC_THIN_U_MM if thin else SYSTEMATIC_U_MM
    bits = 0
    for prefix, outline in (("outer", outer), ("canal", canal)):
        u = np.hypot(outline[:, 2], systematic)
        some, some_u = measure_outline(outline[:, :2], u, medial_limit_mm=limit_mm, prefix=prefix)
        values |= some
        us |= some_u
        if f"{prefix}_ml_mm" not in some or f"{prefix}_area_mm2" not in some:
            bits |= int(Quality.OUTLINE_INCOMPLETE)
        if np.isfinite(limit_mm) and bool((outline[:, 0] > limit_mm).any()):
            bits |= int(Quality.HEAD_IN_SECTION)
    if not bits & int(Quality.HEAD_IN_SECTION):
        walls, walls_u = measure_walls(
            outer[:, :2],
            canal[:, :2],
            np.hypot(outer[:, 2], systematic),
            np.hypot(canal[:, 2], systematic),
        )
        values |= walls
        us |= walls_u
    return values, us, bits


def _local_tilt(
    levels: NDArray[np.float64], canal: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the angle of the canal's local axis against the shaft axis at each level [deg]."""
    rings = np.concatenate(
        [canal[..., :2], np.broadcast_to(levels[:, None, None], (*canal.shape[:2], 1))], axis=-1
    )
    centroids = find_centroids(rings)
    tilt = np.full(len(levels), np.nan)
    u = np.full(len(levels), np.nan)
    reach = LOCAL_AXIS_MM
    for row in range(reach, len(levels) - reach):
        run = centroids[row - reach] - centroids[row + reach]
        if np.isfinite(run).all():
            tilt[row] = np.degrees(np.arctan2(np.hypot(run[0], run[1]), abs(run[2])))
            u[row] = np.degrees(0.05 * np.sqrt(2.0) / abs(run[2]))
    return tilt, u


def _find_facts(
    aligned: AlignedFemur, levels: NDArray[np.float64], canal: NDArray[np.float64]
) -> dict[str, Measurement]:
    """Return the measures that belong to no level, by column name."""
    facts: dict[str, Measurement] = {}
    apex = aligned.lesser_trochanter.apex_lps_mm
    u_level = aligned.lesser_trochanter.level_u_mm
    for axis, name in enumerate("xyz"):
        along = abs(float(aligned.frame.proximal[axis]))
        facts[f"lt_{name}_mm"] = Measurement(
            value=float(apex[axis]), u=float(np.hypot(u_level * along, 0.3))
        )
    head = aligned.cortex.femur.head
    if head is not None:
        for axis, name in enumerate("xyz"):
            facts[f"head_{name}_mm"] = Measurement(
                value=float(head.centre_lps_mm[axis]), u=head.centre_u_mm
            )
        facts["head_diameter_mm"] = Measurement(value=2 * head.radius_mm, u=2 * head.radius_u_mm)
        centre = aligned.frame.lps_to_frame_mm(head.centre_lps_mm)
        facts["femoral_offset_mm"] = Measurement(
            value=float(np.hypot(centre[0], centre[1])),
            u=float(np.hypot(head.centre_u_mm, np.radians(aligned.axis_u_deg) * centre[2])),
        )
    if aligned.neck is not None:
        cosine = float(np.clip(-aligned.neck.direction @ aligned.frame.proximal, -1.0, 1.0))
        facts["neck_shaft_angle_deg"] = Measurement(
            value=float(np.degrees(np.arccos(cosine))),
            u=float(np.hypot(aligned.neck.direction_u_deg, aligned.axis_u_deg)),
        )
    calibration = aligned.cortex.calibration
    if calibration.n_rays > 0:
        facts["cortex_hu"] = Measurement(
            value=calibration.cortex_hu, u=max(5.0, calibration.cortex_u_hu)
        )
    bow = _measure_bow(levels, canal)
    if bow is not None:
        facts["bow_radius_mm"] = bow
    return facts


def _measure_bow(levels: NDArray[np.float64], canal: NDArray[np.float64]) -> Measurement | None:
    """Return the radius of the circle through the canal's centres in the AP plane, or None."""
    rings = np.concatenate(
        [canal[..., :2], np.broadcast_to(levels[:, None, None], (*canal.shape[:2], 1))], axis=-1
    )
    centroids = find_centroids(rings)
    part = centroids[(levels <= -20.0) & (levels >= -240.0)]
    part = part[np.isfinite(part).all(axis=1)][:, 1:]
    if len(part) < 10 or np.ptp(part[:, 1]) < BOW_LENGTH_MM:
        return None
    centre, radius = fit_circle(part)
    residual = np.hypot(*(part - centre).T) - radius
    length = float(np.ptp(part[:, 1]))
    # Sagitta s = L^2 / 8R: an error ds of the centre line changes R by 8 R^2 ds / L^2.
    u_sagitta = float(np.hypot(residual.std(), 0.1)) / 2.0
    return Measurement(value=radius, u=float(8 * radius**2 * u_sagitta / length**2))


def _profile_warnings(quality: NDArray[np.int64], levels: NDArray[np.float64]) -> tuple[str, ...]:
    warnings = []
    if np.any(quality & int(Quality.METAL)):
        warnings.append("metal")
    at_flare = quality[np.abs(levels - 20.0) < 0.6]
    if np.any(at_flare & int(Quality.HEAD_IN_SECTION)):
        warnings.append("head_at_lt20")
    if np.any(at_flare & int(Quality.THIN_CORTEX)):
        warnings.append("thin_cortex_at_lt20")
    return tuple(warnings)
