"""Many scans: one that fails stops no other, nothing finished is lost, no name leaks."""

import csv
import shutil
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import NoReturn

import nibabel as nib
import numpy as np
import pydicom
import pytest

from canalmorph.batch import case_files
from canalmorph.batch.outcomes import BatchOptions, MeasureScan
from canalmorph.batch.run import is_companion, measure_inputs
from canalmorph.errors import NoBoneError
from canalmorph.export.tables import TABLES
from canalmorph.pipeline import Settings
from canalmorph.read.found import SeriesFound
from canalmorph.results_errors import ResultsNotWritableError
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_dicom, write_nifti

SETTINGS = Settings()
AGAIN = BatchOptions(again=True)


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def refuse_to_measure(*args: object, **kwargs: object) -> NoReturn:
    raise AssertionError("nothing may be measured here")


def save_volume(path: Path, voxels: np.ndarray) -> Path:
    nib.save(nib.Nifti1Image(voxels.astype(np.int16), np.diag([-1.0, -1.0, 1.0, 1.0])), path)
    return path


def make_text(folder: Path) -> Path:
    path = folder / "letter.dcm"
    path.write_text("Dear colleague, ...", "utf-8")
    return path


def make_nothing(folder: Path) -> Path:
    return folder / "absent"


def make_empty_folder(folder: Path) -> Path:
    (folder / "empty").mkdir()
    return folder / "empty"


def make_empty_file(folder: Path) -> Path:
    (folder / "nothing.nii").write_bytes(b"")
    return folder / "nothing.nii"


def make_broken_zip(folder: Path) -> Path:
    whole = folder / "whole"
    with zipfile.ZipFile(whole, "w") as archive:
        archive.writestr("a", b"x" * 1000)
    (folder / "scan.zip").write_bytes(whole.read_bytes()[:300])
    whole.unlink()
    return folder / "scan.zip"


def make_air(folder: Path) -> Path:
    return save_volume(folder / "air.nii.gz", np.full((40, 40, 40), -1000))


def make_five_slices(folder: Path) -> Path:
    return save_volume(folder / "five.nii", np.zeros((64, 64, 5)))


def make_four_dimensions(folder: Path) -> Path:
    return save_volume(folder / "phases.nii", np.zeros((32, 32, 32, 2)))


BAD_INPUTS = {
    "no-image": make_text,
    "absent": make_nothing,
    "empty-folder": make_empty_folder,
    "empty-file": make_empty_file,
    "broken-zip": make_broken_zip,
    "air": make_air,
    "five-slices": make_five_slices,
    "four-dimensions": make_four_dimensions,
}


@pytest.mark.parametrize("make", BAD_INPUTS.values(), ids=BAD_INPUTS)
def test_bad_input_is_refused_by_name_with_what_to_do(
    make: Callable[[Path], Path], tmp_path: Path
) -> None:
    (tmp_path / "in").mkdir()
    bad = make(tmp_path / "in")
    result = measure_inputs([bad], tmp_path / "out", SETTINGS, measure=refuse_to_measure)
    assert not result.measured
    assert not result.found_bug
    assert len(result.refusals) == 1
    refusal = result.refusals[0]
    assert bad.name in refusal.message
    assert str(tmp_path) not in refusal.message
    # What is wrong is one sentence, what to do another.
    assert refusal.message.count(". ") >= 1
    rows = read_rows(tmp_path / "out/refusals.csv")
    assert [row["reason_code"] for row in rows] == [refusal.code]
    assert rows[0]["message"] == refusal.message
    assert read_rows(tmp_path / "out/femurs.csv") == []


@pytest.mark.usefixtures("without_reports")
def test_all_bad_inputs_at_once_and_the_good_one_is_measured(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan
) -> None:
    (tmp_path / "in").mkdir()
    bad = [make(tmp_path / "in") for make in BAD_INPUTS.values()]
    result = measure_inputs([*bad, small_dicom], tmp_path / "out", SETTINGS, measure=known_measure)
    assert len(result.refusals) == len(bad)
    assert [outcome.source for outcome in result.measured] == ["quill_rosalind"]
    rows = read_rows(tmp_path / "out/femurs.csv")
    assert [row["side"] for row in rows] == ["right"]
    assert len(read_rows(tmp_path / "out/refusals.csv")) == len(bad)


def test_a_case_has_its_files_and_nothing_else_lies_about(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan
) -> None:
    result = measure_inputs([small_dicom], tmp_path / "out", SETTINGS, measure=known_measure)
    (case,) = (tmp_path / "out/cases").iterdir()
    assert case.name == result.measured[0].case_id
    shown = {path.name for path in case.iterdir() if path.name[0] != "."}
    assert shown == {
        "result.json",
        "report.html",
        "report.pdf",
        "pictures.npz",
        "surfaces.npz",
        "clinic.json",
        "masks.nii.gz",
    }
    visible = {path.name for path in (tmp_path / "out").iterdir() if path.name[0] != "."}
    assert visible == {
        *TABLES,
        "columns.csv",
        "cases",
        "ledger.sqlite",
        "cohort.html",
        "environment.txt",
    }
    levels = read_rows(tmp_path / "out/sections.csv")
    assert {row["case_id"] for row in levels} == {case.name}


@pytest.mark.usefixtures("without_reports")
def test_measured_again_a_case_takes_its_own_place(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan
) -> None:
    tables = []
    for _ in range(2):
        measure_inputs(
            [small_dicom], tmp_path / "out", SETTINGS, options=AGAIN, measure=known_measure
        )
        tables.append(
            [(tmp_path / "out" / f"{n}.csv").read_bytes() for n in ("femurs", "sections")]
        )
    assert tables[0] == tables[1]
    assert len(list((tmp_path / "out/cases").iterdir())) == 1


@pytest.mark.usefixtures("without_reports")
def test_a_second_scan_joins_the_first(
    tmp_path: Path, small_dicom: Path, small_result: PhantomResult, known_measure: MeasureScan
) -> None:
    write_nifti(small_result, tmp_path / "other.nii.gz")
    for scan in (small_dicom, tmp_path / "other.nii.gz"):
        measure_inputs([scan], tmp_path / "out", SETTINGS, measure=known_measure)
    assert len({row["case_id"] for row in read_rows(tmp_path / "out/femurs.csv")}) == 2


@pytest.mark.usefixtures("without_reports")
def test_a_bug_stops_one_scan_and_its_text_stays_out_of_the_tables(
    tmp_path: Path, small_dicom: Path, small_result: PhantomResult, known_measure: MeasureScan
) -> None:
    write_nifti(small_result, tmp_path / "other.nii.gz")

    def stumble(volume, settings, **others):
        if volume.facts.file_format == "dicom":
            raise KeyError("Quill^Rosalind")
        return known_measure(volume, settings, **others)

    inputs = [small_dicom, tmp_path / "other.nii.gz"]
    result = measure_inputs(inputs, tmp_path / "out", SETTINGS, measure=stumble)
    assert result.found_bug
    assert len(result.measured) == 1
    (refusal,) = result.refusals
    assert refusal.code == "internal-error"
    assert "KeyError" in refusal.message
    assert "Rosalind" not in refusal.message
    bugs = [outcome.bug_text for outcome in result.outcomes if outcome.bug_text]
    assert "Traceback" in bugs[0]


def test_a_scan_refused_by_a_stage_is_a_row(tmp_path: Path, small_dicom: Path) -> None:
    def refuse(volume, settings, **others):
        raise NoBoneError(file=volume.facts.source, detail="There is none.")

    result = measure_inputs([small_dicom], tmp_path / "out", SETTINGS, measure=refuse)
    (row,) = read_rows(tmp_path / "out/refusals.csv")
    assert (row["stage"], row["reason_code"], row["file"]) == (
        "measure",
        "no-bone",
        small_dicom.name,
    )
    assert row["case_id"] == result.outcomes[0].case_id
    assert not list((tmp_path / "out/cases").iterdir())


@pytest.mark.usefixtures("without_reports")
def test_what_was_odd_in_the_files_stands_with_femur_refusal_and_survey(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan
) -> None:
    def refuse(volume, settings, **others):
        raise NoBoneError(file=volume.facts.source, detail="There is none.")

    scan = tmp_path / "scan"
    shutil.copytree(small_dicom, scan)
    first = min(scan.iterdir())
    shutil.copy(first, scan / f"{first.name} (1)")
    for measure, table in ((known_measure, "femurs.csv"), (refuse, "refusals.csv")):
        measure_inputs([scan], tmp_path / "out", SETTINGS, options=AGAIN, measure=measure)
        (row,) = read_rows(tmp_path / "out" / table)
        assert "duplicate-files" in row["warnings"].split(";")
    # Written, read back and written again.
    measure_inputs([make_text(tmp_path)], tmp_path / "out", SETTINGS, measure=refuse)
    rows = read_rows(tmp_path / "out/refusals.csv")
    told = {row["reason_code"]: row["warnings"] for row in rows}
    assert told == {"no-bone": "duplicate-files", "not-an-image": ""}


@pytest.mark.usefixtures("without_reports")
def test_a_refusal_takes_earlier_numbers_away_and_a_success_the_refusal(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan
) -> None:
    def refuse(volume, settings, **others):
        raise NoBoneError(file=volume.facts.source, detail="There is none.")

    n_rows = []
    for measure in (known_measure, refuse, known_measure):
        measure_inputs([small_dicom], tmp_path / "out", SETTINGS, options=AGAIN, measure=measure)
        tables = [read_rows(tmp_path / "out" / name) for name in ("femurs.csv", "refusals.csv")]
        n_rows.append(tuple(map(len, tables)))
    assert n_rows == [(1, 0), (0, 1), (1, 0)]


def test_refusals_of_scans_with_the_same_name_elsewhere_are_kept(tmp_path: Path) -> None:
    for disk in ("monday", "tuesday"):
        (tmp_path / disk / "DICOM").mkdir(parents=True)
        measure_inputs([tmp_path / disk / "DICOM"], tmp_path / "out", SETTINGS)
    measure_inputs([tmp_path / "monday/DICOM"], tmp_path / "out", SETTINGS)
    assert len(read_rows(tmp_path / "out/refusals.csv")) == 2


@pytest.mark.usefixtures("without_reports")
def test_a_run_that_is_stopped_keeps_what_it_finished(
    tmp_path: Path, small_dicom: Path, small_result: PhantomResult, known_measure: MeasureScan
) -> None:
    write_nifti(small_result, tmp_path / "other.nii.gz")

    def stop_at_second(volume, settings, **others):
        if volume.facts.file_format == "nifti":
            raise KeyboardInterrupt
        return known_measure(volume, settings, **others)

    with pytest.raises(KeyboardInterrupt):
        measure_inputs(
            [small_dicom, tmp_path / "other.nii.gz"],
            tmp_path / "out",
            SETTINGS,
            measure=stop_at_second,
        )
    assert len(read_rows(tmp_path / "out/femurs.csv")) == 1


def test_a_full_disk_ends_the_run_and_leaves_no_half_case(
    tmp_path: Path,
    small_dicom: Path,
    known_measure: MeasureScan,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def fill_disk(*args: object, **kwargs: object) -> NoReturn:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(case_files, "write_record", fill_disk)
    with pytest.raises(ResultsNotWritableError, match="space on the disk"):
        measure_inputs([small_dicom], tmp_path / "out", SETTINGS, measure=known_measure)
    assert list((tmp_path / "out/cases").iterdir()) == []
    assert read_rows(tmp_path / "out/femurs.csv") == []


@pytest.mark.usefixtures("without_reports")
def test_a_damaged_record_is_a_row_and_not_an_end(
    tmp_path: Path, small_dicom: Path, small_result: PhantomResult, known_measure: MeasureScan
) -> None:
    out = tmp_path / "out"
    first = measure_inputs([small_dicom], out, SETTINGS, measure=known_measure)
    case_id = first.measured[0].case_id
    (out / "cases" / case_id / "result.json").write_text('{"format": ')
    write_nifti(small_result, tmp_path / "other.nii.gz")
    measure_inputs([tmp_path / "other.nii.gz"], out, SETTINGS, measure=known_measure)
    assert len(read_rows(out / "femurs.csv")) == 1
    (row,) = read_rows(out / "refusals.csv")
    assert (row["case_id"], row["reason_code"]) == (case_id, "record-unreadable")


def list_texts(out: Path) -> dict[str, str]:
    return {
        str(path.relative_to(out)): path.read_text("utf-8", "replace")
        for path in out.rglob("*")
        if path.is_file() and path.suffix in {".csv", ".json", ".html"}
    }


@pytest.mark.parametrize("deidentify", [False, True])
def test_who_was_scanned_stands_on_the_page_and_its_facts_alone(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan, deidentify: bool
) -> None:
    out = tmp_path / "out"
    shutil.copytree(small_dicom, tmp_path / "in/series")
    options = BatchOptions(deidentify=deidentify)
    measure_inputs([tmp_path / "in"], out, SETTINGS, options=options, measure=known_measure)
    named = {
        name for name, text in list_texts(out).items() if "Quill" in text or "PX-552317" in text
    }
    assert {Path(name).name for name in named} == (
        set() if deidentify else {"report.html", "clinic.json"}
    )
    assert not any("quill" in str(path).lower() for path in out.rglob("*"))


def test_deidentified_refusals_name_no_file(tmp_path: Path) -> None:
    folder = tmp_path / "quill_rosalind"
    folder.mkdir()
    bad = [make(folder) for make in BAD_INPUTS.values()]
    (folder / "sub").mkdir()
    shutil.copy(folder / "phases.nii", folder / "sub/rosalind_phases.nii")
    options = BatchOptions(deidentify=True)
    result = measure_inputs([*bad, folder], tmp_path / "out", SETTINGS, options=options)
    assert len(result.refusals) >= len(bad)
    names = {path.name for path in bad if path.suffix} | {"quill", "rosalind"}
    for path in (tmp_path / "out").rglob("*"):
        if path.is_file():
            text = path.read_text("utf-8", "replace")
            assert not [name for name in names if name in text], path.name
    for outcome in result.outcomes:
        assert not [name for name in names if name in outcome.source]


def test_files_that_name_scans_are_for_their_owner_only(tmp_path: Path) -> None:
    measure_inputs([tmp_path / "absent"], tmp_path / "out", SETTINGS)
    hidden = [
        path for path in (tmp_path / "out").iterdir() if path.name in {".case_key", "ledger.sqlite"}
    ]
    assert len(hidden) == 2
    assert {stat.S_IMODE(path.stat().st_mode) for path in hidden} == {0o600}


@pytest.mark.usefixtures("without_reports")
def test_a_listener_hears_every_case_in_order(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan
) -> None:
    heard: list[str] = []

    class Listener:
        def show_survey(self, n_files: int) -> None:
            pass

        def start_batch(self, n_cases: int) -> None:
            heard.append(f"batch of {n_cases}")

        def start_case(self, number: int, source: str) -> None:
            heard.append(f"{number} {source}")

        def show_stage(self, number: int, stage: str) -> None:
            if stage in {"read", "measure right", "write"}:
                heard.append(stage)

        def end_case(self, outcome: object) -> None:
            heard.append("end")

    measure_inputs(
        [small_dicom], tmp_path / "out", SETTINGS, listener=Listener(), measure=known_measure
    )
    stages = ["read", "measure right", "write"]
    assert heard == ["batch of 1", "1 quill_rosalind", *stages, "end"]


def found(source: str, status: str, **facts: object) -> SeriesFound:
    return SeriesFound(source=source, file_format="dicom", status=status, **facts)


def test_a_localizer_is_a_loss_only_where_nothing_else_of_its_study_is_measured() -> None:
    scan = found("day/a", "measurable", chosen=True, study_key="1")
    beside = found("day/a", "left_out", study_key="1")
    alone = found("day/b", "left_out", study_key="2")
    unread = found("day/a", "refused", study_key="1")
    everything = [scan, beside, alone, unread]
    assert [is_companion(one, everything) for one in everything[1:]] == [True, False, False]


def test_files_without_a_study_are_companions_of_their_input() -> None:
    scan = found("day/a.nii", "measurable", chosen=True)
    junk = found("day", "left_out")
    other = found("night", "left_out")
    another = found("night", "left_out", code="report")
    everything = [scan, junk, other, another]
    assert [is_companion(one, everything) for one in everything[1:]] == [True, False, False]


@pytest.mark.usefixtures("without_reports")
def test_a_second_series_of_the_study_is_listed_and_not_counted(
    tmp_path: Path, small_result: PhantomResult, known_measure: MeasureScan
) -> None:
    first, *_ = write_dicom(small_result, tmp_path / "study/fine")
    study_uid = pydicom.dcmread(first, stop_before_pixels=True).StudyInstanceUID
    for path in write_dicom(small_result, tmp_path / "study/again", series_tag="again"):
        header = pydicom.dcmread(path)
        header.StudyInstanceUID = study_uid
        header.save_as(path)
    result = measure_inputs([tmp_path / "study"], tmp_path / "out", SETTINGS, measure=known_measure)
    assert (len(result.measured), len(result.refusals), len(result.left_out)) == (1, 0, 1)
    assert [row["reason_code"] for row in read_rows(tmp_path / "out/refusals.csv")] == [
        "not-chosen"
    ]
