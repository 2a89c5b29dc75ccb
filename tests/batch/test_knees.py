"""Hips and knees as two series of one study: both are read, or the hips alone with the reason."""

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from canalmorph.batch.outcomes import BatchOptions, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings
from canalmorph_phantoms.build import PhantomResult

#: The lower end of the hips and the upper end of the knees. [mm]
HIPS_DOWN_TO_MM, KNEES_UP_TO_MM = -110.0, -150.0


@pytest.fixture
def blocks(
    small_result: PhantomResult, write_block: Callable[..., list[Path]], tmp_path: Path
) -> tuple[Path, list[Path]]:
    """Return a folder with both series, and the files of the knees."""
    folder = tmp_path / "legs"
    write_block(small_result, folder, "hips", HIPS_DOWN_TO_MM, 1e3)
    return folder, write_block(small_result, folder, "knees", -1e3, KNEES_UP_TO_MM)


class Recorder:
    """The measures that are known already, and which blocks they were asked for."""

    def __init__(self, known: MeasureScan) -> None:
        self._known = known
        self.asked: list[tuple[CtVolume, CtVolume | None]] = []

    def __call__(
        self,
        volume: CtVolume,
        settings: Settings,
        *,
        case_id: str,
        progress: object = None,
        knees: CtVolume | None = None,
    ) -> ScanMeasurement:
        self.asked.append((volume, knees))
        return self._known(volume, settings, case_id=case_id, knees=knees)


def read_rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_hips_are_measured_with_the_knees_below_them(
    blocks: tuple[Path, list[Path]], known_measure: MeasureScan, tmp_path: Path
) -> None:
    recorder = Recorder(known_measure)
    result = measure_inputs([blocks[0]], tmp_path / "out", Settings(), measure=recorder)
    ((hips, knees),) = recorder.asked
    assert knees is not None
    assert hips.facts.source == "legs/hips"
    assert knees.facts.source == "legs/knees"
    assert knees.index_to_lps_mm[2, 3] < hips.index_to_lps_mm[2, 3]
    assert not result.refusals
    # The knees were used: they are no scan that failed, and none that was left out.
    assert not result.left_out
    assert not read_rows(tmp_path / "out" / "refusals.csv")


@pytest.mark.parametrize("deidentify", [False, True])
def test_knees_that_cannot_be_read_are_a_refusal_and_the_hips_are_measured(
    blocks: tuple[Path, list[Path]],
    known_measure: MeasureScan,
    tmp_path: Path,
    deidentify: bool,
) -> None:
    folder, paths = blocks
    # Bytes that nothing declares: they show only when the pixels are read. A slice alone would be
    # a gap.
    for path in paths:
        path.write_bytes(path.read_bytes() + b"\1\2\3\4")
    recorder, out = Recorder(known_measure), tmp_path / "out"
    options = BatchOptions(deidentify=deidentify)
    result = measure_inputs([folder], out, Settings(), options=options, measure=recorder)
    ((hips, knees),) = recorder.asked
    assert knees is None
    assert len(hips.voxels_hu) > 90
    assert len(read_rows(out / "femurs.csv")) == 1
    (refusal,) = result.refusals
    assert refusal.code == "corrupt-file"
    (row,) = [one for one in read_rows(out / "refusals.csv") if one["reason_code"] == refusal.code]
    assert row["stage"] == "read"
    text = row["file"] + row["message"]
    assert ("knees" in text) == (paths[0].name in text) == (not deidentify)


def test_a_series_of_cut_knees_is_listed_and_the_hips_are_measured(
    blocks: tuple[Path, list[Path]], known_measure: MeasureScan, tmp_path: Path
) -> None:
    folder, paths = blocks
    for path in paths:
        path.write_bytes(path.read_bytes()[:-3000])
    recorder, out = Recorder(known_measure), tmp_path / "out"
    measure_inputs([folder], out, Settings(), measure=recorder)
    ((_, knees),) = recorder.asked
    assert knees is None
    (row,) = read_rows(out / "refusals.csv")
    assert row["reason_code"] == "truncated-file"
    assert paths[0].name in row["message"]
