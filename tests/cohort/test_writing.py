"""Exports read back: types, ids, umlauts and blanks are equal in every format."""

import csv
import re
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from pyarrow import parquet

from canalmorph.cohort import workbook
from canalmorph.cohort.formats import TableFormat
from canalmorph.cohort.selection import select_rows
from canalmorph.cohort.writing import CsvDialect, write_selection
from canalmorph.results_errors import ResultsNoTablesError, TableUnreadableError

#: What a kernel's or a file's name may be, and must still be afterwards.
HOSTILE = [
    "=HYPERLINK(0)",
    "+1",
    "@SUM(A1)",
    "-12.5",
    "000123",
    "1E5",
    "74095673e3",
    "MARCH1",
    "12345678901234567890",
    "Größe äöü ß 股関節",
    "'quoted",
    "#N/A",
    "TRUE",
    'a;b,c\t"d"',
    "x\ufffey",
    " leading",
]
NUMBERS = [-12.5, 0.25, None]


@pytest.fixture(scope="module")
def results(results_of: Callable[..., Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    femurs = [
        {
            "case_id": f"g{place:03d}",
            "side": "left" if place % 2 else "right",
            "kernel": text,
            "cfi_ml": NUMBERS[place % 3],
            "lt_x_mm": 1.0 + place,
            "lt_y_mm": -2.0,
            "lt_z_mm": 3.0,
            "lt_x_mm_u": 0.1,
            "head_x_mm": None if place else 5.0,
            "head_y_mm": None if place else 6.0,
            "head_z_mm": None if place else 7.0,
        }
        for place, text in enumerate(HOSTILE)
    ]
    refusals = [{"file": "a\x0bb", "message": "=x"}]
    return results_of(tmp_path_factory.mktemp("r") / "results", femurs=femurs, refusals=refusals)


def expected_texts() -> list[str]:
    # Control characters are blanks in every table, and a tab is one of them.
    return [text.replace("\t", " ") for text in HOSTILE]


def test_parquet_has_types_blanks_and_the_codebook(results: Path, tmp_path: Path) -> None:
    write_selection(select_rows(results, "femurs"), tmp_path, TableFormat.PARQUET)
    frame = pd.read_parquet(tmp_path / "femurs.parquet")
    assert frame["kernel"].tolist() == expected_texts()
    assert frame["cfi_ml"].dtype == "float64"
    assert frame["cfi_ml"].isna().tolist() == [place % 3 == 2 for place in range(len(HOSTILE))]
    assert frame["cfi_ml"].dropna().unique().tolist() == [-12.5, 0.25]
    field = parquet.read_schema(tmp_path / "femurs.parquet").field("cfi_ml")
    assert field.metadata[b"unit"] == b"1"
    assert field.metadata[b"source"].startswith(b"Noble")
    assert b"flare" in field.metadata[b"definition"]


def test_a_workbook_has_text_as_text_and_numbers_as_numbers(results: Path, tmp_path: Path) -> None:
    written = write_selection(select_rows(results, "femurs"), tmp_path, TableFormat.XLSX)
    assert (written.n_rows, written.n_sheets) == (len(HOSTILE), 1)
    book = openpyxl.load_workbook(tmp_path / "femurs.xlsx")
    assert book.sheetnames == ["femurs", "columns"]
    rows = list(book["femurs"].iter_rows())
    names = [cell.value for cell in rows[0]]
    kernels = [row[names.index("kernel")] for row in rows[1:]]
    # What XML cannot hold becomes a blank, and the workbook is whole.
    assert [cell.value for cell in kernels] == [
        text.replace("\ufffe", " ") for text in expected_texts()
    ]
    assert {cell.data_type for cell in kernels} == {"s"}
    marked = dict(zip(HOSTILE, (cell.number_format for cell in kernels), strict=True))
    assert all(marked[text] == "@" for text in ("=HYPERLINK(0)", "000123", "1E5", "MARCH1", "TRUE"))
    values = [row[names.index("cfi_ml")] for row in rows[1:4]]
    assert [cell.value for cell in values] == [-12.5, 0.25, None]
    assert values[0].data_type == "n"
    codebook = list(book["columns"].values)
    assert [row[0] for row in codebook[1:]] == names


def test_one_bad_cell_loses_no_workbook(results: Path, tmp_path: Path) -> None:
    write_selection(select_rows(results, "refusals"), tmp_path, TableFormat.XLSX)
    frame = pd.read_excel(tmp_path / "refusals.xlsx", dtype=str)
    assert frame[["file", "message"]].to_numpy().tolist() == [["a b", "=x"]]


def test_a_full_sheet_goes_on_in_a_second(
    results: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(workbook, "MOST_ROWS", 7)
    written = write_selection(
        select_rows(results, "femurs", columns=["cfi_ml"]), tmp_path, TableFormat.XLSX
    )
    # 16 rows in sheets of 6 and a header.
    assert (written.n_rows, written.n_sheets) == (16, 3)
    sheets = pd.read_excel(tmp_path / "femurs.xlsx", sheet_name=None)
    assert list(sheets) == ["femurs", "femurs 2", "femurs 3", "columns"]
    rows = pd.concat([sheets[name] for name in list(sheets)[:3]])
    assert rows["case_id"].tolist() == [f"g{place:03d}" for place in range(16)]


@pytest.mark.parametrize("bom", [False, True])
def test_a_german_csv_reads_back(results: Path, tmp_path: Path, bom: bool) -> None:
    dialect = CsvDialect(separator=";", decimal=",", bom=bom)
    write_selection(select_rows(results, "femurs"), tmp_path, TableFormat.CSV, dialect=dialect)
    content = (tmp_path / "femurs.csv").read_bytes()
    assert content.startswith(b"\xef\xbb\xbf") == bom
    frame = pd.read_csv(
        tmp_path / "femurs.csv",
        sep=";",
        decimal=",",
        dtype={"kernel": str},
        keep_default_na=False,
        na_values={"cfi_ml": [""]},
        encoding="utf-8-sig",
    )
    assert frame["cfi_ml"].tolist()[:2] == [-12.5, 0.25]
    assert frame["cfi_ml"].isna().tolist() == [place % 3 == 2 for place in range(len(HOSTILE))]
    # In a CSV what would be a formula keeps the mark that makes it text; the rest is as it was.
    for text, found in zip(expected_texts(), frame["kernel"], strict=True):
        formula = re.match(r"[=+@'](?!1$)", text)
        assert found == (f"'{text}" if formula else text)
    codebook = pd.read_csv(tmp_path / "columns.csv", sep=";", encoding="utf-8-sig")
    assert set(codebook["table"]) >= {"femurs", "sections", "landmarks"}


def test_a_plain_csv_is_the_results_own_text(results: Path, tmp_path: Path) -> None:
    write_selection(select_rows(results, "femurs"), tmp_path, TableFormat.CSV)
    assert (tmp_path / "femurs.csv").read_bytes() == (results / "femurs.csv").read_bytes()


@pytest.mark.parametrize("form", [TableFormat.CSV, TableFormat.PARQUET])
def test_the_same_export_has_the_same_bytes(
    results: Path, tmp_path: Path, form: TableFormat
) -> None:
    contents = []
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        written = write_selection(select_rows(results, "femurs"), tmp_path / name, form)
        contents.append([file.read_bytes() for file in written.files])
    assert contents[0] == contents[1]


def test_columns_and_rows_are_chosen(results: Path, tmp_path: Path) -> None:
    selection = select_rows(
        results, "femurs", columns=["kernel"], where="kernel = '=HYPERLINK(0)' or cfi_ml = 0.25"
    )
    write_selection(selection, tmp_path, TableFormat.CSV)
    with (tmp_path / "femurs.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == ["case_id", "side", "kernel"]
    assert [row[0] for row in rows[1:]] == ["g000", "g001", "g004", "g007", "g010", "g013"]


def test_landmarks_are_one_row_each(results: Path) -> None:
    frame = select_rows(results, "landmarks").read_frame()
    assert frame["landmark"].tolist()[:3] == ["lt", "head", "lt"]
    assert len(frame) == len(HOSTILE) + 1
    first = frame.iloc[0]
    assert first[["x_mm", "x_mm_u", "y_mm", "z_mm"]].tolist() == [1.0, 0.1, -2.0, 3.0]
    heads = select_rows(results, "landmarks", where="landmark = head and z_mm > 6").read_frame()
    assert heads["case_id"].tolist() == ["g000"]


@pytest.mark.parametrize("table", ["sections", "sides", "blanks"])
@pytest.mark.parametrize("form", list(TableFormat))
def test_an_empty_table_is_a_header(
    results: Path, tmp_path: Path, table: str, form: TableFormat
) -> None:
    written = write_selection(select_rows(results, table), tmp_path, form)
    assert written.n_rows == 0
    read = {"csv": pd.read_csv, "parquet": pd.read_parquet, "xlsx": pd.read_excel}[form]
    frame = read(written.files[0])
    assert len(frame) == 0
    assert "case_id" in frame.columns


def test_wrong_words_are_refused(results: Path, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="must be one of femurs, sections"):
        select_rows(results, "femora")
    with pytest.raises(ValueError, match="Did you mean cfi_ml"):
        select_rows(results, "femurs", columns=["cfi_m"])
    with pytest.raises(ValueError, match="stay as they are"):
        write_selection(select_rows(results, "femurs"), results, TableFormat.CSV)
    with pytest.raises(ValueError, match="must not be the same"):
        CsvDialect(decimal=",")
    with pytest.raises(ResultsNoTablesError):
        select_rows(tmp_path, "femurs")


def test_a_damaged_table_is_refused_and_leaves_no_file(
    results_of: Callable[..., Path], tmp_path: Path
) -> None:
    results = results_of(tmp_path / "results", femurs=[{"case_id": "g1", "cfi_ml": 3.5}])
    table = results / "femurs.csv"
    table.write_bytes(table.read_bytes().replace(b"3.500000", b"Quill"))
    out = tmp_path / "out"
    out.mkdir()
    for form in (TableFormat.PARQUET, TableFormat.XLSX):
        with pytest.raises(TableUnreadableError, match="cfi_ml holds text") as caught:
            write_selection(select_rows(results, "femurs"), out, form)
        assert "Quill" not in str(caught.value)
    table.write_bytes(table.read_bytes() + b"one,two\n")
    with pytest.raises(TableUnreadableError, match="cannot be read"):
        write_selection(select_rows(results, "femurs"), out, TableFormat.CSV)
    table.unlink()
    with pytest.raises(TableUnreadableError, match="not there"):
        write_selection(select_rows(results, "femurs"), out, TableFormat.CSV)
    assert list(out.iterdir()) == []
