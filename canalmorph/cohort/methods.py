"""What a methods section must state of a results folder: plain text, and its references as BibTeX.

Everything comes from the folder itself: its tables, its codebook and one record of each settings.
"""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING

from canalmorph.cohort.codebook import TableColumn
from canalmorph.cohort.selection import FEMURS, REVIEWED, select_rows
from canalmorph.export.record import read_record
from canalmorph.model.index_columns import INDEX_COLUMNS
from canalmorph.published import BIBLIOGRAPHY, FLUTE_ABOVE, STOVEPIPE_BELOW
from canalmorph.results_errors import RecordUnreadableError

if TYPE_CHECKING:
    import pandas as pd

#: Numbers that are defined where no others are asked for.
USUAL_COLUMNS = (
    *(column.name for column in INDEX_COLUMNS),
    *("isthmus_level_mm", "isthmus_canal_ml_mm", "head_diameter_mm", "neck_shaft_angle_deg"),
    *("femoral_offset_mm", "torsion_deg", "bow_radius_mm"),
)
#: Sources of what every result rests on: edges and the bounds of the canal's shape.
USUAL_SOURCES = ("treece_2010", "noble_1988")
LINE_CHARACTERS = 96
METHOD = (
    "Outer and inner edge of the cortex were found along rays by fitting a blurred wall to the CT "
    "(the model's origin is [treece_2010]), with blur and cortical density taken from the scan "
    "itself. Widths are calipers on sections perpendicular to the proximal shaft axis, the line "
    "through the canal's centres from 50 mm below the lesser trochanter to the isthmus. Levels "
    "count from the apex of the lesser trochanter, averaged over its highest 1 mm. ML lies in the "
    "plane of shaft axis and neck axis (plane: neck), else along the posterior condylar line "
    "(condylar), else along the scanner's left-right axis (scanner), or where a person turned it "
    "(hand). Every number has a standard "
    "uncertainty (coverage factor 1). A number that could not be measured is blank, with its "
    "reason."
)
SHAPES = (
    f"Canal shape by the canal flare index, ML: below {STOVEPIPE_BELOW:g} stovepipe, "
    f"{STOVEPIPE_BELOW:g} to {FLUTE_ABOVE:g} normal, above {FLUTE_ABOVE:g} "
    "champagne flute [noble_1988]; each with its probability from the uncertainty. The letter A, B "
    "or C is an estimate whose bounds are common practice without a source."
)
LIMITS = (
    "The program was checked on digital phantoms and on virtual scans of real bone surfaces; it "
    "has never been validated on real femur CT, and is no medical device."
)


@dataclass(frozen=True, slots=True, kw_only=True)
class MethodsText:
    """The statements and the references."""

    text: str
    bibtex: str


def write_methods(
    results: Path,
    *,
    version: str,
    columns: Sequence[str] = (),
    accuracy: Sequence[str] = (),
) -> MethodsText:
    """Return what a methods section must state of a results folder.

    Parameters
    ----------
    results : Path
        A results folder.
    version : str
        Of this program, which `accuracy` speaks of.
    columns : sequence of str
        The numbers that the paper uses; the usual indices where empty.
    accuracy : sequence of str
        Sentences on how exact this version is.

    Raises
    ------
    ValueError
        If a column does not exist, or there is no femur.
    ResultsNoTablesError, TableUnreadableError
        If the folder or a table cannot be read.
    """
    selection = select_rows(results, FEMURS)
    by_name = {column.name: column for column in selection.columns}
    if columns:
        chosen = list(select_rows(results, FEMURS, columns=columns).columns)
        chosen = [column for column in chosen if column.name in columns]
    else:
        chosen = [by_name[name] for name in USUAL_COLUMNS if name in by_name]
    femora = selection.read_frame()
    if femora.empty:
        raise ValueError("The results hold no femur, so that there is nothing to state.")
    refused = select_rows(results, "refusals").read_frame()
    keys = {text: key for key, text in BIBLIOGRAPHY.items()}
    sources = {
        keys.get(column.source, f"source_of_{column.name}"): column.source
        for column in chosen
        if column.source
    }
    used = {**{key: BIBLIOGRAPHY[key] for key in USUAL_SOURCES}, **sources}
    parts = [
        _state_material(femora, refused),
        METHOD,
        *_state_review(femora, len(selection.rejected)),
        "Definitions:",
        *_list_definitions(chosen, keys),
        SHAPES,
        *_state_accuracy(femora, version, accuracy),
        LIMITS,
        *_list_settings(results, femora),
        "References:",
        *(f"- [{key}] {text}" for key, text in sorted(used.items())),
    ]
    return MethodsText(
        text="\n\n".join(_join_lists(parts)) + "\n",
        bibtex="\n".join(_list_bibtex(used, femora)),
    )


def _join_lists(parts: Sequence[str]) -> Iterator[str]:
    """Yield paragraphs; lines of a list stay together."""
    held: list[str] = []
    for part in parts:
        if part.startswith("- "):
            held.append(fill(part, LINE_CHARACTERS, subsequent_indent="  "))
            continue
        if held:
            yield "\n".join(held)
            held = []
        yield fill(part, LINE_CHARACTERS)
    if held:
        yield "\n".join(held)


def _state_material(femora: "pd.DataFrame", refused: "pd.DataFrame") -> str:
    versions = ", ".join(sorted(femora["software_version"].dropna().unique())) or "not recorded"
    settings = ", ".join(sorted(femora["settings_hash"].dropna().unique())) or "not recorded"
    measured = (
        f"{len(femora)} femora of {femora['case_id'].nunique()} CT series were measured with "
        f"canalmorph {versions} (hash of all settings: {settings})."
    )
    sentences = [measured]
    for column, words, unit in (
        ("slice_spacing_mm", "Distance between slices", "mm"),
        ("pixel_mm", "Larger pixel spacing", "mm"),
        ("kvp", "Tube voltage", "kV"),
    ):
        known = femora[column].dropna()
        if len(known):
            low, high = f"{known.min():.3g}", f"{known.max():.3g}"
            span = low if low == high else f"{low} to {high}"
            sentences.append(f"{words}: {span} {unit}.")
    kernels = femora["kernel"].dropna().value_counts()
    if len(kernels):
        each = ", ".join(f"{name} ({n})" for name, n in sorted(kernels.items()))
        sentences.append(f"Reconstruction kernels (femora): {each}.")
    planes = femora["plane"].dropna().value_counts()
    sentences.append(
        f"Plane of ML and AP (femora): "
        f"{', '.join(f'{name} ({n})' for name, n in sorted(planes.items()))}."
    )
    if len(refused):
        counts = refused["reason_code"].fillna("").value_counts()
        each = ", ".join(f"{code} ({n})" for code, n in sorted(counts.items()))
        sentences.append(f"Not measured or left out, by reason: {each}.")
    return " ".join(sentences)


def _state_review(femora: "pd.DataFrame", n_rejected: int) -> Iterator[str]:
    """Yield what persons did to the numbers, where they did anything."""
    said = femora[REVIEWED].dropna().value_counts() if REVIEWED in femora else {}
    sentences = []
    if len(said):
        each = ", ".join(
            f"{str(words).replace(';', ' and ')} ({n})" for words, n in sorted(said.items())
        )
        sentences.append(
            f"Reviewed by hand (femora): {each}. The numbers of a corrected femur follow from the "
            "marks that a person set on it (corrections.csv lists them)."
        )
    if n_rejected:
        sentences.append(f"Cases that a person rejected, left out here: {n_rejected}.")
    if sentences:
        yield " ".join(sentences)


def _list_definitions(columns: Sequence[TableColumn], keys: Mapping[str, str]) -> Iterator[str]:
    for column in columns:
        unit = f" [{column.unit}]" if column.unit not in ("", "1") else ""
        source = f" [{keys.get(column.source, column.source)}]" if column.source else ""
        yield f"- {column.name}{unit}: {column.definition}{source}"


def _state_accuracy(femora: "pd.DataFrame", version: str, accuracy: Sequence[str]) -> Iterator[str]:
    if not accuracy:
        return
    yield f"Accuracy of canalmorph {version}:"
    yield from (f"- {sentence}" for sentence in accuracy)
    others = sorted(set(femora["software_version"].dropna()) - {version})
    if others:
        yield (
            f"These figures are of version {version}; the femora were measured by "
            f"{', '.join(others)}: state that version's own figures."
        )


def _list_settings(results: Path, femora: "pd.DataFrame") -> Iterator[str]:
    """Yield the settings, from the record of one case of each."""
    for name, group in femora.groupby("settings_hash", sort=True):
        case_id = str(group["case_id"].iloc[0])
        try:
            case = read_record(results / "cases" / case_id / "result.json")
        except RecordUnreadableError:
            yield f"Settings {name}: no record of a case is at hand to list them."
            continue
        yield f"Settings {name}:"
        yield from (f"- {key} = {value}" for key, value in _flatten(case.settings))


def _flatten(settings: Mapping[str, object], before: str = "") -> Iterator[tuple[str, object]]:
    for name, value in settings.items():
        if isinstance(value, Mapping):
            yield from _flatten(value, f"{before}{name}.")
        else:
            yield f"{before}{name}", value


def _list_bibtex(used: Mapping[str, str], femora: "pd.DataFrame") -> Iterator[str]:
    versions = ", ".join(sorted(femora["software_version"].dropna().unique()))
    yield (
        "@software{canalmorph,\n  title = {canalmorph: femoral canal morphology from CT},\n"
        f"  version = {{{escape_bibtex(versions)}}}\n}}\n"
    )
    for key, text in sorted(used.items()):
        year = re.search(r"\b(19|20)\d\d\b", text)
        stated = f"  year = {{{year.group()}}},\n" if year else ""
        # The bibliography is prose: no author or title is guessed from it.
        yield f"@misc{{{key},\n{stated}  note = {{{escape_bibtex(text)}}}\n}}\n"


def escape_bibtex(text: str) -> str:
    r"""Return a text in which no character is a command of TeX.

    Examples
    --------
    >>> print(escape_bibtex("50 % of A_B & {C}"))
    50 \% of A\_B \& \{C\}
    """
    text = text.replace("\\", r"\textbackslash ")
    return re.sub(r"(?<!\\textbackslash )([%&#_{}$])", r"\\\1", text)
