"""What cannot be measured is refused, with its reason, and takes nothing else with it."""

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import (
    CanalNotFollowedError,
    HeadNotInViewError,
    NoFemurError,
    SlicesAlongShaftError,
)
from canalmorph.locate.femora import locate_femurs
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import Settings, measure_scan
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL

if TYPE_CHECKING:
    from conftest import Stages

SETTINGS = Settings()


def refuse(volume: CtVolume) -> CanalMorphError:
    with pytest.raises(CanalMorphError) as caught:
        measure_scan(volume, SETTINGS, case_id="refused")
    return caught.value


def test_soft_tissue_alone_has_no_femur(muscle_volume: CtVolume) -> None:
    error = refuse(muscle_volume)
    assert isinstance(error, NoFemurError)
    assert muscle_volume.facts.source in str(error)


def test_a_long_bone_without_a_head_is_no_femur(tube_volume: CtVolume) -> None:
    error = refuse(tube_volume)
    assert isinstance(error, NoFemurError)
    assert error.n_long_bones == 1


def test_a_scan_that_ends_under_the_trochanter_gives_head_and_trochanter_alone() -> None:
    result = build_scan(SMALL["small_hip_only"])
    (femur,) = measure_scan(result.volume, SETTINGS, case_id="hip").case.femora
    truth = result.truth.femora[0]
    # 25 mm below the trochanter hold no 15 mm of shaft under its flare: no axis, no width.
    known = {name: value for name, value in femur.indices.values.items() if value.known}
    head = ["head_x_mm", "head_y_mm", "head_z_mm", "head_diameter_mm", "head_to_lt_mm"]
    head.append("cancellous_neck_hu")  # the neck needs no shaft
    assert set(known) == {*head, "lt_x_mm", "lt_y_mm", "lt_z_mm"}
    for name, true in zip(head[:3], truth.head_mm, strict=True):
        assert known[name].value == pytest.approx(true, abs=3 * known[name].u)
    assert known["head_diameter_mm"].value == pytest.approx(truth.head_diameter_mm, abs=0.5)
    assert known["lt_z_mm"].value == pytest.approx(truth.lt_mm[2], abs=3 * known["lt_z_mm"].u)
    assert "shaft_not_in_view" in femur.warnings
    assert "ends under the hip" in femur.indices.reasons["canal_ml_lt_mm"]
    assert "ends under the hip" in femur.indices.reasons["neck_shaft_angle_deg"]
    assert femur.advice.fixation.value == "not_given"


def test_a_hip_scan_gives_head_and_neck_and_says_what_lies_below_it(
    small_right: PhantomResult,
    right_stages: "Stages",
    cut_between: Callable[[CtVolume, float, float], CtVolume],
) -> None:
    """The scan ends 75 mm below the lesser trochanter: neither LT-100 nor the isthmus is in it."""
    end_mm = small_right.truth.femora[0].lt_mm[2] - 75.0
    hip = cut_between(small_right.volume, end_mm, 1e3)
    (femur,) = measure_scan(hip, SETTINGS, case_id="hip").case.femora
    found, whole = femur.indices.values, right_stages.indices.values
    given = ["head_diameter_mm", "neck_shaft_angle_deg", "femoral_offset_mm", "canal_ml_lt_mm"]
    given += ["outer_ml_lt_mm", "mcfi_ml", "rod_lt_to_minus60_mm"]
    for name in given:
        one, other = found[name], whole[name]
        assert one.known, name
        assert abs(one.value - other.value) < 3 * np.hypot(one.u, other.u), name
    bound, flare = found["cfi_ml_lower_bound"], whole["cfi_ml"]
    assert bound.value < flare.value + 3 * np.hypot(bound.u, flare.u)
    blank = ["canal_ml_lt_minus100_mm", "cti_ml_lt_minus100", "cti_ap_lt_minus100", "cfi_ml"]
    blank += ["isthmus_canal_ml_mm", "bow_radius_mm", "rod_lt_to_minus100_mm", "torsion_deg"]
    for name in blank:
        assert not found[name].known, name
        assert "scan" in femur.indices.reasons[name] or "is needed" in femur.indices.reasons[name]
    assert "isthmus_not_in_view" in femur.warnings


@pytest.fixture(scope="module")
def thighs(pair: PhantomResult) -> CtVolume:
    """The scan begins 25 mm over the lesser trochanters, which lie at -53 mm."""
    volume = pair.volume
    heights = volume.index_to_lps_mm[2, 3] + volume.index_to_lps_mm[2, 0] * np.arange(
        len(volume.voxels_hu)
    )
    return replace(volume, voxels_hu=np.ascontiguousarray(volume.voxels_hu[heights < -28.0]))


@pytest.mark.slow
def test_thighs_without_heads_give_canal_and_trochanter(
    pair: PhantomResult, thighs: CtVolume
) -> None:
    case = measure_scan(thighs, SETTINGS, case_id="thighs").case
    assert {femur.side for femur in case.femora} | {one.side for one in case.refusals} == {
        "left",
        "right",
    }
    assert case.femora
    for femur in case.femora:
        truth = pair.truth.femora[0 if femur.side == "right" else 1]
        assert femur.profile.frame.plane == "scanner"
        values = femur.indices.values
        assert values["lt_z_mm"].value == pytest.approx(truth.lt_mm[2], abs=1.5)
        blank = ("head_diameter_mm", "neck_shaft_angle_deg", "femoral_offset_mm")
        assert not any(values[name].known for name in blank)
        assert "head_not_in_view" in femur.warnings
        assert "not in view" in femur.indices.reasons["head_diameter_mm"]
        section = truth.named_sections["lt_minus100"]
        assert values["canal_ml_lt_minus100_mm"].value == pytest.approx(
            section["canal_ml_scanner_mm"], abs=0.6
        )


def test_two_bones_in_each_leg_are_shins_not_thighs(thighs: CtVolume) -> None:
    """A rod of bone beside each shaft, as the fibula: shins have a bump like a trochanter's too."""
    voxels = thighs.voxels_hu.copy()
    affine = thighs.index_to_lps_mm
    columns = np.arange(voxels.shape[2]) * affine[0, 2] + affine[0, 3]
    rows = np.arange(voxels.shape[1]) * affine[1, 1] + affine[1, 3]
    femurs = locate_femurs(thighs, SETTINGS.locate)
    assert len(femurs) == 2
    for femur in femurs:
        place = femur.shaft_path_lps_mm.mean(axis=0)
        # The axis leans by some 9 degrees: 30 mm away the rod is 20 to 40 mm from it everywhere.
        x = place[0] - 30.0 * femur.side.medial_x_sign
        away = np.hypot(rows[:, None] - place[1], columns[None, :] - x)
        voxels[:, away < 6.0] = 900
    assert isinstance(refuse(replace(thighs, voxels_hu=voxels)), NoFemurError)


def test_a_femur_whose_head_is_not_in_view_is_refused(right_volume: CtVolume) -> None:
    # The head's centre lies at 0 mm: the scan begins 40 mm below.
    heights = right_volume.index_to_lps_mm[2, 3] + 1.5 * np.arange(len(right_volume.voxels_hu))
    below = np.ascontiguousarray(right_volume.voxels_hu[heights < -40.0])
    error = refuse(replace(right_volume, voxels_hu=below))
    assert isinstance(error, NoFemurError)


def cut_right_thigh(volume: CtVolume, z_mm: float) -> CtVolume:
    """Return the scan with air in place of the right thigh below a height: an amputation."""
    voxels, affine = volume.voxels_hu.copy(), volume.index_to_lps_mm
    x = affine[0, 3] + affine[0, 2] * np.arange(voxels.shape[2])
    z = affine[2, 3] + affine[2, 0] * np.arange(voxels.shape[0])
    voxels[np.ix_(z < z_mm, np.full(voxels.shape[1], True), x < 0)] = -1000
    return replace(volume, voxels_hu=voxels)


@pytest.mark.slow
def test_a_femur_that_cannot_be_measured_takes_nothing_from_the_other(pair: PhantomResult) -> None:
    # The lesser trochanter lies at -53 mm.
    cut = cut_right_thigh(pair.volume, -80.0)
    case = measure_scan(cut, SETTINGS, case_id="one").case
    hip, femur = case.femora
    assert (hip.side, femur.side) == ("right", "left")
    # The stump gives its head, and no number of a shaft.
    assert "shaft_not_in_view" in hip.warnings
    assert not hip.indices.values["canal_ml_lt_mm"].known
    assert hip.indices.values["head_diameter_mm"].known
    assert "shaft_not_in_view" not in femur.warnings
    truth = pair.truth.femora[1]
    assert truth.side == "left"
    # Voxels of 1.2 x 1.2 x 1.5 mm: the tolerance is half of one, and tells the two femora, whose
    # canals differ by 4 mm, apart.
    measured = femur.indices.values["canal_ml_lt_minus100_mm"].value
    assert measured == pytest.approx(truth.named_sections["lt_minus100"]["canal_ml_mm"], abs=0.6)


@pytest.mark.slow
def test_a_femur_without_a_head_is_refused_and_not_passed_over(pair: PhantomResult) -> None:
    """The left hip's bone turned to muscle, as where a head is missing or hidden by metal."""
    volume = pair.volume
    voxels, affine = volume.voxels_hu.copy(), volume.index_to_lps_mm
    x = affine[0, 3] + affine[0, 2] * np.arange(voxels.shape[2])
    z = affine[2, 3] + affine[2, 0] * np.arange(voxels.shape[0])
    # The trochanter lies at -53 mm: with 8 mm of bone over it, no valley shows that it is one.
    hip = np.ix_(z > -45.0, np.full(voxels.shape[1], True), x > 0)
    voxels[hip] = np.minimum(voxels[hip], 50)
    case = measure_scan(replace(volume, voxels_hu=voxels), SETTINGS, case_id="one").case
    assert [femur.side for femur in case.femora] == ["right"]
    (refusal,) = case.refusals
    assert (refusal.side, refusal.code) == ("left", HeadNotInViewError.code)


def test_bone_that_the_reconstruction_circle_cuts_gives_no_width_there(
    small_right: PhantomResult,
) -> None:
    """Padding read as air makes a crisp edge in the bone, which is no periosteum."""
    voxels = small_right.volume.voxels_hu.copy()
    voxels[:, :, :42] = -1024  # 6 mm into the lateral cortex of the shaft
    error = refuse(replace(small_right.volume, voxels_hu=voxels))
    assert isinstance(error, CanalNotFollowedError)
    assert "field of view" in str(error)


def test_thick_slices_along_the_shaft_are_refused(right_volume: CtVolume) -> None:
    """Sagittal slabs of 3 mm: the canal at LT-100 read 14.0 mm instead of 12.2."""
    whole = right_volume.voxels_hu.shape[2] // 3 * 3
    slabs = right_volume.voxels_hu[:, :, :whole].astype(float)
    slabs = slabs.reshape(*slabs.shape[:2], -1, 3).mean(axis=3)
    affine = right_volume.index_to_lps_mm.copy()
    affine[:3, 3] += affine[:3, 2]
    affine[:3, 2] *= 3.0
    error = refuse(
        replace(right_volume, voxels_hu=slabs.round().astype(np.int16), index_to_lps_mm=affine)
    )
    assert isinstance(error, SlicesAlongShaftError)
