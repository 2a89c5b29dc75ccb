"""Femora found or not, and their side, however the grid lies."""

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canalmorph.femur_errors import NoFemurError, SideContradictionError
from canalmorph.locate.femora import locate_femurs
from canalmorph.locate.settings import LocateSettings
from canalmorph.model.femur import Side
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.spec import Scanner
from canalmorph_phantoms.transform import turn_grid
from canalmorph_phantoms.tubes import Tube, build_tube

if TYPE_CHECKING:
    from conftest import Stages

#: Between the two halves of a made pair. [HU, mm]
FAT_HU, BETWEEN_MM = -100, 50
#: Orders of the old axes and flips of the new ones: the four positions, the two other planes of
#: slicing, and a left-handed grid.
GRIDS = [
    pytest.param((0, 1, 2), (True, False, True), id="feet first"),
    pytest.param((0, 1, 2), (False, True, True), id="prone"),
    pytest.param((0, 1, 2), (True, True, False), id="feet first, prone"),
    pytest.param((0, 1, 2), (True, False, False), id="slices downwards, left-handed"),
    pytest.param((1, 0, 2), (False, True, False), id="coronal slices"),
    pytest.param((2, 0, 1), (True, False, True), id="sagittal slices"),
    pytest.param((2, 1, 0), (True, True, True), id="sagittal, all turned round"),
]


def locate(volume: CtVolume, **settings: object) -> tuple:
    return locate_femurs(volume, LocateSettings(**settings))


def join_halves(volume: CtVolume, first: str, second: str) -> CtVolume:
    """Return a scan whose right and left half are ``own`` (the right femur) or ``mirrored``."""
    halves = {"own": volume.voxels_hu, "mirrored": volume.voxels_hu[:, :, ::-1]}
    k, j, _ = volume.voxels_hu.shape
    between = np.full((k, j, BETWEEN_MM), FAT_HU, np.int16)
    voxels = np.concatenate([halves[first], between, halves[second]], axis=2)
    return replace(volume, voxels_hu=np.ascontiguousarray(voxels))


def test_one_right_femur(right_stages: "Stages", small_right: PhantomResult) -> None:
    truth, femur = small_right.truth.femora[0], right_stages.femur
    assert femur.side is Side.RIGHT
    assert femur.head is not None
    # The bar for voxels up to 0.8 x 1 mm is 0.7 mm; these are 1 x 1.5 mm.
    assert np.linalg.norm(femur.head.centre_lps_mm - truth.head_mm) < 0.7
    assert 2 * femur.head.radius_mm == pytest.approx(truth.head_diameter_mm, abs=1.5)
    assert femur.shaft_leaves_scan
    # Its path is the shaft: near the axis below the trochanter, from below to above.
    path = femur.shaft_path_lps_mm
    assert (np.diff(path[:, 2]) > 0).all()
    arm = path - np.array(truth.origin_mm)
    levels = arm @ np.array(truth.up)
    aside = np.linalg.norm(arm - levels[:, None] * np.array(truth.up), axis=1)
    # The bow of 900 mm leaves the axis by some millimetres: within the canal, 6 mm to each side.
    assert aside[(levels < -30) & (levels > -120)].max() < 6.0


def test_the_crop_holds_the_femur_where_it_was(right_stages: "Stages") -> None:
    volume, femur = right_stages.volume, right_stages.femur
    crop = femur.crop
    to_scan = np.linalg.inv(volume.index_to_lps_mm) @ crop.index_to_lps_mm
    first = np.rint(to_scan[:3, 3]).astype(int)
    assert to_scan[:3, 3] == pytest.approx(first, abs=1e-9)
    ends = first + crop.voxels_hu.shape
    part = volume.voxels_hu[first[0] : ends[0], first[1] : ends[1], first[2] : ends[2]]
    assert np.array_equal(crop.voxels_hu, part)
    to_index = np.linalg.inv(crop.index_to_lps_mm)
    for point in (*femur.shaft_path_lps_mm, femur.head.centre_lps_mm):
        index = (to_index @ np.append(point, 1.0))[:3]
        assert (index > 0).all()
        assert (index < np.array(crop.voxels_hu.shape) - 1).all()


def test_a_mirror_swaps_the_side(right_stages: "Stages", mirrored_stages: "Stages") -> None:
    assert mirrored_stages.femur.side is Side.LEFT
    flip = np.array([-1.0, 1.0, 1.0])
    ours, other = right_stages.femur.head, mirrored_stages.femur.head
    # Rays over the sphere are no mirror images: within the stated uncertainty.
    assert other.centre_lps_mm == pytest.approx(flip * ours.centre_lps_mm, abs=3 * ours.centre_u_mm)


def test_both_femora_right_before_left(small_right: PhantomResult) -> None:
    right, left = locate(join_halves(small_right.volume, "own", "mirrored"))
    assert (right.side, left.side) == (Side.RIGHT, Side.LEFT)
    assert right.head.centre_lps_mm[0] < left.head.centre_lps_mm[0]
    assert right.head.radius_mm == pytest.approx(left.head.radius_mm, abs=0.3)


@pytest.mark.parametrize(("order", "flips"), GRIDS)
def test_the_grid_does_not_matter(
    order: tuple[int, int, int],
    flips: tuple[bool, bool, bool],
    right_stages: "Stages",
) -> None:
    (found,) = locate(turn_grid(right_stages.volume, order=order, flips=flips))
    expected = right_stages.femur
    assert found.side is expected.side
    # The turned grid is the same grid, to the rounding of its corner.
    assert found.head.centre_lps_mm == pytest.approx(expected.head.centre_lps_mm, abs=1e-6)
    assert found.head.radius_mm == pytest.approx(expected.head.radius_mm, abs=1e-6)
    assert found.shaft_path_lps_mm == pytest.approx(expected.shaft_path_lps_mm, abs=1e-6)
    assert np.array_equal(found.crop.voxels_hu, expected.crop.voxels_hu)
    assert found.crop.index_to_lps_mm == pytest.approx(expected.crop.index_to_lps_mm, abs=1e-6)


@pytest.mark.parametrize(
    "halves", [("mirrored", "own"), ("own", "own"), ("mirrored", "mirrored")], ids="-".join
)
def test_crossed_or_doubled_sides_are_refused(
    halves: tuple[str, str], small_right: PhantomResult
) -> None:
    """A left femur on the right: half of the scan was mirrored somewhere."""
    with pytest.raises(SideContradictionError, match="orientation") as refusal:
        locate(join_halves(small_right.volume, *halves))
    assert refusal.value.source == small_right.volume.facts.source


def test_a_bone_without_a_head_is_no_femur() -> None:
    scanner = Scanner(
        pixel_mm=1.5,
        slice_spacing_mm=2.0,
        slice_thickness_mm=2.0,
        x_range_mm=(-60.0, 60.0),
        y_range_mm=(-60.0, 60.0),
        z_range_mm=(-100.0, 100.0),
    )
    with pytest.raises(NoFemurError, match="one long bone") as refusal:
        locate(build_tube(Tube(), scanner))
    assert refusal.value.n_long_bones == 1


def test_a_femur_whose_head_is_not_in_view_is_no_femur(small_right: PhantomResult) -> None:
    volume = small_right.volume
    lt_z = small_right.truth.femora[0].lt_mm[2]
    top = int((lt_z + 10.0 - volume.index_to_lps_mm[2, 3]) / volume.index_to_lps_mm[2, 0])
    with pytest.raises(NoFemurError, match="none with a femoral head"):
        locate(replace(volume, voxels_hu=volume.voxels_hu[:top].copy()))


@pytest.mark.parametrize("hu", [-1000, 55, 1500], ids=["air", "muscle", "solid bone"])
def test_a_uniform_volume_holds_no_bone(hu: int, small_right: PhantomResult) -> None:
    volume = small_right.volume
    with pytest.raises(NoFemurError, match="no long bone") as refusal:
        locate(replace(volume, voxels_hu=np.full((60, 80, 80), hu, np.int16)))
    assert refusal.value.n_long_bones == 0


def test_noise_alone_holds_no_bone(small_right: PhantomResult) -> None:
    rng = np.random.default_rng(1)
    noise = rng.normal(50, 120, (60, 80, 80)).astype(np.int16)
    with pytest.raises(NoFemurError):
        locate(replace(small_right.volume, voxels_hu=noise))


def test_a_tiny_volume_is_refused_not_a_crash(small_right: PhantomResult) -> None:
    for shape in ((2, 2, 2), (1, 60, 60), (60, 3, 3)):
        with pytest.raises(NoFemurError):
            locate(replace(small_right.volume, voxels_hu=np.full(shape, 900, np.int16)))


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("block_mm", 0.5),
        ("block_mm", 6.0),
        ("least_head_inliers", 0.0),
        ("least_head_inliers", 1.0),
    ],
)
def test_impossible_settings_are_a_wrong_call(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        LocateSettings(**{name: value})


def test_shaft_chains_are_round_and_long(find_tube_chains: Callable) -> None:
    (chain,) = find_tube_chains(Tube())
    # Blocks of 2.5 mm: the centre of a filled disc of 100 of them is known to tenths.
    assert np.abs(chain.centres_lps_mm[:, :2]).max() < 0.5
    # A low threshold puts the outline outside, by up to half a block.
    assert chain.areas_mm2.min() > np.pi * 14.0**2
    assert chain.areas_mm2.max() < np.pi * (14.0 + 2.5 / 2) ** 2
    assert chain.length_mm > 170.0


@pytest.mark.parametrize(
    "tube",
    [
        Tube(outer_ml_mm=60.0, outer_ap_mm=60.0, canal_ml_mm=40.0, canal_ap_mm=40.0),
        Tube(outer_ml_mm=14.0, outer_ap_mm=14.0, canal_ml_mm=5.0, canal_ap_mm=5.0),
        Tube(outer_ml_mm=44.0, outer_ap_mm=20.0, canal_ml_mm=20.0, canal_ap_mm=8.0),
    ],
    ids=["too thick", "too thin", "too flat"],
)
def test_other_sections_are_no_shaft(tube: Tube, find_tube_chains: Callable) -> None:
    assert find_tube_chains(tube) == []
