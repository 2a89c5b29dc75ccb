"""The stage: sections perpendicular to the proximal shaft axis, and what belongs to no level."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.measure.bow import LOCAL_AXIS_MM, MIDDLE_U_MM, find_centres
from canalmorph.measure.facts import gather_facts
from canalmorph.measure.metal import explain_metal
from canalmorph.measure.proximal import find_proximal_warnings
from canalmorph.measure.settings import MeasureSettings
from canalmorph.measure.stack import measure_sections
from canalmorph.measure.turned import measure_turned
from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.femur import AlignedFemur, Plane
from canalmorph.model.results import CanalProfile

#: Standard uncertainty of a plane that a person turned on a section: 1 mm at the end of a line of
#: 30 mm. [deg]
HAND_PLANE_U_DEG = 2.0


def measure_canal(
    aligned: AlignedFemur, settings: MeasureSettings, *, brief: bool = False
) -> CanalProfile:
    """Return every section's measures.

    Parameters
    ----------
    aligned : AlignedFemur
        Surfaces and frame.
    settings : MeasureSettings
        Levels.
    brief : bool
        For a person who waits: put off the rods, and what both sides of a case share.

    Returns
    -------
    CanalProfile
        From the top level down to the end of the shaft in view.
    """
    levels = _find_levels(aligned, settings)
    plane_u_deg = _plane_u_deg(aligned)
    sections = measure_sections(aligned.cortex, aligned.frame, levels, plane_u_deg=plane_u_deg)
    facts = gather_facts(aligned, levels, sections, plane_u_deg=plane_u_deg, brief=brief)
    outer, canal, quality = sections.outer_mm, sections.canal_mm, sections.quality
    columns, uncertainties = dict(sections.columns), dict(sections.uncertainties)
    columns["axis_tilt_deg"], uncertainties["axis_tilt_deg"] = _local_tilt(levels, canal)
    if not aligned.shaft_in_view:
        columns = {name: np.full(len(levels), np.nan) for name in columns}
        uncertainties = {name: values.copy() for name, values in columns.items()}
        quality = np.full(len(levels), int(Quality.NO_SHAFT_AXIS))
    marked_mm = _find_marked_isthmus(aligned, levels)
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
        facts=facts.numbers,
        texts=facts.texts,
        blanks=facts.reasons,
        turned=measure_turned(aligned, levels, sections, plane_u_deg=plane_u_deg)
        if aligned.shaft_in_view
        else {},
        level_u_mm=aligned.lesser_trochanter.level_u_mm,
        isthmus_in_view=aligned.isthmus_in_view or marked_mm is not None,
        marked_isthmus_mm=marked_mm,
        calibration=aligned.cortex.calibration,
        warnings=(
            *_profile_warnings(aligned, quality, levels),
            *find_proximal_warnings(aligned),
        ),
        shared_uncertainties={} if brief else sections.shared_uncertainties,
    )


def _find_marked_isthmus(aligned: AlignedFemur, levels: NDArray[np.float64]) -> float | None:
    """Return the level at which a person set the isthmus, if that is among the sections [mm]."""
    point = aligned.marked_isthmus_lps_mm
    if point is None or not aligned.shaft_in_view:
        return None
    level = float(aligned.frame.lps_to_frame_mm(point)[2])
    return level if levels.min() <= level <= levels.max() else None


def _plane_u_deg(aligned: AlignedFemur) -> float:
    """Return the uncertainty of the ML direction: the neck's, seen along the shaft [deg]."""
    if aligned.frame.plane is Plane.HAND:
        return HAND_PLANE_U_DEG
    if aligned.frame.plane is Plane.SCANNER:
        return 0.0
    if aligned.frame.plane is Plane.CONDYLAR or aligned.neck is None:
        return 0.0 if aligned.condyles is None else aligned.condyles.medial_u_deg
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
    centroids = find_centres(levels, canal)
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
            u[row] = np.degrees(MIDDLE_U_MM * np.sqrt(2.0) / run[2])
    return tilt, u


def _profile_warnings(
    aligned: AlignedFemur, quality: NDArray[np.int64], levels: NDArray[np.float64]
) -> tuple[str, ...]:
    warnings = []
    if aligned.cortex.calibration.n_rays == 0:
        warnings.append("density_assumed")
    if np.any(quality & int(Quality.NARROW_CANAL)):
        warnings.append("narrow_canal")
    if np.any(quality & int(Quality.POROUS_ENDOSTEUM)):
        warnings.append("porous_endosteum")
    if np.any(quality & int(Quality.FILLED_CANAL)):
        warnings.append("canal_filled")
    if np.any(quality & int(Quality.METAL)) or explain_metal(aligned):
        warnings.append("metal")
    at_flare = quality[np.abs(levels - 20.0) < 0.6]
    if np.any(at_flare & int(Quality.HEAD_IN_SECTION)):
        warnings.append("head_at_lt20")
    if np.any(at_flare & int(Quality.THIN_CORTEX)):
        warnings.append("thin_cortex_at_lt20")
    return tuple(warnings)
