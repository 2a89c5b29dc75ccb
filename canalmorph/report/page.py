"""One self-contained page for one case: no script, no network, no other file."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import jinja2
from markupsafe import Markup

from canalmorph.flags import Quality
from canalmorph.model.codes import describe_warning
from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.published import BIBLIOGRAPHY
from canalmorph.report.classes_figure import draw_classes_figure
from canalmorph.report.letter import describe_letter, list_voices
from canalmorph.report.listing import (
    Gap,
    WidthTable,
    list_contacts,
    list_gaps,
    list_numbers,
    list_widths,
)
from canalmorph.report.sections_figure import draw_sections_figure
from canalmorph.report.sides import describe_sides, list_sides
from canalmorph.report.turning import describe_torsion, describe_turning
from canalmorph.report.widths_figure import draw_widths_figure
from canalmorph.report.wording import (
    FIXATION_WORDS,
    GLOSSARY,
    PLANE_WORDS,
    STANDING,
    describe_refusal,
    describe_shape,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class SidePart:
    """What the page says and shows of one femur; pictures are SVG of our own making."""

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
    unknown: tuple[str, ...]
    warnings: tuple[str, ...]
    plane: str
    widths_svg: Markup | None
    sections_svg: Markup | None
    classes_svg: Markup
    widths: WidthTable
    contacts: tuple[str, ...]
    gaps: tuple[Gap, ...]
    flagged: tuple[str, ...]


def write_report(
    measurement_case: CaseResult,
    aligned: Sequence[AlignedFemur],
    path: Path,
    *,
    deidentify: bool = False,
) -> None:
    """Write the page of one case.

    Parameters
    ----------
    measurement_case : CaseResult
        The numbers, and the patient.
    aligned : sequence of AlignedFemur
        The femora with their CT, matched to the case by side; a side that is not among them has
        its numbers without CT pictures.
    path : Path
        Usually ``RESULTS/cases/CASE_ID/report.html``; its folder must exist.
    deidentify : bool
        Whether the page shows the case's name only, and neither patient nor file.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    text = make_page(measurement_case, aligned, deidentify=deidentify)
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")


def make_page(
    case: CaseResult, aligned: Sequence[AlignedFemur], *, deidentify: bool = False
) -> str:
    """Return the page of `write_report` as text."""
    by_side = {femur.cortex.femur.side: femur for femur in aligned}
    template = _load_template()
    return template.render(
        title=f"Femoral canal, case {case.case_id}",
        case=case,
        who=_list_who(case, deidentify=deidentify),
        scan=_list_scan(case, deidentify=deidentify),
        standing=STANDING,
        sides=[_make_side(femur, by_side.get(femur.side)) for femur in case.femora],
        refusals=[describe_refusal(refusal, deidentify=deidentify) for refusal in case.refusals],
        unseen=_list_unseen(case),
        cautions=[*_list_scan_cautions(case), *_list_cautions(case.femora)],
        unknown=_merge(femur.advice.unknown for femur in case.femora),
        tables=list_numbers(case),
        against=list_sides(case),
        against_words=describe_sides(case),
        kvp=_describe_kvp(case),
        glossary=GLOSSARY,
        sources=sorted(BIBLIOGRAPHY.values()),
    )


def _load_template() -> jinja2.Template:
    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("canalmorph.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template("page.html")


def _list_who(case: CaseResult, *, deidentify: bool) -> Mapping[str, str]:
    """Return the facts that name the patient, or the case's name alone."""
    if deidentify:
        return {"Case": case.case_id}
    patient = case.patient
    age = "" if patient.age_years is None else f"{patient.age_years:.0f} years at the scan"
    facts = {
        "Name": patient.name.replace("^", " ").strip(),
        "ID": patient.identifier,
        "Born": _format_date(patient.birth_date),
        "Age": age,
        "Sex": patient.sex,
        "Scanned": _format_date(patient.study_date),
        "Accession": patient.accession,
        "Case": case.case_id,
    }
    return {name: fact for name, fact in facts.items() if fact}


def _list_scan(case: CaseResult, *, deidentify: bool) -> Mapping[str, str]:
    """Return how the scan was made and what measured it."""
    scan, spacing = case.scan, case.spacing_mm
    facts = {
        "File": "" if deidentify else scan.source,
        "Format": f"{scan.file_format}, {scan.n_files} file(s), {scan.modality}",
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


def _format_date(date: str) -> str:
    """Return a DICOM date with dashes; anything else as it is."""
    if len(date) == 8 and date.isdigit():
        return f"{date[:4]}-{date[4:6]}-{date[6:]}"
    return date


def _make_side(femur: FemurResult, aligned: AlignedFemur | None) -> SidePart:
    side, advice = femur.side.value, femur.advice
    film = sections = ""
    if aligned is not None and len(femur.profile.levels_mm) > 1:
        film = draw_widths_figure(femur, aligned, prefix=f"{side}-widths")
        sections = draw_sections_figure(femur, aligned, prefix=f"{side}-sections")
    return SidePart(
        side=side,
        shape=describe_shape(femur.canal_type, femur.indices),
        letter=describe_letter(femur.canal_type),
        letter_voices=list_voices(femur.canal_type),
        turning=tuple(
            sentence
            for sentence in (describe_turning(femur.indices), describe_torsion(femur.indices))
            if sentence
        ),
        fixation=FIXATION_WORDS[advice.fixation],
        fixation_code=advice.fixation.value,
        reasons=advice.reasons,
        against=advice.against,
        would_decide=advice.would_decide,
        unknown=advice.unknown,
        warnings=tuple(describe_warning(code) for code in femur.warnings),
        plane=PLANE_WORDS[femur.profile.frame.plane],
        # Our own SVG of our own numbers and words: no text of the file is in it.
        widths_svg=Markup(film) if film else None,
        sections_svg=Markup(sections) if sections else None,
        classes_svg=Markup(draw_classes_figure(femur, prefix=f"{side}-classes")),
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


def _list_unseen(case: CaseResult) -> list[str]:
    """Return the sides of which the page has neither numbers nor a refusal."""
    told = {femur.side for femur in case.femora} | {refusal.side for refusal in case.refusals}
    return [side.value for side in Side if side not in told]


def _list_scan_cautions(case: CaseResult) -> list[str]:
    """Return what was odd in the files: it holds for both femora."""
    return [f"Scan: {describe_warning(code)}" for code in case.scan.warnings]


def _list_cautions(femora: Sequence[FemurResult]) -> list[str]:
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


def _merge(lists: Iterable[tuple[str, ...]]) -> list[str]:
    """Return each sentence once, in order."""
    return list(dict.fromkeys(sentence for sentences in lists for sentence in sentences))
