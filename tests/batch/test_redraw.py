"""Pages drawn again are the same pages; the clinic's table changes cautions and nothing else."""

import json
import re
import shutil
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from canalmorph.batch import case_files
from canalmorph.batch.clinic import ClinicTable, read_clinic, read_clinic_table
from canalmorph.batch.outcomes import BatchOptions, MeasureScan
from canalmorph.batch.redraw import redraw_cases
from canalmorph.batch.run import measure_inputs
from canalmorph.model.clinic import ClinicFacts
from canalmorph.pipeline import Settings
from canalmorph.results_errors import RecordUnreadableError

PAGES = ("report.html", "report.pdf")


@pytest.fixture(scope="module")
def measured(
    small_dicom: Path, known_measure: MeasureScan, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    out = tmp_path_factory.mktemp("redraw") / "out"
    measure_inputs([small_dicom], out, Settings(), measure=known_measure)
    return out


@pytest.fixture
def results(measured: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(measured, tmp_path / "out"))


def _get_case(results: Path) -> Path:
    (case,) = (results / "cases").iterdir()
    return case


def _write_table(folder: Path, text: str) -> Path:
    path = folder / "facts.csv"
    path.write_text(text, encoding="utf-8")
    return path


def _read_words(case: Path) -> tuple[str, str]:
    """Return the words of page and paper."""
    page = (case / "report.html").read_text(encoding="utf-8")
    paper = PdfReader(case / "report.pdf")
    return (
        re.sub(r"<svg.*?</svg>", "", page, flags=re.DOTALL),
        "".join(sheet.extract_text() for sheet in paper.pages),
    )


def test_pages_drawn_again_are_the_same(results: Path) -> None:
    case = _get_case(results)
    before = _read_words(case)
    files = {path.name for path in case.iterdir()}
    for name in PAGES:
        (case / name).unlink()
    (outcome,) = redraw_cases(results)
    assert outcome.error is None
    # Records keep outlines to 0.01 mm, so that paths in the pictures may differ in a digit.
    assert _read_words(case) == before
    assert {path.name for path in case.iterdir()} == files
    assert "Quill" in before[0]
    again = {name: (case / name).read_bytes() for name in PAGES}
    list(redraw_cases(results))
    assert {name: (case / name).read_bytes() for name in PAGES} == again


def test_without_what_draws_pages_everything_else_is_there(
    tmp_path: Path,
    small_dicom: Path,
    known_measure: MeasureScan,
    monkeypatch: pytest.MonkeyPatch,
    measured: Path,
) -> None:
    monkeypatch.setattr(case_files, "list_missing_parts", lambda: ("matplotlib",))
    measure_inputs([small_dicom], tmp_path, Settings(), measure=known_measure)
    whole, bare = (
        {path.name for path in _get_case(results).iterdir()} for results in (measured, tmp_path)
    )
    # Drawing pages again needs nothing more.
    assert whole - bare == set(PAGES)
    assert not bare - whole
    assert (tmp_path / "femurs.csv").read_text("utf-8").count("\n") == 2
    assert PAGES[0] not in (tmp_path / "cohort.html").read_text("utf-8")


@pytest.mark.parametrize("key", ["case_id", "series"])
def test_a_row_of_the_table_changes_the_cautions(
    results: Path, key: str, small_dicom: Path
) -> None:
    import pydicom

    case = _get_case(results)
    header = pydicom.dcmread(next(small_dicom.rglob("*.dcm")), stop_before_pixels=True)
    name = {"case_id": case.name, "series": str(header.SeriesInstanceUID)}[key]
    record = (case / "result.json").read_bytes()
    path = _write_table(results.parent, f"{key};fracture;osteoporosis\n{name};YES;\nother;no;no\n")
    (outcome,) = redraw_cases(results, [case.name], table=read_clinic_table(path))
    assert outcome.error is None
    page = (case / "report.html").read_text(encoding="utf-8")
    assert "Operation for a fracture." in page
    assert "guidelines recommend cemented" in page
    assert "Osteoporosis: not stated." in page
    assert (case / "result.json").read_bytes() == record
    # Kept for the next time, and for no one else to read.
    assert read_clinic(case / "clinic.json").facts == ClinicFacts(fracture=True)
    assert (case / "clinic.json").stat().st_mode & 0o077 == 0


def test_facts_given_while_measuring_reach_the_page(
    small_dicom: Path, known_measure: MeasureScan, tmp_path: Path
) -> None:
    import pydicom

    header = pydicom.dcmread(next(small_dicom.rglob("*.dcm")), stop_before_pixels=True)
    rows = {("series", str(header.SeriesInstanceUID)): ClinicFacts(previous_implant=True)}
    options = BatchOptions(deidentify=True, clinic=ClinicTable(rows=rows))
    measure_inputs(
        [small_dicom], tmp_path / "out", Settings(), options=options, measure=known_measure
    )
    case = _get_case(tmp_path / "out")
    page = (case / "report.html").read_text(encoding="utf-8")
    assert "Previous implant in a femur." in page
    assert "Quill" not in page + (case / "clinic.json").read_text(encoding="utf-8")
    assert "Age: not stated." in page
    before = _read_words(case)
    # De-identified pages stay so when they are drawn again.
    (outcome,) = redraw_cases(tmp_path / "out")
    assert outcome.error is None
    assert _read_words(case) == before


@pytest.mark.parametrize("name", ["pictures.npz", "clinic.json", "result.json"])
def test_a_damaged_part_leaves_the_old_pages(results: Path, name: str) -> None:
    case = _get_case(results)
    before = (case / "report.html").read_bytes()
    (case / name).write_bytes(b"{")
    (outcome,) = redraw_cases(results)
    assert isinstance(outcome.error, RecordUnreadableError)
    assert name in str(outcome.error) or name == "result.json"
    assert (case / "report.html").read_bytes() == before


def test_wrong_calls_are_refused(results: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no case nobody"):
        list(redraw_cases(results, ["nobody"]))
    with pytest.raises(ValueError, match="RESULTS must be"):
        list(redraw_cases(tmp_path))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("name,fracture\nx,yes\n", "needs a column"),
        ("case_id\nx\n", "needs a column"),
        ("case_id,fracture\nx,perhaps\n", "Line 2 .* column fracture"),
        ("case_id,fracture\nx,yes\nx,no\n", "Line 3 .* earlier line in its column case_id"),
        ("", "needs a column"),
        ("case_id,comment,fracture\nx,fell, yes,no\n", "Line 2 .* more cells than the header"),
        ("case_id,fracture,Fracture\nx,yes,no\n", "several columns called fracture"),
        (f'case_id,fracture\n"{"x" * 200_000}\n', "cannot be read"),
    ],
)
def test_a_table_that_cannot_be_meant_is_refused(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=words) as caught:
        read_clinic_table(_write_table(tmp_path, text))
    assert "perhaps" not in str(caught.value)


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_a_table_is_read_by_its_separator(separator: str, tmp_path: Path) -> None:
    lines = ["\ufeffAccession,Fracture,previous_implant", "A1,yes,no", "A2, No ,", ",yes,yes"]
    path = _write_table(tmp_path, "\n".join(lines).replace(",", separator))
    table = read_clinic_table(path)
    assert len(table.rows) == 2
    first = table.find(case_id="x", accession="A1", series="")
    assert first == ClinicFacts(fracture=True, previous_implant=False)
    second = table.find(case_id="x", accession="A2", series="")
    assert second == replace(ClinicFacts(), fracture=False)
    assert table.find(case_id="x", accession="", series="") is None


def test_facts_of_a_series_are_those_of_every_volume_in_it() -> None:
    stated = ClinicFacts(fracture=True)
    table = ClinicTable(rows={("series", "1.2.3"): stated})
    assert table.find(case_id="", accession="", series="1.2.3#2") is stated
    assert table.find(case_id="", accession="", series="1.2.30#2") is None


def test_no_fact_of_the_patient_is_in_record_or_tables(results: Path) -> None:
    case = _get_case(results)
    record = json.loads((case / "result.json").read_bytes())
    assert "patient" not in record
    text = (case / "result.json").read_text() + (results / "femurs.csv").read_text()
    assert not re.search("Quill|PX-552317|fracture.: ", text)
