"""The scanner's slices travel to their own table, and only where they were asked for."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.export.record import read_record
from canalmorph.export.rows import make_case_rows
from canalmorph.export.tables import write_tables
from canalmorph.measure.axial import measure_axial
from canalmorph.model.columns import AXIAL_COLUMNS
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings

SETTINGS = Settings()


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture(scope="module")
def axial_measure(measurement: ScanMeasurement) -> MeasureScan:
    """Give the measures that are known already, with slices where the settings ask for them."""

    def measure(
        volume: CtVolume,
        settings: Settings,
        *,
        case_id: str,
        progress: Callable[[str], None] = lambda stage: None,
    ) -> ScanMeasurement:
        femora = [
            replace(femur, axial=measure_axial(aligned, settings.measure))
            if settings.measure.axial
            else femur
            for femur, aligned in zip(measurement.case.femora, measurement.aligned, strict=True)
        ]
        case = replace(measurement.case, case_id=case_id, scan=volume.facts, femora=tuple(femora))
        return replace(measurement, case=case)

    return measure


@pytest.mark.slow
def test_slices_have_a_table_only_where_they_were_asked_for(
    tmp_path: Path, small_dicom: Path, axial_measure: MeasureScan
) -> None:
    out = tmp_path / "out"
    with_axial = replace(SETTINGS, measure=replace(SETTINGS.measure, axial=True))
    contents = []
    for settings in (SETTINGS, with_axial, SETTINGS):
        measure_inputs([small_dicom], out, settings, measure=axial_measure)
        contents.append({path.name: path.read_bytes() for path in out.glob("*.csv")})
    plain, asked, plain_again = contents
    assert plain == plain_again
    assert set(asked) - set(plain) == {"axial.csv"}
    for name in ("femurs.csv", "sections.csv", "refusals.csv"):
        assert asked[name] == plain[name]
    assert b"axial.csv" not in plain["columns.csv"]


def test_rows_are_whole_and_can_be_made_again_from_the_record(
    tmp_path: Path, small_dicom: Path, axial_measure: MeasureScan
) -> None:
    out, again = tmp_path / "out", tmp_path / "again"
    settings = replace(SETTINGS, measure=replace(SETTINGS.measure, axial=True))
    measure_inputs([small_dicom], out, settings, measure=axial_measure)
    (record,) = out.glob("cases/*/result.json")
    again.mkdir()
    write_tables(again, [make_case_rows(read_record(record))])
    assert (again / "axial.csv").read_bytes() == (out / "axial.csv").read_bytes()
    rows = read_rows(out / "axial.csv")
    expected = []
    for column in AXIAL_COLUMNS:
        expected += [column.name, f"{column.name}_u"] if column.measured else [column.name]
    assert list(rows[0]) == expected
    explained = [r["name"] for r in read_rows(out / "columns.csv") if r["table"] == "axial.csv"]
    assert explained == expected
    heights = np.array([float(row["slice_z_mm"]) for row in rows])
    # The scan's slices, 1.5 mm apart, from the top down; the table has four decimals.
    np.testing.assert_allclose(np.diff(heights), -1.5, atol=2e-4)
    assert {row["side"] for row in rows} == {"right"}
    assert {row["case_id"] for row in rows} == {record.parent.name}
