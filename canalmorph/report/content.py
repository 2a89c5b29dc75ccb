"""What the pages say of one case, in words and tables; pages and paper draw from it alike."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from canalmorph.flags import Quality
from canalmorph.model.clinic import ClinicNotes
from canalmorph.model.codes import describe_warning
from canalmorph.model.femur import Side
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.model.review_words import describe_review
from canalmorph.model.standing import STANDING
from canalmorph.model.volume import FORMAT_NAMES
from canalmorph.published import BIBLIOGRAPHY
from canalmorph.report.deciding import list_deciding
from canalmorph.report.letter import describe_letter, list_voices
from canalmorph.report.listing import (
    Gap,
    NumberTable,
    WidthTable,
    list_contacts,
    list_gaps,
    list_numbers,
    list_widths,
)
from canalmorph.report.sides import SideRow, describe_sides, list_sides
from canalmorph.report.turning import describe_torsion, describe_turning
from canalmorph.report.wording import (
    FIXATION_WORDS,
    GLOSSARY,
    PLANE_WORDS,
    describe_refusal,
    describe_shape,
)

METHOD = (
    "Outer and inner edge of the cortex are found along rays by fitting a blurred wall to the CT, "
    "with blur and cortical density taken from the scan itself. Widths are calipers on sections "
    "perpendicular to the proximal shaft axis; levels count from the apex of the lesser trochanter."
)
#: What DICOM writes, in words.
SEXES = {"F": "female", "M": "male", "O": "other"}


@dataclass(frozen=True, slots=True, kw_only=True)
class SideContent:
    """What is said of one femur."""

    side: str
    shape: str
    letter: str
    letter_voices: tuple[str, ...]
    turning: tuple[str, ...]
    fixation: str
    fixation_code: str
    reasons: tuple[str, ...]
    against: tuple[str, ...]
    would_decide: tuple[str, ...]
    warnings: tuple[str, ...]
    plane: str
    widths: WidthTable
    contacts: tuple[str, ...]
    gaps: tuple[Gap, ...]
    flagged: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseContent:
    """What is said of one case; `refusals` and `unseen` are the sides without numbers."""

    title: str
    who: Mapping[str, str]
    scan: Mapping[str, str]
    standing: str
    review: tuple[str, ...]
    sides: tuple[SideContent, ...]
    refusals: tuple[str, ...]
    unseen: tuple[str, ...]
    cautions: tuple[str, ...]
    clinic: ClinicNotes
    unknown: tuple[str, ...]
    tables: tuple[NumberTable, ...]
    comparison: tuple[SideRow, ...]
    comparison_words: str
    kvp: str
    method: str
    glossary: Mapping[str, str]
    sources: tuple[str, ...]


def make_content(
    case: CaseResult, *, notes: ClinicNotes | None = None, deidentify: bool = False
) -> CaseContent:
    """Return what the pages say of a case.

    Parameters
    ----------
    case : CaseResult
        The numbers, and the patient.
    notes : ClinicNotes, optional
        What follows from the facts of the clinic.
    deidentify : bool
        Whether the pages show the case's name only, and neither patient nor file.
    """
    notes = notes or ClinicNotes()
    return CaseContent(
        title=f"Femoral canal, case {case.case_id}",
        who=_list_who(case, deidentify=deidentify),
        scan=_list_scan(case, deidentify=deidentify),
        standing=STANDING,
        review=describe_review(case.review),
        sides=tuple(_make_side(femur) for femur in case.femora),
        refusals=tuple(describe_refusal(one, deidentify=deidentify) for one in case.refusals),
        unseen=_list_unseen(case),
        cautions=(*_list_scan_cautions(case), *_list_cautions(case.femora)),
        clinic=notes,
        unknown=(*notes.missing, *_merge(femur.advice.unknown for femur in case.femora)),
        tables=list_numbers(case),
        comparison=list_sides(case),
        comparison_words=describe_sides(case),
        kvp=_describe_kvp(case),
        method=METHOD,
        glossary=GLOSSARY,
        sources=tuple(sorted(BIBLIOGRAPHY.values())),
    )


def _list_who(case: CaseResult, *, deidentify: bool) -> Mapping[str, str]:
    """Return the facts that name the patient, or the case's name alone."""
    if deidentify:
        return {"Case": case.case_id}
    patient = case.patient
    age = "" if patient.age_years is None else f"{patient.age_years:.0f} years at the scan"
    facts = {
        "Name": patient.name.replace("^", " ").strip(),
        "ID": patient.identifier,
        "Born": format_date(patient.birth_date),
        "Age": age,
        "Sex": SEXES.get(patient.sex, patient.sex),
        "Scanned": format_date(patient.study_date),
        "Accession": patient.accession,
        "Case": case.case_id,
    }
    return {name: fact for name, fact in facts.items() if fact}


def _list_scan(case: CaseResult, *, deidentify: bool) -> Mapping[str, str]:
    """Return how the scan was made and what measured it."""
    scan, spacing = case.scan, case.spacing_mm
    kind = FORMAT_NAMES.get(scan.file_format, scan.file_format)
    files = "1 file" if scan.n_files == 1 else f"{scan.n_files} files"
    facts = {
        "File": "" if deidentify else scan.source,
        "Format": f"{kind}, {files}, {scan.modality}",
        "Slice distance": f"{spacing[0]:g} mm",
        "Pixel": f"{spacing[1]:.3g} × {spacing[2]:.3g} mm",
        "Kernel": scan.kernel,
        "Tube voltage": "" if scan.kvp is None else f"{scan.kvp:g} kV",
        "Scanner": scan.manufacturer,
        "Input hash": scan.input_sha256[:16],
        "Software": f"canalmorph {case.software_version}",
        "Settings": case.settings_hash,
    }
    return {name: fact for name, fact in facts.items() if fact}


def _describe_kvp(case: CaseResult) -> str:
    """Return what CT numbers hang on, in a sentence."""
    kvp = case.scan.kvp
    voltage = "is not stated in the file" if kvp is None else f"was {kvp:g} kV"
    return (
        f"CT numbers (HU) hang on the tube voltage, which {voltage}: compare them at the same "
        "voltage and scanner only. They are no bone density and no diagnosis."
    )


def format_date(date: str) -> str:
    """Return a DICOM date with dashes; anything else as it is."""
    if len(date) == 8 and date.isdigit():
        return f"{date[:4]}-{date[4:6]}-{date[6:]}"
    return date


def _make_side(femur: FemurResult) -> SideContent:
    advice = femur.advice
    turning = (describe_turning(femur.indices), describe_torsion(femur.indices))
    return SideContent(
        side=femur.side.value,
        shape=describe_shape(femur.canal_type, femur.indices),
        letter=describe_letter(femur.canal_type),
        letter_voices=list_voices(femur.canal_type),
        turning=tuple(sentence for sentence in turning if sentence),
        fixation=FIXATION_WORDS[advice.fixation],
        fixation_code=advice.fixation.value,
        reasons=advice.reasons,
        against=advice.against,
        would_decide=(*list_deciding(femur.canal_type, femur.indices), *advice.would_decide),
        warnings=tuple(describe_warning(code) for code in femur.warnings),
        plane=PLANE_WORDS[femur.profile.frame.plane],
        widths=list_widths(femur),
        contacts=list_contacts(femur),
        gaps=list_gaps(femur),
        flagged=_count_flags(femur),
    )


def _count_flags(femur: FemurResult) -> tuple[str, ...]:
    """Return how many sections carry each quality flag."""
    quality = [Quality(int(bits)) for bits in femur.profile.quality]
    counts = {
        bit.names()[0].replace("_", " "): sum(bit in bits for bits in quality)
        for bit in Quality
        if bit
    }
    return tuple(
        f"{name}: {count} of {len(quality)} sections" for name, count in counts.items() if count
    )


def _list_unseen(case: CaseResult) -> tuple[str, ...]:
    """Return the sides of which the page has neither numbers nor a refusal."""
    told = {femur.side for femur in case.femora} | {refusal.side for refusal in case.refusals}
    return tuple(side.value for side in Side if side not in told)


def _list_scan_cautions(case: CaseResult) -> tuple[str, ...]:
    """Return what was odd in the files: it holds for both femora."""
    cautions = [f"Scan: {describe_warning(code)}" for code in case.scan.warnings]
    if case.scan.slice_gaps:
        cautions.append(f"Scan: the missing slices are {case.scan.slice_gaps}.")
    return tuple(cautions)


def _list_cautions(femora: Sequence[FemurResult]) -> tuple[str, ...]:
    """Return each caution once; one that is not of every femur has its side before it."""
    shared = [set(femur.advice.cautions) for femur in femora]
    return _merge(
        tuple(
            sentence
            if all(sentence in others for others in shared)
            else f"{femur.side.value.capitalize()}: {sentence}"
            for sentence in femur.advice.cautions
        )
        for femur in femora
    )


def _merge(lists: Iterable[tuple[str, ...]]) -> tuple[str, ...]:
    """Return each sentence once, in order."""
    return tuple(dict.fromkeys(sentence for sentences in lists for sentence in sentences))
