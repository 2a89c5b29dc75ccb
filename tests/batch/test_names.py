"""Names and texts that people type: safe file names, text that stays text, a page that shows it."""

from __future__ import annotations

import csv
import re
import unicodedata
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pydicom
import pytest

from canalmorph.batch import case_files
from canalmorph.batch.outcomes import BatchResult, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.cohort.formats import TableFormat
from canalmorph.cohort.selection import select_rows
from canalmorph.cohort.writing import write_selection
from canalmorph.pipeline import Settings

SCRIPT = "<script>{{7*7}}</script>&"
#: The folder of a scan, what its patient is called, and the patient's ID.
TYPED = [
    ("=HYPERLINK(0)", "=1+1", "000123"),
    ("@SUM(A1) +1", "+1", "1E5"),
    ("a; b, c ", "Müller^Jörg", "74095673e3"),
    ("CON", "CON", "MARCH1"),
    ("aux.dcm.", "aux.", "12345678901234567890"),
    ("Scan", "Doe^Jo", "a/b: c*?"),
    ("scan", "Doe^Jo", "A/B: C*?"),
    (unicodedata.normalize("NFC", "Ä é"), "\x0b", "\t=1"),
    (unicodedata.normalize("NFD", "Ä é"), "\n", "-12.5"),
    ("/".join(["deep" * 20] * 3), SCRIPT, SCRIPT),
]
#: What no file on Windows may be called, whatever its suffix.
RESERVED = {"con", "prn", "aux", "nul"}


@pytest.fixture(scope="module")
def day(small_dicom: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a scan of each name, of which the last also lies there without scale."""
    top = tmp_path_factory.mktemp("day") / "=day"
    slices = [pydicom.dcmread(path) for path in sorted(small_dicom.iterdir())[::4]]
    for number, (folder, name, identifier) in enumerate(TYPED):
        (top / folder).mkdir(parents=True)
        for k, ds in enumerate(slices):
            ds.PatientName, ds.PatientID, ds.SeriesDescription = name, identifier, f"={name}"
            ds.StudyInstanceUID, ds.SeriesInstanceUID = f"1.2.{number + 1}", f"1.3.{number + 1}"
            ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"1.4.{number + 1}.{k}"
            ds.save_as(top / folder / f"{k}")
    (top / "-1 lost").mkdir()
    for k, ds in enumerate(slices):
        ds.StudyInstanceUID = ds.SeriesInstanceUID = "1.2.99"
        del ds.PixelSpacing
        ds.save_as(top / "-1 lost" / f"{k}")
    return top


@pytest.fixture(scope="module")
def result(
    day: Path, known_measure: MeasureScan, tmp_path_factory: pytest.TempPathFactory
) -> BatchResult:
    """Return that day measured; only the page with the script is drawn."""

    def draw(plain: Callable[..., None]) -> Callable[..., None]:
        return lambda case, *rest: plain(case, *rest) if case.patient.name == SCRIPT else None

    with pytest.MonkeyPatch.context() as patch:
        for name in ("write_page", "write_sheet"):
            patch.setattr(case_files, name, draw(getattr(case_files, name)))
        return measure_inputs(
            [day], tmp_path_factory.mktemp("o") / "out", Settings(), measure=known_measure
        )


def read_table(result: BatchResult, name: str) -> list[dict[str, str]]:
    with (result.folder / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_i79_whatever_a_scan_is_called_its_results_have_names_of_their_own(
    result: BatchResult,
) -> None:
    assert len(result.measured) == len(TYPED)
    names = [outcome.case_id for outcome in result.measured]
    # Short, of letters and digits, and not equal either where case does not count.
    assert all(re.fullmatch(r"[g-v][a-z0-9]{7,30}", name) for name in names)
    assert len(set(names)) == len(TYPED)
    for path in result.folder.rglob("*"):
        inside = path.relative_to(result.folder)
        assert len(str(inside)) < 80, inside
        for part in inside.parts:
            assert re.fullmatch(r"\.?[A-Za-z0-9_]+(\.[a-z0-9]+)*", part), inside
            assert part.split(".")[0].lower() not in RESERVED, inside
    # The ledger's list says which is whose; the tables do not.
    assert len({outcome.source for outcome in result.measured}) == len(TYPED)
    for table in ("femurs", "sections"):
        content = (result.folder / f"{table}.csv").read_text("utf-8")
        typed = [text for _, *texts in TYPED for text in texts if len(text) > 4]
        assert not [text for text in typed if text in content]


def test_h67_what_would_be_a_formula_is_text_and_numbers_are_numbers(
    result: BatchResult, tmp_path: Path
) -> None:
    (lost,) = read_table(result, "refusals")
    assert lost["reason_code"] == "missing-tag"
    assert lost["file"] == "'=day/-1 lost"
    assert lost["message"][0] not in "=+-@\t\r"
    write_selection(select_rows(result.folder, "refusals"), tmp_path, TableFormat.XLSX)
    header, row = openpyxl.load_workbook(tmp_path / "refusals.xlsx")["refusals"].iter_rows()
    cells = {name.value: cell for name, cell in zip(header, row, strict=True)}
    assert cells["file"].data_type == "s"
    assert cells["file"].value == "=day/-1 lost"
    for femur in read_table(result, "femurs"):
        assert float(femur["lt_x_mm"]) < 0


def test_h69_identifiers_that_look_like_numbers_stay_what_they_are(result: BatchResult) -> None:
    clinics = [path.read_text("utf-8") for path in result.folder.glob("cases/*/clinic.json")]
    for identifier in ("000123", "1E5", "74095673e3", "MARCH1", "12345678901234567890"):
        assert sum(f'"{identifier}"' in clinic for clinic in clinics) == 1
    assert sum("Müller^Jörg" in clinic for clinic in clinics) == 1


def test_h70_markup_in_a_name_is_shown_and_never_run(result: BatchResult) -> None:
    (path,) = result.folder.glob("cases/*/report.html")
    page = path.read_text("utf-8")
    assert "&lt;script&gt;{{7*7}}&lt;/script&gt;&amp;" in page
    assert "<script>{{" not in page
    assert "{{49}}" not in page
    assert not re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?(?:https?:|//|file:)""", page)
