"""The order of the stages, top to bottom; the only module that imports all of them."""

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace

from canalmorph.advise.fixation import advise_fixation
from canalmorph.advise.sides import caution_about_sides
from canalmorph.align.corrected import correct_alignment
from canalmorph.align.femur import align_femur
from canalmorph.align.settings import AlignSettings
from canalmorph.classify.shape import classify_canal
from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import (
    HeadNotInViewError,
    NoFemurError,
    RegistrationContradictionError,
)
from canalmorph.indices.compute import compute_indices
from canalmorph.indices.sides import compare_sides
from canalmorph.locate.femora import locate_femurs
from canalmorph.locate.knees import add_knees
from canalmorph.locate.settings import LocateSettings
from canalmorph.measure.axial import measure_axial
from canalmorph.measure.canal import measure_canal
from canalmorph.measure.settings import MeasureSettings
from canalmorph.model.corrections import Correction, Unfit
from canalmorph.model.femur import AlignedFemur, Femur, Side
from canalmorph.model.naming import name_by_hash
from canalmorph.model.results import CaseResult, FemurResult, Refusal, SideDifference
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.read.settings import ReadSettings
from canalmorph.segment.cortex import segment_cortex
from canalmorph.segment.settings import SegmentSettings
from canalmorph.threads import map_in_threads
from canalmorph.version import VERSION

#: Reasons that speak of the whole scan: where no femur is measured, they are the one to give.
_OF_THE_SCAN = RegistrationContradictionError


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """All settings, one part a stage; written whole into the provenance."""

    read: ReadSettings = field(default_factory=ReadSettings)
    locate: LocateSettings = field(default_factory=LocateSettings)
    segment: SegmentSettings = field(default_factory=SegmentSettings)
    align: AlignSettings = field(default_factory=AlignSettings)
    measure: MeasureSettings = field(default_factory=MeasureSettings)

    def to_dict(self) -> Mapping[str, object]:
        """Return all settings as plain nested data."""
        return asdict(self)

    def hash_text(self) -> str:
        """Return a short hash that is equal for equal settings."""
        text = json.dumps(self.to_dict(), sort_keys=True, default=str)
        return name_by_hash(hashlib.sha256(text.encode()).hexdigest(), 12)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScanMeasurement:
    """A measured scan: the light result, and the heavy femora that pictures and masks need."""

    case: CaseResult
    aligned: tuple[AlignedFemur, ...]


def measure_femur(femur: Femur, settings: Settings) -> tuple[AlignedFemur, FemurResult]:
    """Take one located femur to its indices, canal type and suggestion."""
    cortex = segment_cortex(femur, settings.segment)
    aligned = align_femur(cortex, settings.align)
    return aligned, measure_aligned(aligned, settings)


def correct_femur(
    aligned: AlignedFemur,
    marks: Sequence[Correction],
    settings: Settings,
    *,
    brief: bool = False,
) -> tuple[AlignedFemur, FemurResult, tuple[Unfit, ...]]:
    """Measure an aligned femur with a person's marks; the last are those that do not fit it.

    `brief` puts off what takes longest, as in `measure_aligned`.

    Raises
    ------
    CanalMorphError
        If the marks leave nothing to measure.
    """
    corrected, unfit = correct_alignment(aligned, marks, settings.align)
    result = measure_aligned(corrected, settings, brief=brief)
    if unfit:
        result = replace(result, warnings=tuple(sorted({*result.warnings, "correction_unfit"})))
    return corrected, result, unfit


def measure_aligned(
    aligned: AlignedFemur, settings: Settings, *, brief: bool = False
) -> FemurResult:
    """Take one aligned femur to its indices, canal type and suggestion.

    `brief` is for a person who waits: the widest rods are left for later.
    """
    profile = measure_canal(aligned, settings.measure, brief=brief)
    indices = compute_indices(profile)
    canal_type = classify_canal(indices)
    advice = advise_fixation(canal_type, indices)
    femur = aligned.cortex.femur
    warnings = {*femur.warnings, *aligned.warnings, *profile.warnings, *indices.warnings}
    return FemurResult(
        side=profile.side,
        profile=profile,
        indices=indices,
        canal_type=canal_type,
        advice=advice,
        warnings=tuple(sorted(warnings)),
        axial=measure_axial(aligned, settings.measure)
        if settings.measure.axial and not brief
        else None,
    )


def measure_scan(
    volume: CtVolume,
    settings: Settings,
    *,
    case_id: str,
    progress: Callable[[str], None] = lambda stage: None,
    knees: CtVolume | None = None,
) -> ScanMeasurement:
    """Measure every femur of one scan; a femur that fails is a refusal, and the rest goes on.

    `knees` is a second block of the same patient in the same frame of reference: condyles that
    the scan itself does not show are looked for there, and nothing is said about the shaft between.

    Raises
    ------
    CanalMorphError
        If there is no femur in the scan, or none of them could be measured.
    """
    facts = _join_warnings(volume, knees)
    progress("locate")
    femurs = locate_femurs(volume, settings.locate)
    if knees is not None:
        femurs = add_knees(knees, femurs, settings.locate)
    aligned, results, refusals = [], [], []
    failures: list[CanalMorphError] = []

    def measure(femur: Femur) -> tuple[AlignedFemur, FemurResult] | CanalMorphError:
        progress(f"measure {femur.side}")
        try:
            return measure_femur(femur, settings)
        except CanalMorphError as error:
            return error

    for femur, measured in zip(femurs, map_in_threads(measure, femurs), strict=True):
        if isinstance(measured, CanalMorphError):
            failures.append(measured)
            refusals.append(
                Refusal(
                    stage="measure",
                    code=measured.code,
                    message=str(measured),
                    source=volume.facts.source,
                    side=femur.side,
                    warnings=facts.warnings,
                )
            )
            continue
        aligned.append(measured[0])
        results.append(measured[1])
    if not results:
        if all(isinstance(failure, HeadNotInViewError) for failure in failures):
            raise NoFemurError(source=volume.facts.source, n_long_bones=len(femurs))
        raise next((one for one in failures if isinstance(one, _OF_THE_SCAN)), failures[0])
    differences, results = join_sides(results)
    spacing = tuple(float(step) for step in volume.spacing_mm)
    case = CaseResult(
        case_id=case_id,
        scan=facts,
        patient=volume.patient,
        spacing_mm=(spacing[0], spacing[1], spacing[2]),
        femora=tuple(results),
        refusals=tuple(refusals),
        software_version=VERSION,
        settings_hash=settings.hash_text(),
        settings=settings.to_dict(),
        differences=differences,
    )
    return ScanMeasurement(case=case, aligned=tuple(aligned))


def _join_warnings(volume: CtVolume, knees: CtVolume | None) -> ScanFacts:
    """Return the scan's facts with what was odd in either of its blocks."""
    if knees is None:
        return volume.facts
    both = dict.fromkeys((*volume.facts.warnings, *knees.facts.warnings))
    gaps = "; ".join(facts.slice_gaps for facts in (volume.facts, knees.facts) if facts.slice_gaps)
    return replace(volume.facts, warnings=tuple(both), slice_gaps=gaps)


def join_sides(
    results: list[FemurResult],
) -> tuple[tuple[SideDifference, ...], list[FemurResult]]:
    """Return left against right, and the femora with the caution of it; unchanged where alone."""
    by_side = {femur.side: femur for femur in results}
    if len(by_side) < 2:
        return (), results
    differences = compare_sides(by_side[Side.RIGHT], by_side[Side.LEFT])
    caution = caution_about_sides(differences)
    return differences, [
        replace(femur, advice=replace(femur.advice, cautions=(*femur.advice.cautions, *caution)))
        for femur in results
    ]
