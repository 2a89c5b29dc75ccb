"""The settings of an earlier run come back as they were, or not at all."""

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from canalmorph.batch.repeat import decode_settings, read_settings
from canalmorph.export.record import write_record
from canalmorph.export.rows import make_case_rows
from canalmorph.export.tables import write_tables
from canalmorph.model.results import CaseResult
from canalmorph.pipeline import Settings
from canalmorph.results_errors import ResultsNoTablesError, ResultsOtherSettingsError

USED = replace(Settings(), measure=replace(Settings().measure, level_step_mm=1.0, axial=True))


def write_results(folder: Path, cases: list[CaseResult]) -> Path:
    for case in cases:
        (folder / "cases" / case.case_id).mkdir(parents=True)
        write_record(folder / "cases" / case.case_id / "result.json", case)
    folder.mkdir(exist_ok=True)
    write_tables(folder, map(make_case_rows, cases))
    return folder


def set_settings(case: CaseResult, name: str, settings: Settings) -> CaseResult:
    return replace(
        case, case_id=name, settings=settings.to_dict(), settings_hash=settings.hash_text()
    )


def test_settings_survive_writing_and_reading() -> None:
    assert decode_settings(json.loads(json.dumps(USED.to_dict()))) == USED
    assert decode_settings(USED.to_dict()) != Settings()


@pytest.mark.parametrize(
    "plain", [{"measure": {"no_such": 1}}, {"magic": {}}, {"measure": {"level_step_mm": 9.0}}]
)
def test_settings_of_another_version_are_not_taken(plain: dict[str, dict[str, object]]) -> None:
    with pytest.raises((TypeError, ValueError)):
        decode_settings(plain)


def test_the_settings_of_a_folder_are_found(
    make_case: Callable[..., CaseResult], tmp_path: Path
) -> None:
    case = make_case()
    one = [set_settings(case, "g1", USED), set_settings(case, "g2", USED)]
    assert read_settings(write_results(tmp_path / "one", one)) == USED
    two = [set_settings(case, "g1", USED), set_settings(case, "g2", Settings())]
    with pytest.raises(ResultsOtherSettingsError):
        read_settings(write_results(tmp_path / "two", two))
    with pytest.raises(ResultsOtherSettingsError):
        read_settings(write_results(tmp_path / "none", []))
    with pytest.raises(ResultsNoTablesError):
        read_settings(tmp_path / "nowhere")
    (tmp_path / "garbled").mkdir()
    (tmp_path / "garbled" / "femurs.csv").write_bytes(b"settings_hash,case_id\n\xff\xfe,a\n")
    with pytest.raises(ResultsNoTablesError):
        read_settings(tmp_path / "garbled")
    # A record that lacks a setting which this version has would be repeated with another one.
    plain = {**USED.to_dict(), "measure": {"level_step_mm": 1.0}}
    lacking = replace(case, case_id="g1", settings=plain, settings_hash="hffff")
    with pytest.raises(ResultsOtherSettingsError):
        read_settings(write_results(tmp_path / "lacking", [lacking]))
