"""The plausibility gate: what is CT passes, what only looks like numbers does not."""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph.errors import CanalMorphError
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.read.gate import check_volume
from canalmorph.read.settings import ReadSettings


def make_thigh(*, noise_hu: float = 12.0, air: bool = True) -> CtVolume:
    """Return a thigh of round parts: air, fat, muscle, cortex, marrow."""
    _, j, i = np.indices((40, 60, 60))
    r = np.hypot(j - 29.5, i - 29.5)
    hu = np.select(
        [r < 4, r < 9, r < 20, r < 26], [-60, 1400, 55, -100], -1000 if air else -100
    ) + np.random.default_rng(7).normal(0, noise_hu, r.shape)
    matrix = np.diag([2.0, 1, 1, 1])[:, [2, 1, 0, 3]]
    matrix[:, :3] = [[0, 0, 1], [0, 1, 0], [2, 0, 0], [0, 0, 0]]
    facts = ScanFacts(source="scan", file_format="dicom", series_key="1", input_sha256="0")
    voxels = np.clip(np.round(hu), -1024, 3071).astype(np.int16)
    return CtVolume(voxels_hu=voxels, index_to_lps_mm=matrix, facts=facts)


def with_voxels(volume: CtVolume, values: np.ndarray) -> CtVolume:
    return replace(volume, voxels_hu=np.clip(np.round(values), -32768, 32767).astype(np.int16))


@pytest.mark.parametrize("noise_hu", [0.0, 12.0, 60.0])
@pytest.mark.parametrize("air", [True, False])
def test_a_thigh_passes_unchanged(noise_hu, air):
    volume = make_thigh(noise_hu=noise_hu, air=air)
    checked = check_volume(volume, ReadSettings())
    assert np.array_equal(checked.voxels_hu, volume.voxels_hu)
    assert checked.facts == volume.facts


@pytest.mark.parametrize("half", [11, 14, 20])
def test_a_tight_crop_around_the_bone_passes(half):
    volume = make_thigh()
    crop = volume.voxels_hu[:, 30 - half : 30 + half, 30 - half : 30 + half].copy()
    assert check_volume(replace(volume, voxels_hu=crop), ReadSettings()).facts.warnings == ()


@pytest.mark.parametrize("fill", [-1024, -2000, -2048, -3024, -32768])
def test_fill_outside_the_field_of_view_becomes_air(fill):
    volume = make_thigh()
    j, i = np.indices((60, 60))
    outside = np.hypot(j - 29.5, i - 29.5) > 28
    voxels = volume.voxels_hu.copy()
    voxels[:, outside] = fill
    checked = check_volume(replace(volume, voxels_hu=voxels), ReadSettings())
    assert np.all(checked.voxels_hu[:, outside] == -1024)
    assert np.array_equal(checked.voxels_hu[:, ~outside], volume.voxels_hu[:, ~outside])


def test_clipped_metal_passes_with_a_warning():
    volume = make_thigh()
    voxels = volume.voxels_hu.copy()
    voxels[5:25, 28:32, 28:32] = 3071
    checked = check_volume(replace(volume, voxels_hu=voxels), ReadSettings())
    assert checked.facts.warnings == ("clipped-high-values",)


@pytest.mark.parametrize(
    "change",
    [
        lambda hu: hu + 1024,
        lambda hu: hu + 1000,
        lambda hu: hu + 512,
        lambda hu: hu - 1024,
        lambda hu: hu - 1000,
        lambda hu: hu * 0.5,
        lambda hu: hu * 2,
        lambda hu: hu * 10,
        lambda hu: -hu,
        lambda hu: np.clip((hu + 200) / 8, 0, 255),
        lambda hu: (hu + 1000) * 0.0002,
        lambda hu: np.abs(hu + 1000),
    ],
    ids=["+1024", "+1000", "+512", "-1024", "-1000", "/2", "x2", "x10", "neg", "8bit", "mu", "abs"],
)
@pytest.mark.parametrize("noise_hu", [3.0, 12.0])
def test_what_is_not_hounsfield_is_refused(change, noise_hu):
    volume = make_thigh(noise_hu=noise_hu)
    with pytest.raises(CanalMorphError) as caught:
        check_volume(with_voxels(volume, change(volume.voxels_hu.astype(float))), ReadSettings())
    assert caught.value.code in ("not-hounsfield", "only-air", "no-bone")


@pytest.mark.parametrize("noise_hu", [0.0, 12.0, 40.0])
@pytest.mark.parametrize("offset_hu", [-200, -100, 100, 150])
def test_an_intercept_that_is_off_is_seen_in_air(offset_hu, noise_hu):
    volume = make_thigh(noise_hu=noise_hu)
    with pytest.raises(CanalMorphError) as caught:
        check_volume(with_voxels(volume, volume.voxels_hu.astype(int) + offset_hu), ReadSettings())
    assert caught.value.code == "not-hounsfield"


@pytest.mark.parametrize("offset_hu", [-40, 40])
@pytest.mark.parametrize("noise_hu", [0.0, 12.0, 40.0])
def test_air_of_a_real_scanner_may_lie_a_little_off(offset_hu, noise_hu):
    volume = make_thigh(noise_hu=noise_hu)
    check_volume(with_voxels(volume, volume.voxels_hu.astype(int) + offset_hu), ReadSettings())


@pytest.mark.parametrize("fill", [-1024, -2000, -3024])
@pytest.mark.parametrize("gas_hu", [-900, -860], ids=["foam", "lung"])
def test_gas_without_air_is_no_sign_of_a_wrong_intercept(fill, gas_hu):
    """A padded field of view, full of tissue, with a few voxels of gas, or with broad lung."""
    volume = make_thigh(noise_hu=12.0, air=False)
    j, i = np.indices((60, 60))
    voxels = volume.voxels_hu.copy()
    voxels[:, np.hypot(j - 29.5, i - 29.5) > 28] = fill
    few = voxels.copy()
    few[:, 50:54, 20:24] = gas_hu  # 0.4 % of the voxels
    check_volume(replace(volume, voxels_hu=few), ReadSettings())
    broad = np.random.default_rng(2).normal(gas_hu, 80, (40, 12, 30))
    voxels[:, 45:57, 15:45] = np.round(broad)
    check_volume(replace(volume, voxels_hu=voxels), ReadSettings())


def test_air_beside_more_foam_passes():
    volume = make_thigh()
    voxels = volume.voxels_hu.copy()
    air = voxels < -900
    air[:, :50] = False
    foam = np.random.default_rng(2).normal(-900, 12, voxels.shape)
    voxels[air] = np.round(foam[air])
    check_volume(replace(volume, voxels_hu=voxels), ReadSettings())


@pytest.mark.parametrize("limit_hu", [700, 1000, 1300])
def test_bone_that_was_cut_off_is_refused(limit_hu):
    volume = make_thigh()
    with pytest.raises(CanalMorphError) as caught:
        check_volume(with_voxels(volume, np.minimum(volume.voxels_hu, limit_hu)), ReadSettings())
    assert caught.value.code == "bone-clipped"
    assert str(limit_hu) in str(caught.value)


@pytest.mark.parametrize("slope", [0.75, 1.0, 2.0])
def test_bone_that_was_drawn_passes_whatever_its_slices_say(slope):
    volume = make_thigh(noise_hu=0.0)
    voxels = volume.voxels_hu.astype(float)
    voxels[1::2] = np.round((voxels[1::2] + 1024.0) / slope) * slope - 1024
    voxels[::3] += 10
    checked = check_volume(with_voxels(volume, voxels), ReadSettings())
    assert checked.facts.warnings == ()


@pytest.mark.parametrize("slope", [1.0, 0.75, 2.0, 5.0])
def test_bone_that_runs_out_by_itself_passes(slope):
    volume = make_thigh(noise_hu=25.0)
    stored = np.round((volume.voxels_hu + 1024.0) / slope)
    check_volume(with_voxels(volume, stored * slope - 1024), ReadSettings())


@pytest.mark.parametrize("slices", [slice(20, 21), slice(10, 13), slice(26, None)])
@pytest.mark.parametrize(
    "change",
    [lambda hu: hu + 80, lambda hu: (hu + 1024) * 0.75 - 1024, lambda hu: 1.1 * hu + 80],
    ids=["intercept", "slope", "both"],
)
def test_a_slice_of_another_scale_is_a_warning(change, slices):
    volume = make_thigh(noise_hu=30.0)
    voxels = volume.voxels_hu.astype(float)
    voxels[slices] = change(voxels[slices])
    checked = check_volume(with_voxels(volume, voxels), ReadSettings())
    assert "values-jump" in checked.facts.warnings


@pytest.mark.parametrize("damage", ["air", "noise", "shuffled"])
def test_a_damaged_slice_is_a_warning(damage):
    volume = make_thigh()
    voxels = volume.voxels_hu.copy()
    chance = np.random.default_rng(5)
    voxels[17] = {
        "air": np.full((60, 60), -1000),
        "noise": chance.integers(-1000, 1400, (60, 60)),
        "shuffled": chance.permutation(voxels[17].ravel()).reshape(60, 60),
    }[damage]
    checked = check_volume(replace(volume, voxels_hu=voxels), ReadSettings())
    assert checked.facts.warnings == ("values-jump",)


@pytest.mark.parametrize("noise_hu", [0.0, 12.0])
@pytest.mark.parametrize("sizes", [(40, 90, 40), (40, 48, 75), (60, 40, 60)])
def test_a_size_that_is_not_the_pixels_own_is_refused(sizes, noise_hu):
    volume = make_thigh(noise_hu=noise_hu)
    wrong = replace(volume, voxels_hu=volume.voxels_hu.reshape(sizes).copy())
    with pytest.raises(CanalMorphError) as caught:
        check_volume(wrong, ReadSettings())
    assert caught.value.code == "corrupt-file"


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_a_body_that_ends_in_view_is_no_jump(axis):
    volume = make_thigh(noise_hu=12.0)
    voxels = volume.voxels_hu.copy()
    voxels[30:] = -1000
    turned = np.moveaxis(voxels, 0, axis).copy()
    assert check_volume(replace(volume, voxels_hu=turned), ReadSettings()).facts.warnings == ()


@pytest.mark.parametrize("air_hu", [-1000, -1024])
def test_a_drawn_phantom_without_fat_and_noise_passes(air_hu):
    volume = make_thigh(noise_hu=0.0)
    voxels = volume.voxels_hu.copy()
    voxels[(voxels < 0) & (voxels > -900)] = 40
    voxels[voxels < -900] = air_hu
    voxels[voxels == 1400] = 1100
    assert check_volume(replace(volume, voxels_hu=voxels), ReadSettings()).facts.warnings == ()
    with pytest.raises(CanalMorphError) as caught:
        check_volume(with_voxels(volume, voxels.astype(int) + 1024), ReadSettings())
    assert caught.value.code == "not-hounsfield"


@pytest.mark.parametrize("value", [-1000, 0, 40, 1500])
def test_a_constant_volume_is_refused(value):
    volume = make_thigh()
    with pytest.raises(CanalMorphError):
        check_volume(with_voxels(volume, np.full((40, 60, 60), value)), ReadSettings())


def test_a_volume_without_bone_is_refused():
    volume = make_thigh()
    with pytest.raises(CanalMorphError) as caught:
        check_volume(with_voxels(volume, np.minimum(volume.voxels_hu, 90)), ReadSettings())
    assert caught.value.code == "no-bone"


@pytest.mark.parametrize(
    ("matrix", "code"),
    [
        (np.diag([2.0, 1, 1, 1]), None),
        (np.diag([0.002, 0.001, 0.001, 1]), "implausible-voxel-size"),
        (np.diag([2000.0, 1000, 1000, 1]), "implausible-voxel-size"),
        (np.array([[2.0, 0.2, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]), "not-orthogonal"),
        (np.diag([np.nan, 1, 1, 1]), "not-orthogonal"),
        (np.diag([0.0, 1, 1, 1]), "not-orthogonal"),
    ],
)
def test_the_grid_must_be_plausible(matrix, code):
    volume = replace(make_thigh(), index_to_lps_mm=matrix)
    if code is None:
        check_volume(volume, ReadSettings())
        return
    with pytest.raises(CanalMorphError) as caught:
        check_volume(volume, ReadSettings())
    assert caught.value.code == code


@pytest.mark.parametrize("shape", [(5, 60, 60), (40, 60, 4)])
def test_too_few_voxels_along_an_axis_are_refused(shape):
    volume = make_thigh()
    k, j, i = shape
    crop = volume.voxels_hu[:k, 30 - j // 2 : 30 + j // 2, 30 - i // 2 : 30 + i // 2].copy()
    with pytest.raises(CanalMorphError) as caught:
        check_volume(replace(volume, voxels_hu=crop), ReadSettings())
    assert caught.value.code == "too-few-slices"
