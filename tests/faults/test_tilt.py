"""A tilted gantry (A12): slices go to their true places in the patient, or the scan is refused."""

from math import degrees, radians, tan

import numpy as np
import pytest
from scipy import ndimage

from canalmorph.read.scans import read_series
from canalmorph.read.tilt import make_tilt, place_slice


def write_tilted(bench, *, drift_mm, axis=1, **tags):
    """Write P in slices 3 mm apart that drift sideways, with P's values at their true places."""
    datasets = []
    for k in range(24):
        origin = np.array([-70.5, -46.5, -34.5 + 3 * k])
        origin[axis] += drift_mm * k
        phantom = bench.make_phantom(
            shape=(1, 64, 96), spacing_mm=(3.0, 1.5, 1.5), origin_mm=tuple(origin)
        )
        (ds,) = phantom.datasets(**tags)
        ds.SOPInstanceUID, ds.InstanceNumber = f"1.2.826.0.1.3680043.8.498.4.{k + 1}", k + 1
        ds.SliceThickness = "3"
        datasets.append(ds)
    return bench.write(datasets)


@pytest.mark.parametrize("drift_mm", [1.5, -1.5])
@pytest.mark.parametrize("axis", [0, 1])
@pytest.mark.parametrize("lost", [None, 9])
def test_a12_slices_that_drift_by_whole_pixels_are_in_their_places(bench, drift_mm, axis, lost):
    paths = write_tilted(bench, drift_mm=drift_mm, axis=axis)
    if lost is not None:
        paths[lost].unlink()
    found = bench.chosen()
    volume = read_series(found)
    assert "tilt-undone" in volume.facts.warnings
    assert found.n_slices == 24 - (lost is not None)
    assert volume.spacing_mm == pytest.approx([3.0, 1.5, 1.5])
    # Nothing is averaged: each value is P's at the place where it lies; beyond the slices is air.
    index = np.stack(np.indices(volume.voxels_hu.shape), axis=-1).astype(float)
    points = index @ volume.index_to_lps_mm[:3, :3].T + volume.index_to_lps_mm[:3, 3]
    true = bench.hu_at(np.round(points, 3))
    own = points[..., axis] - drift_mm * (points[..., 2] + 34.5) / 3
    size_mm = 1.5 * (96 if axis == 0 else 64)
    low = -70.5 if axis == 0 else -46.5
    inside = (own > low - 0.1) & (own < low + size_mm - 1.4)
    there = np.arange(24) != lost
    assert np.array_equal(volume.voxels_hu[there][inside[there]], true[there][inside[there]])
    assert np.all(volume.voxels_hu[there][~inside[there]] == -1024)
    # Every pixel of every slice is kept.
    assert inside.sum() == 24 * 64 * 96
    assert [gap.width_mm for gap in volume.gaps] == ([] if lost is None else [6.0])


@pytest.mark.parametrize("tilt_deg", [15.0, -18.5, 0.3])
def test_a12_a_tilt_is_undone_to_the_hundredth_of_a_pixel(tilt_deg):
    """A wave of 8 pixels, as fine as a kernel leaves, is moved without being blurred."""
    drift = 2.5 * tan(radians(tilt_deg))
    tilt = make_tilt((drift, 0.0), 40, (60, 3))
    out = np.empty(tilt.shape, np.int16)
    for place in (0, 1, 17, 39):
        shift, _ = tilt.shift_pixels(place)
        rows = np.arange(60.0)
        wave = 1000 * np.sin(2 * np.pi * (rows + shift) / 8)
        wave[[0, -1]] = -1024, 3000  # a slice's extremes bound it; these are told to no row seen
        place_slice(np.round(wave).astype(np.int16)[:, None].repeat(3, 1), (shift, 0.0), out)
        expected = 1000 * np.sin(2 * np.pi * np.arange(tilt.shape[0]) / 8)
        seen = slice(int(np.ceil(shift)) + 8, int(shift) + 52)
        # At a frequency of 1/8 the response of cubic splines is 1 - 0.001; rounding adds 1.
        assert np.abs(out[seen, 1] - expected[seen]).max() < 3.0
        assert np.all(out[: int(np.floor(shift)), 1] == -1024)


def test_a12_a_header_that_states_the_tilt_must_agree(bench):
    stated = degrees(np.arctan(0.5))
    write_tilted(bench, drift_mm=1.5, GantryDetectorTilt=f"{-stated:.1f}")
    assert "tilt-undone" in bench.read().facts.warnings
    write_tilted(bench, drift_mm=1.5, GantryDetectorTilt="0")
    refusal = bench.refusal()
    assert refusal.code == "tilted-gantry"
    assert "26.6 degrees, the header says 0.0" in refusal.message
    assert "GantryDetectorTilt" in refusal.tag


def test_a12_a_stack_sheared_by_more_than_a_gantry_tilts_is_refused(bench):
    write_tilted(bench, drift_mm=2.0)
    refusal = bench.refusal()
    assert refusal.code == "tilted-gantry"
    assert "33.7 degrees" in refusal.message


@pytest.mark.slow
def test_a12_a_tilted_scan_measures_as_p(whole_pair, tmp_path):
    """P's right leg on a stack tilted by 15 degrees: each slice sampled where it lies."""
    drift_mm = 2.0 * tan(radians(15.0))
    n_slices = len(whole_pair.volume.voxels_hu)
    # The slices are as much larger as the leg drifts across them.
    rim = int(np.ceil(drift_mm * n_slices))

    def tilt(k, ds):
        half = ds.Columns // 2
        stored = np.frombuffer(ds.PixelData, "<u2").reshape(ds.Rows, ds.Columns)[:, :half]
        hu = stored.astype(float) + float(ds.RescaleIntercept)
        hu = np.pad(hu, ((rim, 0), (0, 0)), mode="edge")
        moved = ndimage.shift(hu, (-drift_mm * k, 0.0), order=5, mode="nearest")
        ds.Rows, ds.Columns = moved.shape
        stored = np.clip(np.round(moved - float(ds.RescaleIntercept)), 0, 4095)
        ds.PixelData, ds.GantryDetectorTilt = stored.astype("<u2").tobytes(), "15"
        x, y, z = map(float, ds.ImagePositionPatient)
        ds.ImagePositionPatient = [x, f"{y - rim + drift_mm * k:.6f}", z]
        return ds

    volume = whole_pair.read(whole_pair.write(tmp_path / "tilted", tilt))
    assert volume.facts.warnings == ("tilt-undone",)
    case = whole_pair.measure(volume)
    whole_pair.assert_same_as_p(case, sides=("right",))
