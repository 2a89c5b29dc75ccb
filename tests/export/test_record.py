"""The record: whole, without a patient, and the same tables from it."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from canalmorph.export.record import read_record, write_record
from canalmorph.export.rows import make_case_rows
from canalmorph.export.tables import write_tables
from canalmorph.model.results import CaseResult
from canalmorph.model.volume import PatientFacts
from canalmorph.results_errors import RecordUnreadableError

MakeCase = Callable[..., CaseResult]


def _write(results: Path, case: CaseResult) -> Path:
    folder = results / "cases" / case.case_id
    folder.mkdir(parents=True)
    write_record(folder / "result.json", case)
    return folder / "result.json"


def test_tables_rebuilt_from_records_have_the_same_bytes(
    make_case: MakeCase, tmp_path: Path
) -> None:
    cases = [make_case(name) for name in ("a1", "b2", "c3")]
    for case in reversed(cases):
        _write(tmp_path, case)
    direct, rebuilt = tmp_path / "direct", tmp_path / "rebuilt"
    direct.mkdir()
    rebuilt.mkdir()
    write_tables(direct, map(make_case_rows, cases))
    records = sorted(tmp_path.glob("cases/*/result.json"))
    write_tables(rebuilt, map(make_case_rows, map(read_record, records)))
    for path in direct.iterdir():
        assert path.read_bytes() == (rebuilt / path.name).read_bytes(), path.name


def test_a_record_survives_reading_and_writing(make_case: MakeCase, tmp_path: Path) -> None:
    path = _write(tmp_path, make_case())
    again = tmp_path / "again.json"
    write_record(again, read_record(path))
    assert again.read_bytes() == path.read_bytes()
    assert read_record(path).patient == PatientFacts()


def test_no_identity_reaches_a_record(make_case: MakeCase, tmp_path: Path) -> None:
    case = make_case()
    text = _write(tmp_path, case).read_text(encoding="utf-8")
    for secret in ("Rosalind", "PX-552317", "19440229", "ACC-90210", "20240511", "1.2.826"):
        assert secret not in text
    assert case.scan.input_sha256 in text
    assert "patient" not in json.loads(text)


def test_provenance_is_whole(make_case: MakeCase, tmp_path: Path) -> None:
    record = json.loads(_write(tmp_path, make_case()).read_text(encoding="utf-8"))
    assert record["settings"]["measure"]["step_mm"] == 2.0
    assert record["software_version"] == "0.1.0"
    assert record["settings_hash"] == "123456789abc"
    assert record["scan"]["kvp"] == 120.0
    assert record["spacing_mm"] == [1.0, 0.7, 0.8]


@pytest.mark.parametrize(
    "content",
    [b"", b"\x00\xff", b"[]", b"{}", b'{"format": "other-9"}', b'{"format": "canalmorph-case-1"}'],
)
def test_a_damaged_record_is_refused_with_its_name(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "cases" / "deadbeef" / "result.json"
    path.parent.mkdir(parents=True)
    path.write_bytes(content)
    with pytest.raises(RecordUnreadableError, match=r"cases/deadbeef/result\.json"):
        read_record(path)


def test_an_absent_record_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordUnreadableError, match="measure its scan again"):
        read_record(tmp_path / "result.json")
