"""What the suggestion leaves out and what speaks against it, each with its source.

No sentence says more than its source, and none is an order.
"""

from canalmorph.advise.thin_cortex import list_thin_cortex
from canalmorph.advise.wording import format_chance, format_ratio
from canalmorph.model.certainty import SURE_FROM, get_chance_below
from canalmorph.model.results import CanalIndices, CanalType, Fixation, Measurement
from canalmorph.published import (
    CANAL_BONE_RATIO_OSTEOPOROTIC,
    FLUTE_PUBLISHED_UP_TO,
    LATERAL_CTI_ALERT,
)

#: Smallest width of the isthmus that is not remarked on: about one in twenty of 204 Chinese
#: femora was narrower, 10.49 ± 1.52 mm (isthmus_china, doi:10.1155/2015/459612). [mm]
NARROW_ISTHMUS_MM = 8.0

#: Facts that bear on fixation and that no number here contains.
UNKNOWN_FACTS = (
    "Bone density: not measured; CT numbers (HU) are no density in mg/cm³ and hang on the voltage.",
    "Deformity, or previous surgery of the femur.",
    "Infection.",
    "The surgeon's experience and the implants at hand.",
)

_NO_TRIAL = (
    "For discussion only: no trial or registry uses these indices as a rule to allot fixation. "
    "Local protocol and licensed practice come first."
)
_COMMON_PRACTICE = (
    "The rule used here (shape by flare, and canal against half of the outer width) is common "
    "practice, not a tested rule; readers of the same films agree poorly on such rules (kappa "
    "0.32 for a score of this family, 100 hip fractures; medcraveonline IJRRT-05-00184)."
)
_LETTER_C_RISK = (
    "Around a cementless tapered stem, early fracture was 5.2 times as frequent with letter C as "
    "with B (one centre, 1,598 hips, PMID 28385933; moderate evidence)."
)


def list_cautions(canal_type: CanalType, indices: CanalIndices) -> tuple[str, ...]:
    """Return the cautions that belong to every suggestion, and those of this canal and cortex."""
    cautions = [_NO_TRIAL, _COMMON_PRACTICE]
    cautions += list_thin_cortex(indices)
    if canal_type.letter is not None:
        cautions.append(
            "The letter is an estimate from four numbers, by a rule of our own; by eye it depends "
            "on the reader."
        )
    if canal_type.outside_published_range:
        cautions.append(
            f"The flare index lies above {FLUTE_PUBLISHED_UP_TO:g}, outside the published range "
            "(Noble 1988): look at the picture before using it."
        )
    return tuple(cautions)


def list_counter_reasons(
    fixation: Fixation, canal_type: CanalType, indices: CanalIndices
) -> tuple[str, ...]:
    """Return what in the numbers speaks against the suggestion; all of it where undecided."""
    against: list[str] = []
    if fixation in (Fixation.PRESS_FIT, Fixation.UNDECIDED):
        against += _speaks_against_press_fit(canal_type, indices)
    if fixation in (Fixation.CEMENTED, Fixation.UNDECIDED):
        against += _speaks_against_cement(canal_type)
    return tuple(against)


def _speaks_against_press_fit(canal_type: CanalType, indices: CanalIndices) -> list[str]:
    against = []
    chance_c = canal_type.letter_probabilities.get("C", 0.0)
    if canal_type.letter == "C" or chance_c >= 1 - SURE_FROM:
        against.append(
            f"Against press-fit: letter C (estimated) with a probability of "
            f"{format_chance(chance_c)}. {_LETTER_C_RISK}"
        )
    ratio = indices.values.get("cbr_ml_lt_minus100", Measurement())
    if ratio.known and get_chance_below(ratio, CANAL_BONE_RATIO_OSTEOPOROTIC) <= SURE_FROM:
        against.append(
            f"Against press-fit: canal over outer width {format_ratio(ratio)}, at or near the "
            f"{CANAL_BONE_RATIO_OSTEOPOROTIC:g} that went with osteoporosis (45 cadaver femora, "
            "J Arthroplasty 2006;21:508). A measured bone density would tell."
        )
    lateral = indices.values.get("cti_ap_lt_minus100", Measurement())
    if lateral.known and get_chance_below(lateral, LATERAL_CTI_ALERT) >= 1 - SURE_FROM:
        against.append(
            f"Against press-fit: cortical thickness index AP (as on a lateral film) "
            f"{format_ratio(lateral)}, at or near the {LATERAL_CTI_ALERT:g} that went with "
            "osteoporosis (32 women, Sah 2007; small study)."
        )
    width = indices.values.get("isthmus_canal_ml_mm", Measurement())
    if width.known and get_chance_below(width, NARROW_ISTHMUS_MM) >= 1 - SURE_FROM:
        against.append(
            f"Against press-fit: the isthmus is narrow, {format_ratio(width)} mm ML "
            f"(one femur in twenty is below {NARROW_ISTHMUS_MM:g} mm; doi:10.1155/2015/459612). A "
            "stem may wedge in the shaft before it holds above (common teaching, no study)."
        )
    if canal_type.outside_published_range:
        against.append(
            "Against press-fit: the flare is beyond the published range; a stem that fills the "
            "metaphysis may not pass the isthmus (common teaching, no study)."
        )
    against.append(
        "Against press-fit: in the registries high age and female sex went with more fractures "
        "around uncemented stems; neither is in these numbers (see the cautions)."
    )
    return against


def _speaks_against_cement(canal_type: CanalType) -> list[str]:
    against = []
    chance_a = canal_type.letter_probabilities.get("A", 0.0)
    if canal_type.letter == "A" or chance_a >= 1 - SURE_FROM:
        against.append(
            f"Against cement: letter A (estimated) with a probability of "
            f"{format_chance(chance_a)}, by common teaching the letter of a cementless stem."
        )
    against.append("Against cement: it has its own risks (see the cautions).")
    return against
