"""The tables: their columns, their text, their bytes, and what they never hold."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from canalmorph.export.rows import CaseRows, make_case_rows
from canalmorph.export.tables import write_tables
from canalmorph.model.columns import (
    BLANK_COLUMNS,
    FEMUR_COLUMNS,
    REFUSAL_COLUMNS,
    SECTION_COLUMNS,
    SIDE_COLUMNS,
)
from canalmorph.model.results import CaseResult, Refusal
from canalmorph.published import BIBLIOGRAPHY

MakeCase = Callable[..., CaseResult]
HOSTILE = [
    "=1+1",
    "+SUM(A1)",
    "-cmd|' /C calc'!A0",
    "@x",
    "\t=1",
    " =1",
    "'=1",
    "a\r\nb",
    'q"uo,te',
]


def _read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as stream:
        return list(csv.DictReader(stream))


def test_every_column_is_there_in_order_with_its_uncertainty(
    make_case: MakeCase, tmp_path: Path
) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    for name, columns in (
        ("femurs.csv", FEMUR_COLUMNS),
        ("sections.csv", SECTION_COLUMNS),
        ("sides.csv", SIDE_COLUMNS),
        ("blanks.csv", BLANK_COLUMNS),
        ("refusals.csv", REFUSAL_COLUMNS),
    ):
        expected = []
        for column in columns:
            expected += [column.name, f"{column.name}_u"] if column.measured else [column.name]
        assert (tmp_path / name).read_text(encoding="utf-8").split("\n")[0] == ",".join(expected)


def test_numbers_come_back_within_half_a_last_digit(make_case: MakeCase, tmp_path: Path) -> None:
    case = make_case()
    write_tables(tmp_path, [make_case_rows(case)])
    rows = _read(tmp_path / "femurs.csv")
    assert [row["side"] for row in rows] == ["right", "left"]
    for row, femur in zip(rows, case.femora, strict=True):
        for name, measurement in femur.indices.values.items():
            if measurement.value is None:
                assert row[name] == row[f"{name}_u"] == ""
                continue
            digits = len(row[name].split(".")[1])
            assert digits >= 2
            # Rounding to so many decimals errs by half a unit of the last.
            assert float(row[name]) == pytest.approx(measurement.value, abs=0.5001 * 10**-digits)
            assert float(row[f"{name}_u"]) == pytest.approx(measurement.u, abs=0.5001 * 10**-digits)
    sections = _read(tmp_path / "sections.csv")
    assert len(sections) == 2 * len(case.femora[0].profile.levels_mm)
    assert sections[0]["canal_ml_mm"] == ""
    assert sections[0]["quality"] == "thin_cortex;outline_incomplete"
    assert float(sections[0]["level_mm"]) == 20.0


def test_what_was_odd_in_the_scan_stands_beside_each_femur_and_refusal(
    make_case: MakeCase, tmp_path: Path
) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    told = [row["warnings"] for row in _read(tmp_path / "femurs.csv")]
    assert told == ["no-preamble;below-air;head_at_lt20;scanner_plane"] * 2
    assert [row["warnings"] for row in _read(tmp_path / "refusals.csv")] == [
        "no-preamble;below-air"
    ]


def test_nothing_missing_is_written_as_a_number(make_case: MakeCase, tmp_path: Path) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    for path in tmp_path.iterdir():
        for row in _read(path):
            for name, cell in row.items():
                if name not in ("definition", "message", "source"):
                    assert cell.lower() not in ("nan", "none", "inf", "-inf", "-0.0000"), name


def test_no_identity_reaches_a_table(make_case: MakeCase, tmp_path: Path) -> None:
    case = make_case()
    write_tables(tmp_path, [make_case_rows(case)])
    for path in tmp_path.iterdir():
        text = path.read_text(encoding="utf-8")
        for secret in ("Rosalind", "PX-552317", "19440229", "ACC-90210", "20240511", "1.2.826"):
            assert secret not in text, path.name


def test_the_same_cases_make_the_same_bytes(make_case: MakeCase, tmp_path: Path) -> None:
    contents = []
    for _ in range(2):
        write_tables(tmp_path, [make_case_rows(make_case(name)) for name in "ab"])
        contents.append({path.name: path.read_bytes() for path in tmp_path.iterdir()})
    assert contents[0] == contents[1]
    names = ("femurs", "sections", "sides", "blanks", "refusals", "corrections", "columns")
    tables = {f"{name}.csv" for name in names}
    assert set(contents[0]) == tables
    assert all(b"\r" not in content for content in contents[0].values())


@pytest.mark.parametrize("text", HOSTILE)
def test_text_is_never_a_formula_and_stays_readable(text: str, tmp_path: Path) -> None:
    refusal = Refusal(stage="read", code="not-an-image", message=f"{text}", source=text, tag="x")
    write_tables(tmp_path, [], refusals=[refusal])
    cell = _read(tmp_path / "refusals.csv")[0]["file"]
    assert cell.lstrip()[0] not in "=+-@"
    assert "\n" not in cell
    assert cell.removeprefix("'").split() == text.split()


def test_negative_numbers_stay_numbers(make_case: MakeCase, tmp_path: Path) -> None:
    case = replace(make_case(), scan=replace(make_case().scan, kernel="-5"))
    write_tables(tmp_path, [make_case_rows(case)])
    row = _read(tmp_path / "femurs.csv")[0]
    assert row["kernel"] == "-5"
    negative = [name for name, m in case.femora[0].indices.values.items() if (m.value or 0) < 0]
    assert negative
    assert all(float(row[name]) < 0 for name in negative)


def test_a_formula_in_a_header_field_is_neutralised(make_case: MakeCase, tmp_path: Path) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    assert _read(tmp_path / "femurs.csv")[0]["kernel"] == "'=HYPERLINK(0)"


def test_a_failing_row_leaves_the_earlier_tables(make_case: MakeCase, tmp_path: Path) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    good = make_case_rows(make_case("b"))
    broken = CaseRows(femurs=[{"case_id": "b"}], sections=(), refusals=())
    with pytest.raises(ValueError, match="must have the table's columns"):
        write_tables(tmp_path, [good, broken])
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_the_codebook_explains_every_column_once(make_case: MakeCase, tmp_path: Path) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    codebook = _read(tmp_path / "columns.csv")
    for table in ("femurs.csv", "sections.csv", "sides.csv", "blanks.csv", "refusals.csv"):
        header = (tmp_path / table).read_text(encoding="utf-8").split("\n")[0].split(",")
        assert [row["name"] for row in codebook if row["table"] == table] == header
    assert all(row["definition"] for row in codebook)
    sources = {row["source"] for row in codebook} - {""}
    assert sources <= set(BIBLIOGRAPHY.values())
    assert {row["name"]: row["source"] for row in codebook}["cfi_ml"].startswith("Noble")


def test_a_refused_side_has_its_row_with_its_case(make_case: MakeCase, tmp_path: Path) -> None:
    scan = Refusal(stage="read", code="only-air", message="scan2: air.", source="scan2")
    write_tables(tmp_path, [make_case_rows(make_case())], refusals=[scan])
    rows = _read(tmp_path / "refusals.csv")
    assert [(row["case_id"], row["side"], row["file"]) for row in rows] == [
        ("c0ffee", "left", "quill_rosalind/scan1"),
        ("", "", "scan2"),
    ]


def test_sides_stand_number_by_number_with_their_unit(make_case: MakeCase, tmp_path: Path) -> None:
    write_tables(tmp_path, [make_case_rows(make_case()), make_case_rows(make_case("d00d"))])
    rows = _read(tmp_path / "sides.csv")
    assert [row["case_id"] for row in rows] == ["c0ffee"] * 2 + ["d00d"] * 2
    assert [row["column"] for row in rows[:2]] == ["canal_ml_lt_mm", "cfi_ml"]
    assert [row["unit"] for row in rows[:2]] == ["mm", "1"]
    width, index = rows[:2]
    assert [float(width[name]) for name in ("right", "left", "difference")] == [28.0, 28.9, 0.9]
    assert float(width["difference_over_u"]) == pytest.approx(0.9 / 0.14, abs=1e-6)
    assert [width["beyond_3u"], index["beyond_3u"]] == ["yes", "no"]


def test_every_blank_number_has_its_reason(make_case: MakeCase, tmp_path: Path) -> None:
    write_tables(tmp_path, [make_case_rows(make_case())])
    rows = _read(tmp_path / "blanks.csv")
    assert [(row["case_id"], row["side"]) for row in rows] == [
        ("c0ffee", "right"),
        ("c0ffee", "left"),
    ]
    assert {row["column"] for row in rows} == {"cfi_ml_lower_bound"}
    assert {row["reason"] for row in rows} == {"The isthmus is in view."}
