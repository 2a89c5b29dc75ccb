"""The same measures on the scanner's own axial slices, for comparison with readings on slices.

A femur lies oblique to the slices: along the tilt, widths on them are longer than on sections
perpendicular to the shaft, by 1 over the cosine of the tilt.
"""

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lines import normalise
from canalmorph.geometry.outlines import find_area
from canalmorph.measure.bow import LOCAL_AXIS_MM, MIDDLE_U_MM
from canalmorph.measure.section import LARGEST_GAP_SHARE
from canalmorph.measure.settings import MeasureSettings
from canalmorph.measure.stack import measure_sections
from canalmorph.model.femur import AlignedFemur, FemurFrame, Plane, Side
from canalmorph.model.results import AxialProfile
from canalmorph.model.volume import CtVolume


def measure_axial(aligned: AlignedFemur, settings: MeasureSettings) -> AxialProfile:
    """Return the measures on every slice that shows the shaft whole, from the top down.

    The slices are the planes of the scan's grid across the patient's long axis, however the file
    stores them. ML runs along their rows (patient x on an ordinary scan), AP along their columns.
    Slices that meet the head end medially where the head's circle begins, as all sections do.

    Parameters
    ----------
    aligned : AlignedFemur
        Surfaces and frame.
    settings : MeasureSettings
        Highest and lowest level.

    Returns
    -------
    AxialProfile
        Empty where no slice shows the shaft whole.
    """
    cortex = aligned.cortex
    slices = _make_slice_frame(cortex.femur.crop, cortex.femur.side)
    heights = _find_heights(aligned, slices, settings)
    sections = measure_sections(cortex, slices, heights)
    middles = _find_middles(slices, heights, sections.canal_mm)
    frame = aligned.frame
    on_axis = _find_axis_levels(frame, slices, heights)
    cosine = float(np.clip(slices.proximal @ frame.proximal, -1.0, 1.0))
    local_tilt, local_tilt_u = _find_local_tilt(heights, middles, slices.proximal)
    return AxialProfile(
        slice_z_mm=frame.origin_lps_mm[2] + on_axis * frame.proximal[2],
        levels_mm=frame.lps_to_frame_mm(middles)[:, 2],
        columns={
            **sections.columns,
            "tilt_deg": np.full(len(heights), np.degrees(np.arccos(cosine))),
            "local_tilt_deg": local_tilt,
        },
        uncertainties={
            # An edge's uncertainty is meant across the wall; a slice cuts the wall at a slant.
            **{name: u / cosine for name, u in sections.uncertainties.items()},
            "tilt_deg": np.full(len(heights), aligned.axis_u_deg),
            "local_tilt_deg": local_tilt_u,
        },
        quality=sections.quality,
    )


def _make_slice_frame(crop: CtVolume, side: Side) -> FemurFrame:
    """Return the slices' own frame: rows, columns and normal, from the lowest slice's corner."""
    left, back = (normalise(crop.index_to_lps_mm[:3, axis]) for axis in (2, 1))
    return FemurFrame(
        origin_lps_mm=crop.index_to_lps_mm[:3, 3],
        medial=side.medial_x_sign * left,
        posterior=back,
        proximal=normalise(np.cross(left, back)),
        plane=Plane.SCANNER,
    )


def _find_heights(
    aligned: AlignedFemur, slices: FemurFrame, settings: MeasureSettings
) -> NDArray[np.float64]:
    """Return the heights of the slices to be measured, descending.

    The surface ends in a ring that lies oblique to the slices: a slice below its highest point
    shows the shaft in part, and is left out. Levels are here those of the shaft axis.
    """
    crop, outer = aligned.cortex.femur.crop, aligned.cortex.outer_lps_mm
    step = float(crop.index_to_lps_mm[:3, 0] @ slices.proximal)
    heights = np.asarray(step * np.arange(crop.voxels_hu.shape[0])[::-1], dtype=np.float64)
    ends = np.isfinite(outer[..., 0]).mean(axis=1) > 0.5
    lowest = float(np.nanmax(slices.lps_to_frame_mm(outer[ends][:1])[..., 2]))
    levels = _find_axis_levels(aligned.frame, slices, heights)
    inside = (levels <= settings.top_level_mm) & (levels >= settings.lowest_level_mm)
    return np.asarray(heights[inside & (heights >= lowest)])


def _find_axis_levels(
    femur: FemurFrame, slices: FemurFrame, heights_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the levels at which the proximal shaft axis meets the slices [mm]."""
    zero = float(slices.lps_to_frame_mm(femur.origin_lps_mm)[2])
    return np.asarray((heights_mm - zero) / float(slices.proximal @ femur.proximal))


def _find_middles(
    slices: FemurFrame, heights_mm: NDArray[np.float64], canal_mm: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the centroids of the canal's sections in patient space, (n, 3) [mm].

    NaN where the outline is not known all around, but for what an area may lack.
    """
    middles = np.full((len(heights_mm), 3), np.nan)
    for row, outline in enumerate(canal_mm[..., :2]):
        known = np.isfinite(outline).all(axis=1)
        if known.mean() >= 1 - LARGEST_GAP_SHARE:
            middles[row] = [*find_area(outline[known])[1], heights_mm[row]]
    return slices.frame_to_lps_mm(middles)


def _find_local_tilt(
    heights_mm: NDArray[np.float64], middles_mm: NDArray[np.float64], normal: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the angle of the canal's local axis against the slices' normal, and its u [deg]."""
    tilt = np.full(len(heights_mm), np.nan)
    u = np.full(len(heights_mm), np.nan)
    if len(heights_mm) < 2:
        return tilt, u
    reach = max(1, round(LOCAL_AXIS_MM / abs(float(heights_mm[0] - heights_mm[1]))))
    for row in range(reach, len(heights_mm) - reach):
        run = middles_mm[row - reach] - middles_mm[row + reach]
        if np.isfinite(run).all():
            along = float(run @ normal)
            tilt[row] = np.degrees(np.arctan2(np.linalg.norm(run - along * normal), along))
            u[row] = np.degrees(MIDDLE_U_MM * np.sqrt(2.0) / along)
    return tilt, u
