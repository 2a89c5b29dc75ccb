"""Faults of the value scale (C), on two whole femora: what is seen, and what must pass."""

from __future__ import annotations

import numpy as np
import pytest

from canalmorph.errors import CanalMorphError
from canalmorph.read.scans import survey_scans

NOISE_HU = 20


def change_pixels(ds, change):
    """Change a slice's values, as HU, and store them as before."""
    slope, intercept = float(ds.RescaleSlope), float(ds.RescaleIntercept)
    signed = "<i2" if ds.PixelRepresentation else "<u2"
    stored = np.frombuffer(ds.PixelData, signed).reshape(ds.Rows, ds.Columns)
    hu = change(stored * slope + intercept)
    lowest = 0 if signed == "<u2" else -32768
    ds.PixelData = (
        np.clip(np.round((hu - intercept) / slope), lowest, 4095).astype(signed).tobytes()
    )
    return ds


def add_noise(k, hu):
    return hu + np.random.default_rng(k).normal(0, NOISE_HU, hu.shape)


def read_or_refuse(whole_pair, path):
    try:
        return whole_pair.read(path), ""
    except CanalMorphError as error:
        return None, error.code


@pytest.mark.parametrize("shift_hu", [-100, 100])
def test_c27_an_intercept_100_hu_off_is_refused(whole_pair, tmp_path, shift_hu):
    def edit(k, ds):
        ds.RescaleIntercept = str(float(ds.RescaleIntercept) + shift_hu)
        return ds

    path = whole_pair.write(tmp_path / "scan", edit)
    assert read_or_refuse(whole_pair, path) == (None, "not-hounsfield")


@pytest.mark.parametrize("limit_hu", [1000, 1300])
def test_bone_cut_off_at_a_plateau_is_refused(whole_pair, tmp_path, limit_hu):
    def edit(k, ds):
        return change_pixels(ds, lambda hu: np.minimum(add_noise(k, hu), limit_hu))

    path = whole_pair.write(tmp_path / "scan", edit)
    assert read_or_refuse(whole_pair, path) == (None, "bone-clipped")


def test_noise_alone_passes_without_a_word(whole_pair, tmp_path):
    path = whole_pair.write(
        tmp_path / "scan", lambda k, ds: change_pixels(ds, lambda hu: add_noise(k, hu))
    )
    volume = whole_pair.read(path)
    assert set(volume.facts.warnings) <= {"below-air"}
    # Six standard deviations and rounding.
    whole_pair.assert_same_voxels(volume, tolerance_hu=6 * NOISE_HU + 1)


@pytest.mark.parametrize("in_noise", [False, True])
def test_c22_clipped_metal_is_a_warning(whole_pair, tmp_path, in_noise):
    """A rod 18 mm thick, in 100 mm of one thigh, at the highest value of 12 bits."""

    def put_rod(k, hu):
        rows, columns = np.indices(hu.shape)
        rod = np.hypot(rows - 54, columns - 55) * 1.5 < 9
        return np.where(rod & (150 < k < 200), 3071, add_noise(k, hu) if in_noise else hu)

    path = whole_pair.write(
        tmp_path / "scan", lambda k, ds: change_pixels(ds, lambda hu: put_rod(k, hu))
    )
    assert "clipped-high-values" in whole_pair.read(path).facts.warnings


def test_slices_of_another_scale_are_a_warning(whole_pair, tmp_path):
    def edit(k, ds):
        if 100 <= k < 110:
            ds.RescaleSlope = "1.1"
        return ds

    path = whole_pair.write(tmp_path / "scan", edit)
    assert "values-jump" in whole_pair.read(path).facts.warnings
    assert [series.status for series in survey_scans(path)] == ["measurable"]


@pytest.mark.parametrize("n_rows", [1, 5])
def test_rows_of_one_slice_that_are_damaged_are_a_warning(whole_pair, tmp_path, n_rows):
    """As damage to a stream without a checksum leaves them, while most of the slice is sound."""

    def damage(k, hu):
        hu = add_noise(k, hu)
        if k == 150:
            hu[80 : 80 + n_rows] = 1000 - hu[80 : 80 + n_rows]
        return hu

    path = whole_pair.write(
        tmp_path / "scan", lambda k, ds: change_pixels(ds, lambda hu: damage(k, hu))
    )
    assert "values-jump" in whole_pair.read(path).facts.warnings
