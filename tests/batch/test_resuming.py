"""A second run does what is missing or changed, and nothing else."""

import json
import os
import shutil
import sqlite3
import stat
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import canalmorph
from canalmorph.batch.digest import DIGEST_NAME
from canalmorph.batch.fingerprint import InputMarker
from canalmorph.batch.ledger import Ledger
from canalmorph.batch.ledger_file import LEDGER_FORM
from canalmorph.batch.outcomes import BatchOptions, BatchResult, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.errors import NoBoneError
from canalmorph.pipeline import ScanMeasurement, Settings
from canalmorph.read.scans import survey_scans
from canalmorph.results_errors import ResultsLedgerError
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_nifti

pytestmark = pytest.mark.usefixtures("without_reports")
SETTINGS = Settings()


class Bench:
    """Two scans, a results folder, and a count of what is measured."""

    def __init__(
        self, folder: Path, dicom: Path, scan: PhantomResult, measure: MeasureScan
    ) -> None:
        self.day, self.out = folder / "day", folder / "out"
        shutil.copytree(dicom, self.day / "hips")
        write_nifti(scan, self.day / "other.nii")
        self._measure = measure
        self.counted: list[str] = []
        self.refusing = ""

    def measure(self, volume, settings, **others) -> ScanMeasurement:
        self.counted.append(volume.facts.file_format)
        if volume.facts.file_format == self.refusing:
            raise NoBoneError(file=volume.facts.source, detail="There is none.")
        return self._measure(volume, settings, **others)

    def run(self, settings: Settings = SETTINGS, **options: bool) -> BatchResult:
        self.counted.clear()
        return measure_inputs(
            [self.day],
            self.out,
            settings,
            options=BatchOptions(**options),
            measure=self.measure,
        )

    def read_tables(self) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in self.out.glob("*.csv")}

    def query(self, statement: str) -> list[tuple[object, ...]]:
        connection = sqlite3.connect(self.out / "ledger.sqlite")
        try:
            return connection.execute(statement).fetchall()
        finally:
            connection.close()


@pytest.fixture
def bench(
    tmp_path: Path, small_dicom: Path, small_result: PhantomResult, known_measure: MeasureScan
) -> Bench:
    return Bench(tmp_path, small_dicom, small_result, known_measure)


def test_a_second_run_measures_nothing_and_shows_everything(bench: Bench) -> None:
    first = bench.run()
    assert sorted(bench.counted) == ["dicom", "nifti"]
    tables = bench.read_tables()
    again = bench.run()
    assert bench.counted == []
    assert bench.read_tables() == tables
    assert [one.kept for one in again.outcomes] == [True, True]
    for new, old in zip(again.outcomes, first.outcomes, strict=True):
        for name in ("source", "case_id", "number", "femora", "refusals", "state"):
            assert getattr(new, name) == getattr(old, name), name


@pytest.mark.slow
def test_again_measures_everything(bench: Bench) -> None:
    bench.run()
    assert not any(one.kept for one in bench.run(again=True).outcomes)
    assert sorted(bench.counted) == ["dicom", "nifti"]


@pytest.mark.slow
def test_other_settings_version_or_names_measure_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    bench.run()
    bench.run(replace(SETTINGS, read=replace(SETTINGS.read, all_series=True)))
    assert len(bench.counted) == 2
    bench.run()
    assert len(bench.counted) == 2
    bench.run(deidentify=True)
    assert len(bench.counted) == 2
    monkeypatch.setattr("canalmorph.batch.run.VERSION", "99.0.0")
    bench.run(deidentify=True)
    assert len(bench.counted) == 2
    bench.run(deidentify=True)
    assert bench.counted == []


def flip_byte(path: Path, place: int) -> None:
    """Change one byte; length and time of the file stay."""
    times = path.stat()
    data = bytearray(path.read_bytes())
    data[place] ^= 0xFF
    path.write_bytes(data)
    os.utime(path, ns=(times.st_atime_ns, times.st_mtime_ns))


@pytest.mark.slow
def test_a_changed_scan_is_measured_anew_and_its_neighbour_is_not(bench: Bench) -> None:
    bench.run()
    flip_byte(sorted((bench.day / "hips").iterdir())[0], -1)
    bench.run()
    assert bench.counted == ["dicom"]
    flip_byte(bench.day / "other.nii", -100)
    result = bench.run()
    assert bench.counted == ["nifti"]
    # Other content is another case; the file's earlier content keeps its own.
    assert len(result.measured) == 2
    assert len(list((bench.out / "cases").iterdir())) == 3
    assert sorted(bench.query("SELECT state, reason FROM cases")) == [("measured", "")] * 3


@pytest.mark.slow
def test_a_moved_and_touched_scan_is_known_again(bench: Bench) -> None:
    bench.run()
    for path in bench.day.rglob("*"):
        os.utime(path, (1, 1))
    (bench.day / "hips").rename(bench.day / "hips moved")
    (bench.day / "other.nii").rename(bench.day / "moved.nii")
    assert len(bench.run().measured) == 2
    assert bench.counted == []


def test_the_same_file_twice_is_one_case_measured_once(bench: Bench) -> None:
    shutil.copy(bench.day / "other.nii", bench.day / "copy.nii")
    bench.run()
    assert len(list((bench.out / "cases").iterdir())) == 2
    for _ in range(2):
        bench.run()
        assert bench.counted == []


@pytest.mark.slow
def test_a_refused_scan_is_kept_until_its_files_are_touched(bench: Bench) -> None:
    bench.refusing = "nifti"
    first = bench.run()
    tables = bench.read_tables()
    bench.refusing = ""
    again = bench.run()
    assert bench.counted == []
    assert bench.read_tables() == tables
    assert again.refusals == first.refusals
    # A file that was mended in a place that the hash does not look at is looked at again.
    os.utime(bench.day / "other.nii", (1, 1))
    assert len(bench.run().measured) == 2
    assert bench.counted == ["nifti"]


def test_a_scan_that_met_a_bug_is_tried_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble(*args: object, **kwargs: object) -> None:
        raise KeyError("anything")

    monkeypatch.setattr(bench, "_measure", stumble)
    assert bench.run().found_bug
    assert {row[0] for row in bench.query("SELECT state FROM cases")} == {"failed"}
    monkeypatch.undo()
    assert len(bench.run().measured) == 2


@pytest.mark.parametrize(
    "harm", [pytest.param("folder", marks=pytest.mark.slow), "record", "ledger"]
)
def test_what_was_lost_is_made_again(bench: Bench, harm: str) -> None:
    result = bench.run()
    tables = bench.read_tables()
    case = bench.out / "cases" / result.outcomes[0].case_id
    if harm == "folder":
        shutil.rmtree(case)
    elif harm == "record":
        (case / "result.json").write_text('{"format": ')
    else:
        (bench.out / "ledger.sqlite").unlink()
    bench.run()
    # Without the ledger the cases are known by their own folders.
    assert len(bench.counted) == (0 if harm == "ledger" else 1)
    assert bench.read_tables() == tables
    assert bench.query("SELECT count(*) FROM cases WHERE state = 'measured'") == [(2,)]


class KilledError(BaseException):
    """Ends a run as a kill does: nothing of the run's own code catches it."""


@pytest.mark.slow
@pytest.mark.parametrize("method", ["start", "queue", "finish"])
def test_a_run_killed_at_the_ledger_is_taken_up_without_measuring_twice(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, method: str
) -> None:
    bench.run()
    tables = bench.read_tables()
    shutil.rmtree(bench.out)

    def die(*args: object, **kwargs: object) -> None:
        raise KilledError

    with monkeypatch.context() as patch:
        patch.setattr(Ledger, method, die)
        with pytest.raises(KilledError):
            bench.run()
    n_done = len(bench.counted)
    assert n_done == (1 if method == "finish" else 0)
    bench.run()
    assert len(bench.counted) == 2 - n_done
    assert bench.read_tables().keys() == tables.keys()
    assert bench.query("SELECT count(*) FROM cases WHERE state = 'measured'") == [(2,)]


def test_the_ledger_tells_state_times_and_terms_of_every_input(bench: Bench) -> None:
    bench.refusing = "nifti"
    (bench.day / "letter.dcm").write_text("Dear colleague")
    (bench.day / "broken.nii").write_bytes(b"")
    bench.run()
    rows = bench.query(
        "SELECT source, state, reason, attempts, settings_hash, software_version, queued_at, "
        "started_at, ended_at, seconds FROM cases ORDER BY source"
    )
    by_source = {row[0]: row for row in rows}
    assert by_source["day/hips"][1:4] == ("measured", "", 1)
    assert by_source["day/other.nii"][1:4] == ("refused", "no-bone", 1)
    assert by_source["day/broken.nii"][1:4] == ("refused", "truncated-file", 0)
    hips = by_source["day/hips"]
    assert hips[4:6] == (SETTINGS.hash_text(), canalmorph.__version__)
    queued, started, ended = hips[6:9]
    assert str(queued) <= str(started) <= str(ended)
    assert 0 < float(str(hips[9])) < 60
    assert stat.S_IMODE((bench.out / "ledger.sqlite").stat().st_mode) == 0o600


def test_others_can_read_the_ledger_while_a_run_writes(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[object] = []
    ordinary = bench._measure

    def look(volume, settings, **others):
        seen.append(bench.query("SELECT count(*) FROM cases WHERE state = 'running'")[0][0])
        modes = {p.name: stat.S_IMODE(p.stat().st_mode) for p in bench.out.glob("ledger*")}
        assert set(modes.values()) == {0o600}
        return ordinary(volume, settings, **others)

    monkeypatch.setattr(bench, "_measure", look)
    bench.run()
    assert seen == [1, 1]


@pytest.mark.parametrize("damage", ["text", pytest.param("newer", marks=pytest.mark.slow)])
def test_a_ledger_that_cannot_be_read_is_left_alone(bench: Bench, damage: str) -> None:
    bench.run()
    ledger = bench.out / "ledger.sqlite"
    if damage == "text":
        ledger.write_bytes(b"no database, but long enough to be looked at" * 50)
    else:
        bench.query(f"PRAGMA user_version = {LEDGER_FORM + 1}")
    before = ledger.read_bytes()
    with pytest.raises(ResultsLedgerError, match=r"Move that file elsewhere"):
        bench.run()
    assert ledger.read_bytes() == before


@pytest.mark.slow
def test_a_digest_of_other_columns_is_passed_over(bench: Bench) -> None:
    result = bench.run()
    tables = bench.read_tables()
    digest = bench.out / "cases" / result.outcomes[0].case_id / DIGEST_NAME
    content = json.loads(digest.read_bytes())
    content["form"] = "canalmorph-digest-3 other"
    content["lines"] = {"femurs.csv": "nonsense\n"}
    digest.write_text(json.dumps(content))
    (bench.day / "other.nii").unlink()
    assert len(bench.run(again=False).measured) == 1
    assert bench.read_tables()["femurs.csv"] == tables["femurs.csv"]


def test_a_detached_header_is_marked_with_its_voxels(tmp_path: Path) -> None:
    voxels = np.zeros((40, 40, 40), np.int16)
    (tmp_path / "scan.raw").write_bytes(voxels.tobytes())
    (tmp_path / "scan.nhdr").write_text(
        "NRRD0005\ntype: int16\ndimension: 3\nsizes: 40 40 40\nencoding: raw\nendian: little\n"
        "space: left-posterior-superior\nspace directions: (1,0,0) (0,1,0) (0,0,1)\n"
        "space origin: (0,0,0)\ndata file: scan.raw\n"
    )

    def mark() -> str:
        (series,) = (one for one in survey_scans([tmp_path]) if one.plan is not None)
        return InputMarker().mark_input(series).content

    before = mark()
    assert mark() == before
    flip_byte(tmp_path / "scan.raw", 0)
    assert mark() != before


def test_a_zip_is_marked_by_its_checksums(tmp_path: Path, small_dicom: Path) -> None:
    marks = []
    copy = tmp_path / "copy"
    shutil.copytree(small_dicom, copy)
    for name in ("a.zip", "b.zip"):
        shutil.make_archive(str(tmp_path / name.removesuffix(".zip")), "zip", copy)
        (series,) = (one for one in survey_scans([tmp_path / name]) if one.chosen)
        marks.append(InputMarker().mark_input(series).content)
        flip_byte(sorted(copy.iterdir())[0], -1)
    assert marks[0] != marks[1]


MARK_OF_FOLDER = """
import sys
from canalmorph.batch.fingerprint import InputMarker
from canalmorph.read.scans import survey_scans
(series,) = (one for one in survey_scans([sys.argv[1]]) if one.chosen)
print(InputMarker().mark_input(series).content)
"""


def test_a_scan_of_a_named_patient_is_known_again_by_another_process(
    small_dicom: Path, tmp_path: Path
) -> None:
    """Nothing of a mark may hang on the process; a patient's other name is another mark."""

    def mark(folder: Path) -> str:
        command = [sys.executable, "-c", MARK_OF_FOLDER, str(folder)]
        return subprocess.run(command, capture_output=True, text=True, check=True).stdout

    (series,) = (one for one in survey_scans([small_dicom]) if one.chosen)
    assert mark(small_dicom).strip() == InputMarker().mark_input(series).content
    renamed = tmp_path / "renamed"
    shutil.copytree(small_dicom, renamed)
    for path in renamed.iterdir():
        path.write_bytes(path.read_bytes().replace(b"Quill^Rosalind", b"Quill^Rosamund"))
    (other,) = (one for one in survey_scans([renamed]) if one.chosen)
    assert InputMarker().mark_input(other).content != InputMarker().mark_input(series).content
