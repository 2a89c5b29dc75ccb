"""Exports opened by a real spreadsheet program: types, ids, umlauts and blanks are equal.

By hand: ``python -m pytest -m slow tests/cohort/test_spreadsheet.py``. It needs Debian's package
libreoffice-calc-nogui, whose installation is too long for every run of all tests.
"""

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from xml.etree import ElementTree

import pytest

from canalmorph.cohort.formats import TableFormat
from canalmorph.cohort.selection import select_rows
from canalmorph.cohort.writing import CsvDialect, write_selection

pytestmark = pytest.mark.slow
Cell = str | float | None
#: What a kernel's name may be.
TEXTS = ["=1+1", "000123", "1E5", "-12.5", "@SUM(A1)", "Größe äöü ß 股関節", "TRUE", "3/4", ""]
NUMBERS = [-12.5, 0.25, 1234.5, None]
#: Words for a CSV's filter: separator, quotes, UTF-8, first line, no columns named, language.
GERMAN, ENGLISH = "59,34,76,1,,1031", "44,34,76,1,,1033"
_NAMES = {
    "office": "urn:oasis:names:tc:opendocument:xmlns:office:1.0",
    "table": "urn:oasis:names:tc:opendocument:xmlns:table:1.0",
    "text": "urn:oasis:names:tc:opendocument:xmlns:text:1.0",
}


@pytest.fixture(scope="module")
def results(results_of: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    femurs = [
        {
            "case_id": f"g{place:03d}",
            "side": "left" if place % 2 else "right",
            "kernel": text,
            "cfi_ml": NUMBERS[place % len(NUMBERS)],
        }
        for place, text in enumerate(TEXTS)
    ]
    return results_of(tmp_path_factory.mktemp("r") / "results", femurs=femurs)


def open_table(file: Path, folder: Path, *, reading: str = "") -> dict[str, list[list[Cell]]]:
    """Return every sheet of a file as the program has it: texts, numbers and empty cells."""
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("The program soffice (Debian: libreoffice-calc-nogui) is not installed.")
    # A profile of its own, so that no setting of this machine's user counts.
    command = [program, f"-env:UserInstallation={(folder / 'profile').as_uri()}", "--headless"]
    if reading:
        command.append(f"--infilter=Text - txt - csv (StarCalc):{reading}")
    command += ["--convert-to", "fods", "--outdir", str(folder), str(file)]
    subprocess.run(command, check=True, capture_output=True, timeout=300)
    tree = ElementTree.parse(folder / f"{file.stem}.fods")
    sheets = tree.iterfind(".//table:table", _NAMES)
    return {str(sheet.get(_name("table", "name"))): _read_rows(sheet) for sheet in sheets}


def _name(space: str, word: str) -> str:
    return f"{{{_NAMES[space]}}}{word}"


def _read_rows(sheet: ElementTree.Element) -> list[list[Cell]]:
    rows = []
    for row in sheet.iterfind("table:table-row", _NAMES):
        cells: list[Cell] = []
        for cell in row.iterfind("table:table-cell", _NAMES):
            # What goes on to the end of the sheet is no part of the table.
            repeated = int(cell.get(_name("table", "number-columns-repeated"), 1))
            cells += [_read_cell(cell)] * min(repeated, 1000)
        rows.append(cells)
    while rows and not any(cell is not None for cell in rows[-1]):
        rows.pop()
    return rows


def _read_cell(cell: ElementTree.Element) -> Cell:
    kind = cell.get(_name("office", "value-type"))
    assert cell.get(_name("table", "formula")) is None
    if kind is None:
        return None
    if kind == "float":
        return float(cell.get(_name("office", "value"), "nan"))
    text = "\n".join("".join(line.itertext()) for line in cell.iterfind("text:p", _NAMES))
    # Dates and truths, which no table has.
    return text if kind == "string" else f"{kind} {text}"


def take_column(rows: list[list[Cell]], name: str) -> list[Cell]:
    place = rows[0].index(name)
    return [row[place] if place < len(row) else None for row in rows[1:]]


def expect_numbers() -> list[Cell]:
    return [NUMBERS[place % len(NUMBERS)] for place in range(len(TEXTS))]


def test_a_workbook_is_opened_as_it_was_written(results: Path, tmp_path: Path) -> None:
    write_selection(select_rows(results, "femurs"), tmp_path, TableFormat.XLSX)
    sheets = open_table(tmp_path / "femurs.xlsx", tmp_path)
    assert list(sheets) == ["femurs", "columns"]
    rows = sheets["femurs"]
    assert take_column(rows, "kernel") == [text or None for text in TEXTS]
    assert take_column(rows, "case_id") == [f"g{place:03d}" for place in range(len(TEXTS))]
    assert take_column(rows, "cfi_ml") == expect_numbers()
    # The codebook names every column in order, with umlauts and signs of its own.
    names = [name for name in rows[0] if name is not None]
    assert take_column(sheets["columns"], "name") == names
    units = dict(zip(names, take_column(sheets["columns"], "unit"), strict=True))
    assert units["isthmus_canal_ml_mm"] == "mm"


@pytest.mark.parametrize(
    ("reading", "separator", "decimal"), [(GERMAN, ";", ","), (ENGLISH, ",", ".")]
)
def test_a_csv_is_opened_with_the_settings_of_its_country(
    results: Path, tmp_path: Path, reading: str, separator: str, decimal: str
) -> None:
    dialect = CsvDialect(separator=separator, decimal=decimal)
    write_selection(select_rows(results, "femurs"), tmp_path, TableFormat.CSV, dialect=dialect)
    (rows,) = open_table(tmp_path / "femurs.csv", tmp_path, reading=reading).values()
    assert take_column(rows, "case_id") == [f"g{place:03d}" for place in range(len(TEXTS))]
    assert take_column(rows, "side") == ["right", "left"] * 4 + ["right"]
    assert take_column(rows, "cfi_ml") == expect_numbers()
    kernels = dict(zip(TEXTS, take_column(rows, "kernel"), strict=True))
    assert kernels["Größe äöü ß 股関節"] == "Größe äöü ß 股関節"
    assert kernels[""] is None
    # A CSV cannot say that 000123 or TRUE is a text, as a workbook can; but no formula is made of
    # any text: the mark that keeps it is in sight at most.
    for text in ("=1+1", "@SUM(A1)"):
        assert kernels[text] in (text, f"'{text}")
