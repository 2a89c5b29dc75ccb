"""Torsion from one scan of the whole femur, and from hips and knees scanned apart."""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from canalmorph.batch.run import measure_inputs
from canalmorph.femur_errors import NoFemurError
from canalmorph.model.femur import TORSION_METHOD, Plane
from canalmorph.model.results import FemurResult
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings, measure_scan
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL

#: The hips end 190 mm below the head's centre and the knees begin 300 mm below it.
HIPS_DOWN_TO_MM, KNEES_UP_TO_MM = -230.0, -300.0


@pytest.fixture(scope="module")
def whole() -> PhantomResult:
    small = SMALL["small_right"]
    scanner = replace(
        small.scanner,
        x_range_mm=(-150.0, -5.0),
        y_range_mm=(-60.0, 72.0),
        z_range_mm=(-425.0, 42.0),
    )
    femur = replace(small.femora[0], internal_rotation_deg=-15.0)
    shape = replace(femur.shape, torsion_deg=-8.0, epicondyle_proud_mm=4.0)
    return build_scan(
        replace(
            small,
            name="whole_retroverted",
            scanner=scanner,
            femora=(replace(femur, shape=shape),),
        )
    )


Cut = Callable[[CtVolume, float, float], CtVolume]


def measure(volume: CtVolume, knees: CtVolume | None = None) -> FemurResult:
    return measure_scan(volume, Settings(), case_id="blocks", knees=knees).case.femora[0]


@pytest.fixture(scope="module")
def in_one(whole: PhantomResult) -> FemurResult:
    return measure(whole.volume)


@pytest.fixture(scope="module")
def batch(
    whole: PhantomResult,
    write_block: Callable[..., list[Path]],
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[FemurResult, dict[str, str]]:
    """Return the femur of two DICOM series, measured by the batch, and its row of the table."""
    folder = tmp_path_factory.mktemp("blocks")
    write_block(whole, folder / "legs", "hips", HIPS_DOWN_TO_MM, 1e3)
    write_block(whole, folder / "legs", "knees", -1e3, KNEES_UP_TO_MM)
    found = []

    def measure_and_keep(*volumes: CtVolume, **others: Any) -> ScanMeasurement:
        found.append(measure_scan(*volumes, **others))
        return found[-1]

    outcome = measure_inputs(
        [folder / "legs"], folder / "out", Settings(), measure=measure_and_keep
    )
    assert not outcome.refusals
    with (folder / "out" / "femurs.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    (femur,) = found[0].case.femora
    return femur, row


@pytest.fixture(scope="module")
def in_two(batch: tuple[FemurResult, dict[str, str]]) -> FemurResult:
    return batch[0]


def test_whole_femur_has_torsion_length_and_planes(
    whole: PhantomResult, in_one: FemurResult
) -> None:
    truth, values = whole.truth.femora[0], in_one.indices.values
    for name, true, worst in (
        ("torsion_deg", truth.torsion_deg, 1.5),  # the promise
        ("torsion_transepicondylar_deg", truth.torsion_transepicondylar_deg, 2.0),
        ("femur_length_mm", truth.length_mm, 1.5),  # a slice of 1.5 mm
    ):
        found = values[name]
        assert found.value is not None
        assert found.u is not None
        assert abs(found.value - true) < worst, name
        assert abs(found.value - true) < 3 * found.u, name
    assert values["torsion_deg"].value < 0
    assert values["cfi_ml_condylar"].known
    assert values["cfi_ml_rotation_10_deg_change"].known


def test_two_blocks_agree_with_the_whole(in_one: FemurResult, in_two: FemurResult) -> None:
    one, two = in_one.indices.values, in_two.indices.values
    for name, worst in (
        ("torsion_deg", 0.5),  # the shaft axis ends elsewhere, and the crop's blocks differ
        ("femur_length_mm", 0.5),
        ("mechanical_axis_length_mm", 1.0),
    ):
        assert one[name].value is not None
        assert two[name].value == pytest.approx(one[name].value, abs=worst), name
    assert "knee_from_second_block" in in_two.warnings
    assert "knee_from_second_block" not in in_one.warnings


def test_the_table_has_the_torsion_of_two_blocks_and_says_so(
    whole: PhantomResult, batch: tuple[FemurResult, dict[str, str]]
) -> None:
    femur, row = batch
    torsion = femur.indices.values["torsion_deg"]
    assert float(row["torsion_deg"]) == pytest.approx(torsion.value, abs=1e-3)
    assert float(row["torsion_deg"]) == pytest.approx(whole.truth.femora[0].torsion_deg, abs=1.5)
    assert row["torsion_method"] == TORSION_METHOD
    assert "knee_from_second_block" in row["warnings"].split(";")


@pytest.mark.slow
def test_what_was_odd_in_either_block_is_said(whole: PhantomResult, cut_between: Cut) -> None:
    def mark(volume: CtVolume, *warnings: str) -> CtVolume:
        return replace(volume, facts=replace(volume.facts, warnings=warnings))

    hips = mark(cut_between(whole.volume, HIPS_DOWN_TO_MM, 1e3), "no-preamble", "below-air")
    knees = mark(cut_between(whole.volume, -1e3, KNEES_UP_TO_MM), "below-air", "lossy-compression")
    case = measure_scan(hips, Settings(), case_id="blocks", knees=knees).case
    assert case.scan.warnings == ("no-preamble", "below-air", "lossy-compression")


def test_no_section_is_made_between_the_blocks(in_two: FemurResult) -> None:
    profile = in_two.profile
    heights = profile.frame.origin_lps_mm[2] + profile.levels_mm * profile.frame.proximal[2]
    assert heights.min() > HIPS_DOWN_TO_MM


@pytest.mark.slow
def test_hips_alone_say_why_there_is_no_torsion(whole: PhantomResult, cut_between: Cut) -> None:
    alone = measure(cut_between(whole.volume, HIPS_DOWN_TO_MM, 1e3))
    assert not alone.indices.values["torsion_deg"].known
    assert alone.indices.reasons["torsion_deg"] == "The scan ends above the femoral condyles."
    assert alone.indices.values["cfi_ml"].known == ("cfi_ml" not in alone.indices.reasons)


def test_thigh_and_knee_alone_are_refused(whole: PhantomResult, cut_between: Cut) -> None:
    with pytest.raises(NoFemurError):
        measure(cut_between(whole.volume, -1e3, -70.0))


@pytest.mark.slow
def test_without_a_neck_the_condyles_give_the_plane(
    whole: PhantomResult, in_one: FemurResult, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canalmorph.align.femur.find_neck_axis", lambda *_: None)
    found = measure(whole.volume)
    assert found.profile.frame.plane is Plane.CONDYLAR
    assert {"neck_not_found"} <= set(found.warnings)
    assert not found.indices.values["torsion_deg"].known
    assert "neck" in found.indices.reasons["torsion_deg"]
    here, there = found.indices.values["cfi_ml"], in_one.indices.values["cfi_ml_condylar"]
    assert here.value is not None
    assert there.value is not None
    assert here.u is not None
    # The isthmus's plane shifts the axis's end by a little: within the stated uncertainty.
    assert abs(here.value - there.value) < 2 * here.u
