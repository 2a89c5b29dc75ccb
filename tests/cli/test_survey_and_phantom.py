"""``survey`` says what would be measured and why not the rest; ``phantom`` writes known femora."""

import json
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import read_series, survey_scans
from canalmorph_cli.commands.survey import INDENT, describe_series, fold_line
from canalmorph_phantoms import catalogue
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.catalogue import CATALOGUE, SMALL


def test_survey_names_every_series_its_fate_and_what_to_do(
    tmp_path: Path, small_dicom: Path, run: Callable
) -> None:
    shutil.copytree(small_dicom, tmp_path / "day/series")
    (tmp_path / "broken.nii.gz").write_bytes(b"\x1f\x8b torn")
    said = run("survey", tmp_path / "day", tmp_path / "broken.nii.gz", tmp_path / "absent")
    assert said.status == 4
    lines = said.out.splitlines()
    assert lines[0].startswith("measure ")
    assert "day/series" in lines[0]
    assert "every 1.5 mm" in lines[0]
    assert sum(line.startswith("cannot be read") for line in lines) == 2
    assert "Check the path" in said.out
    assert "1 of 3 would be measured, 2 cannot be read, 0 left out." in said.out
    # A survey shows what a screen in a clinic may show: no patient.
    assert "Quill" not in said.out
    assert "PX-552317" not in said.out


def test_survey_of_nothing_usable_is_status_3(tmp_path: Path, run: Callable) -> None:
    assert run("survey", tmp_path).status == 3


def test_survey_of_good_scans_is_status_0(small_dicom: Path, run: Callable) -> None:
    assert run("survey", small_dicom).status == 0


def test_survey_and_measure_take_the_same_series(small_dicom: Path, run: Callable) -> None:
    chosen = [series for series in survey_scans(small_dicom) if series.chosen]
    lines = [
        line for line in run("survey", small_dicom).out.splitlines() if line.startswith("measure ")
    ]
    assert len(lines) == len(chosen)


def test_survey_says_what_was_odd_and_what_to_do(
    tmp_path: Path, small_dicom: Path, run: Callable
) -> None:
    shutil.copytree(small_dicom, tmp_path / "series")
    first = min((tmp_path / "series").iterdir())
    shutil.copy(first, tmp_path / "series/copy")
    said = run("survey", tmp_path / "series").out
    assert (
        "note: Identical copies of files were left out. Nothing to do; the volume is whole." in said
    )


def test_survey_lists_what_is_measured_first_and_what_to_do_with_the_rest(
    tmp_path: Path, small_dicom: Path, run: Callable
) -> None:
    shutil.copytree(small_dicom, tmp_path / "day/b")
    (tmp_path / "day/a.nii").write_bytes(b"")
    (tmp_path / "day/notes.txt").write_text("seen")
    said = run("survey", tmp_path / "day").out.splitlines()
    verdicts = [line[:14].strip() for line in said if line[:1].strip()]
    assert verdicts[:3] == ["measure", "cannot be read", "left out"]
    (todo,) = [line.strip() for line in said if "to do:" in line]
    assert todo == "to do: Nothing."


@pytest.mark.parametrize("width", [40, 100])
def test_survey_folds_lines_on_a_terminal_and_breaks_no_path(width: int) -> None:
    path = "day/" + "x" * 60 + "/series"
    found = SeriesFound(
        source=path,
        file_format="dicom",
        status="refused",
        code="missing-slices",
        message="So many slices are missing that no scan is left. Send the whole series again.",
    )
    lines = [part for line in describe_series(found) for part in fold_line(line, width)]
    assert any(path in line for line in lines)
    assert all(len(line) <= width or path in line for line in lines)
    assert all(line.startswith(INDENT) for line in lines[1:])
    text = " ".join(line.strip() for line in lines)
    assert "Send the whole series again. [missing-slices]" in text


def test_names_of_files_cannot_steer_the_terminal(tmp_path: Path, run: Callable) -> None:
    evil = tmp_path / "scan\x1b[2J[red].nii"
    evil.write_text("no image")
    said = run("survey", evil)
    assert "\x1b" not in said.out
    assert "scan?[2J[red].nii" in said.out


def test_phantom_lists_all_with_their_purpose(run: Callable) -> None:
    said = run("phantom", "--list")
    assert said.status == 0
    listed = dict(line.split(maxsplit=1) for line in said.out.splitlines())
    assert listed == {name: spec.purpose for name, spec in CATALOGUE.items()}


@pytest.mark.parametrize("scan_format", ["dicom", "nifti"])
def test_phantom_writes_the_scan_and_its_truth(
    tmp_path: Path,
    run: Callable,
    monkeypatch: pytest.MonkeyPatch,
    small_result: PhantomResult,
    scan_format: str,
) -> None:
    monkeypatch.setattr(catalogue, "CATALOGUE", SMALL)
    said = run("phantom", "small_right", "--out", tmp_path, "--format", scan_format)
    assert said.status == 0, said.err
    truth = json.loads((tmp_path / "small_right.truth.json").read_text("utf-8"))
    assert truth["femora"][0]["side"] == "right"
    (found,) = (one for one in survey_scans(tmp_path) if one.chosen)
    volume = read_series(found)
    assert np.array_equal(volume.voxels_hu, small_result.volume.voxels_hu) or (
        scan_format == "nifti"
    )
    # NIfTI keeps another order of axes: compare what stands at one place in the patient.
    for place in ((40, 60, 30), (100, 50, 90)):
        index = np.array([*place, 1.0])
        lps = small_result.volume.index_to_lps_mm @ index
        k, j, i, _ = np.rint(np.linalg.solve(volume.index_to_lps_mm, lps)).astype(int)
        assert volume.voxels_hu[k, j, i] == small_result.volume.voxels_hu[place]


@pytest.mark.parametrize(
    "words",
    [["phantom"], ["phantom", "no_such_one", "--out", "x"], ["phantom", "normal_pair"]],
    ids=["no-name", "unknown", "no-folder"],
)
def test_phantom_called_wrongly_is_status_2(run: Callable, words: list[str]) -> None:
    said = run(*words)
    assert said.status == 2
    assert len(said.err.strip().splitlines()) == 1
