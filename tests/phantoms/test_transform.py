"""Moved, mirrored and re-gridded phantoms hold the same anatomy."""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph_phantoms.build import PhantomResult, rasterise_scan
from canalmorph_phantoms.spec import PhantomScan
from canalmorph_phantoms.transform import (
    POSITION_SIGNS,
    PatientPosition,
    mirror_scan,
    position_patient,
    regrid_scan,
    reverse_slices,
    rotate_patient,
    shift_patient,
    turn_grid,
)


@pytest.fixture(scope="module")
def hip_spec(quiet_spec: PhantomScan) -> PhantomScan:
    scanner = replace(quiet_spec.scanner, z_range_mm=(-75.0, 40.0))
    return replace(quiet_spec, scanner=scanner)


def test_mirror_image_equals_the_mirrored_voxels(hip_spec: PhantomScan) -> None:
    right = rasterise_scan(hip_spec, seed=1)
    left = rasterise_scan(mirror_scan(hip_spec), seed=1)
    difference = left.voxels_hu[:, :, ::-1].astype(int) - right.voxels_hu
    # Equal but for rounding of coordinates, which can tip a sample on a border; along a line the
    # shares are exact, so that a tip is worth little.
    assert np.abs(difference).max() <= 2
    assert np.mean(difference != 0) < 1e-3
    assert mirror_scan(mirror_scan(hip_spec)).femora == hip_spec.femora


def test_shift_with_the_grid_keeps_the_voxels(hip_spec: PhantomScan) -> None:
    shift = (16.0, -8.0, 32.0)
    here = rasterise_scan(hip_spec, seed=1)
    there = rasterise_scan(shift_patient(hip_spec, shift, with_grid=True), seed=1)
    # The shift is exact in binary, rounding differs in the last bits.
    assert np.abs(there.voxels_hu.astype(int) - here.voxels_hu).max() <= 2
    moved = there.index_to_lps_mm[:3, 3] - here.index_to_lps_mm[:3, 3]
    assert moved == pytest.approx(shift)


def test_half_a_turn_twice_is_the_same_patient(hip_spec: PhantomScan) -> None:
    turned = rotate_patient(hip_spec, (0.0, 0.0, 1.0), 90.0, centre_mm=(-95.0, 0.0, 0.0))
    back = rotate_patient(turned, (0.0, 0.0, 1.0), -90.0, centre_mm=(-95.0, 0.0, 0.0))
    assert back.patient_shift_mm == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
    assert back.patient_rotation_deg == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)
    with pytest.raises(ValueError, match="axis"):
        rotate_patient(hip_spec, (0.0, 0.0, 0.0), 5.0)


def test_regridding_changes_the_voxels_only(hip_spec: PhantomScan) -> None:
    coarse = regrid_scan(hip_spec, pixel_mm=2.0, slice_spacing_mm=3.0)
    volume = rasterise_scan(coarse, seed=1)
    assert volume.spacing_mm == pytest.approx((3.0, 2.0, 2.0))
    assert coarse.femora == hip_spec.femora


def test_turned_grids_hold_the_same_points(quiet: PhantomResult) -> None:
    volume = quiet.volume
    turned = turn_grid(volume, order=(2, 0, 1), flips=(True, False, True))
    rng = np.random.default_rng(2)
    for index in rng.integers(0, turned.voxels_hu.shape, size=(50, 3)):
        point = turned.index_to_lps_mm @ [*index, 1.0]
        k, j, i = np.rint(np.linalg.inv(volume.index_to_lps_mm) @ point)[:3].astype(int)
        assert turned.voxels_hu[tuple(index)] == volume.voxels_hu[k, j, i]
    with pytest.raises(ValueError, match="order"):
        turn_grid(volume, order=(0, 0, 1), flips=(False, False, False))


@pytest.mark.parametrize("position", sorted(POSITION_SIGNS))
def test_positions_are_right_handed_and_undo_themselves(
    quiet: PhantomResult, position: PatientPosition
) -> None:
    turned = position_patient(quiet.volume, position)
    # Columns are k, j, i: right-handed in (i, j, k) is left-handed in (k, j, i).
    assert np.linalg.det(turned.index_to_lps_mm[:3, :3]) < 0
    back = position_patient(turned, position)
    assert np.array_equal(back.voxels_hu, quiet.volume.voxels_hu)
    assert back.index_to_lps_mm == pytest.approx(quiet.volume.index_to_lps_mm)
    reversed_twice = reverse_slices(reverse_slices(turned))
    assert np.array_equal(reversed_twice.voxels_hu, turned.voxels_hu)
