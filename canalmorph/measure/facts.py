"""What belongs to no level: landmarks, head, neck, knee, bow, rods and density."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.measure.axis_doubt import find_axis_doubt
from canalmorph.measure.bow import find_centres, measure_bow, measure_deviations
from canalmorph.measure.cancellous import measure_cancellous
from canalmorph.measure.metal import explain_metal
from canalmorph.measure.proximal import find_proximal_facts, get_apex_across_u_mm
from canalmorph.measure.rods import FemurFacts, measure_rods, put_off_rods
from canalmorph.measure.stack import SectionStack
from canalmorph.measure.torsion import explain_knee, measure_knee
from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import Measurement


def gather_facts(
    aligned: AlignedFemur,
    levels_mm: NDArray[np.float64],
    sections: SectionStack,
    *,
    plane_u_deg: float,
    brief: bool = False,
) -> FemurFacts:
    """Return the measures that belong to no level, and why one is blank.

    Parameters
    ----------
    aligned : AlignedFemur
        Surfaces, landmarks and frame.
    levels_mm : (n,) float array
        Of the sections, descending. [mm]
    sections : SectionStack
        The measured sections.
    plane_u_deg : float
        Standard uncertainty of the ML direction. [deg]
    brief : bool
        Put off the rods, which take longer than all the rest.
    """
    cancellous = measure_cancellous(aligned, levels_mm, sections.quality)
    found = {**_find_landmarks(aligned), **find_proximal_facts(aligned), **cancellous}
    if not aligned.shaft_in_view:
        return FemurFacts(numbers=found, texts={}, reasons=explain_metal(aligned))
    if aligned.cortex.calibration.n_rays > 0:
        calibration = aligned.cortex.calibration
        found["cortex_hu"] = Measurement(value=calibration.cortex_hu, u=calibration.shared_u_hu)
    centres = find_centres(levels_mm, sections.canal_mm)
    doubt = find_axis_doubt(
        centres,
        sections.columns["canal_ml_mm"],
        sections.uncertainties["canal_ml_mm"],
        aligned.axis_u_deg,
    )
    bow, no_bow = measure_bow(centres, sections.columns["outer_ml_mm"], plane_u_deg)
    beside, not_beside = measure_deviations(centres, doubt, aligned.lesser_trochanter.level_u_mm)
    rods = put_off_rods() if brief else measure_rods(aligned, levels_mm, sections.quality, doubt)
    knee = measure_knee(aligned, plane_u_deg=plane_u_deg)
    return FemurFacts(
        numbers={**found, **bow, **beside, **rods.numbers, **knee},
        texts=rods.texts,
        reasons={
            **no_bow,
            **not_beside,
            **rods.reasons,
            **explain_knee(aligned, knee),
            **explain_metal(aligned),
        },
    )


def _find_landmarks(aligned: AlignedFemur) -> dict[str, Measurement]:
    """Return the lesser trochanter's apex in patient space, by column name."""
    trochanter = aligned.lesser_trochanter
    across = get_apex_across_u_mm(aligned)
    found = {}
    for axis, name in enumerate("xyz"):
        along = abs(float(aligned.frame.proximal[axis]))
        found[f"lt_{name}_mm"] = Measurement(
            value=float(trochanter.apex_lps_mm[axis]),
            u=float(np.hypot(trochanter.level_u_mm * along, across)),
        )
    return found
