"""A refusal stands as long as what was refused does, and no longer."""

import csv
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

from canalmorph.batch.ledger import open_ledger
from canalmorph.batch.outcomes import MeasureScan
from canalmorph.batch.run import list_unused, measure_inputs
from canalmorph.errors import NoBoneError
from canalmorph.pipeline import Settings
from canalmorph.read.found import SeriesFound

SETTINGS = Settings()


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.usefixtures("without_reports")
def test_a_refusal_does_not_outlive_what_was_refused(
    small_dicom: Path, known_measure: MeasureScan, tmp_path: Path
) -> None:
    def measure(day: Path) -> list[str]:
        measure_inputs([day], out, SETTINGS, measure=known_measure)
        return sorted(row["reason_code"] for row in read_rows(out / "refusals.csv"))

    day, other, out = tmp_path / "day", tmp_path / "other" / "day", tmp_path / "out"
    (day / "a").mkdir(parents=True)
    other.mkdir(parents=True)
    slices = sorted(small_dicom.iterdir())
    assert measure(other) == ["no-images"]
    assert measure(day) == ["no-images", "no-images"]
    # The folder is filled, but a slice of it is damaged; the other day is still empty.
    for path in slices:
        shutil.copy(path, day / "a")
    (day / "a" / slices[3].name).write_bytes(slices[3].read_bytes()[:400])
    assert measure(day) == ["corrupt-file", "no-images"]
    # Nothing is known of what cannot be reached now.
    day.rename(tmp_path / "away")
    assert measure(day) == ["corrupt-file", "no-images", "not-found"]
    (tmp_path / "away").rename(day)
    shutil.copy(slices[3], day / "a")
    assert measure(day) == ["no-images"]
    shutil.copy(slices[3], other)
    assert "no-images" not in measure(other)


def test_a_refusal_whose_reason_is_gone_is_asked_for_anew(
    small_dicom: Path, tmp_path: Path
) -> None:
    def find_nothing(*args: object, **kwargs: object) -> NoReturn:
        raise NoBoneError(file="x", detail="There is none.")

    out = tmp_path / "out"
    measure_inputs([small_dicom], out, SETTINGS, measure=find_nothing)
    with open_ledger(out) as ledger:
        ledger.connection.execute("DELETE FROM refusals")
    again = measure_inputs([small_dicom], out, SETTINGS, measure=find_nothing)
    assert [one.code for one in again.refusals] == [NoBoneError.code]


def test_what_has_no_series_uid_is_not_taken_for_the_knees_of_another() -> None:
    knees = SeriesFound(source="day/b.nii", file_format="dicom", status="left_out")
    hip = SeriesFound(
        source="day/a", file_format="dicom", status="measurable", chosen=True, knees=knees
    )
    damaged = SeriesFound(source="day/c", file_format="other", status="refused", code="no-images")
    assert list_unused([hip, knees, damaged]) == [damaged]
