"""The stage: sections perpendicular to the proximal shaft axis, and what belongs to no level."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.geometry.outlines import find_centroids
from canalmorph.measure.axis_doubt import find_axis_doubt
from canalmorph.measure.bow import find_centres, measure_bow, measure_deviations
from canalmorph.measure.rods import measure_rods
from canalmorph.measure.settings import MeasureSettings
from canalmorph.measure.stack import measure_sections
from canalmorph.model.columns import NAMED_LEVELS_MM
from canalmorph.model.femur import AlignedFemur, Calibration
from canalmorph.model.results import CanalProfile, Measurement

#: The canal's local axis is taken over this much to each side. [mm]
LOCAL_AXIS_MM = 10.0


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
    sections = measure_sections(
        aligned.cortex, aligned.frame, levels, plane_u_deg=_plane_u_deg(aligned)
    )
    outer, canal, quality = sections.outer_mm, sections.canal_mm, sections.quality
    columns, uncertainties = dict(sections.columns), dict(sections.uncertainties)
    columns["axis_tilt_deg"], uncertainties["axis_tilt_deg"] = _local_tilt(levels, canal)
    widths, centres = columns["canal_ml_mm"], find_centres(levels, canal)
    doubt = find_axis_doubt(centres, widths, uncertainties["canal_ml_mm"], aligned.axis_u_deg)
    bow, bow_reasons = measure_bow(centres, columns["outer_ml_mm"], _plane_u_deg(aligned))
    beside, beside_reasons = measure_deviations(
        centres, doubt, aligned.lesser_trochanter.level_u_mm
    )
    rods = measure_rods(aligned, levels, quality, doubt)
    return CanalProfile(
        side=aligned.cortex.femur.side,
        frame=aligned.frame,
        levels_mm=levels,
        columns=columns,
        uncertainties=uncertainties,
        quality=quality,
        outer_outline_mm=outer[..., :2],
        canal_outline_mm=canal[..., :2],
        head=aligned.cortex.femur.head,
        facts={**_find_facts(aligned), **bow, **beside, **rods.numbers},
        level_u_mm=aligned.lesser_trochanter.level_u_mm,
        isthmus_in_view=aligned.isthmus_in_view,
        calibration=aligned.cortex.calibration,
        warnings=_profile_warnings(aligned.cortex.calibration, quality, levels),
        texts=rods.texts,
        reasons={**bow_reasons, **beside_reasons, **rods.reasons},
    )


def _plane_u_deg(aligned: AlignedFemur) -> float:
    """Return the uncertainty of the ML direction: the neck's, seen along the shaft [deg]."""
    if aligned.neck is None:
        return 0.0
    along = float(aligned.neck.direction @ aligned.frame.proximal)
    return float(aligned.neck.direction_u_deg / max(np.sqrt(1 - along**2), 0.3))


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
    for row, level in enumerate(levels):
        above = int(np.argmin(np.abs(levels - level - LOCAL_AXIS_MM)))
        below = int(np.argmin(np.abs(levels - level + LOCAL_AXIS_MM)))
        if min(levels[above] - level, level - levels[below]) < 0.8 * LOCAL_AXIS_MM:
            continue  # too near an end of the profile
        run = centroids[above] - centroids[below]
        if np.isfinite(run).all():
            tilt[row] = np.degrees(np.arctan2(np.hypot(run[0], run[1]), run[2]))
            u[row] = np.degrees(0.05 * np.sqrt(2.0) / run[2])
    return tilt, u


def _find_facts(aligned: AlignedFemur) -> dict[str, Measurement]:
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
    return facts


def _profile_warnings(
    calibration: Calibration, quality: NDArray[np.int64], levels: NDArray[np.float64]
) -> tuple[str, ...]:
    warnings = []
    if calibration.n_rays == 0:
        warnings.append("density_assumed")
    if np.any(quality & int(Quality.NARROW_CANAL)):
        warnings.append("narrow_canal")
    if np.any(quality & int(Quality.POROUS_ENDOSTEUM)):
        warnings.append("porous_endosteum")
    if np.any(quality & int(Quality.METAL)):
        warnings.append("metal")
    at_flare = quality[np.abs(levels - 20.0) < 0.6]
    if np.any(at_flare & int(Quality.HEAD_IN_SECTION)):
        warnings.append("head_at_lt20")
    if np.any(at_flare & int(Quality.THIN_CORTEX)):
        warnings.append("thin_cortex_at_lt20")
    return tuple(warnings)
