"""Slices that were lost: what is there keeps its place, and nothing is measured where they lay."""

import numpy as np
import pytest

from canalmorph.model.volume import find_covered
from canalmorph.read.scans import read_series


@pytest.mark.parametrize("lost", [[10, 11, 12], [1], [22], [5, 6, 14]])
def test_a1_missing_slices_leave_a_gap_at_its_true_place(bench, lost):
    datasets = bench.phantom.datasets()
    bench.write([ds for k, ds in enumerate(datasets) if k not in lost])
    found, volume = bench.chosen(), bench.read()
    assert found.warnings == ("gap-in-slices",)
    assert found.n_slices == 24 - len(lost)
    # Every slice that is there lies where it lay: no averaged spacing.
    assert np.allclose(volume.index_to_lps_mm, bench.phantom.index_to_lps_mm, atol=1e-5)
    there = [k for k in range(24) if k not in lost]
    assert np.array_equal(volume.voxels_hu[there], bench.phantom.voxels_hu[there])
    middles = np.array([[0.0, 0.0, -34.5 + 3 * k] for k in range(24)])
    assert [k for k in range(24) if find_covered(volume.gaps, middles)[k]] == lost
    for gap in volume.gaps:
        assert f"{gap.width_mm:.1f} mm from z {gap.low_mm:.1f} to" in found.message
        assert gap.describe() in volume.facts.slice_gaps


def test_a1_what_is_put_into_a_gap_lies_between_its_neighbours(bench):
    datasets = bench.phantom.datasets()
    bench.write(datasets[:10] + datasets[13:])
    voxels, true = bench.read().voxels_hu, bench.phantom.voxels_hu
    expected = np.rint(0.75 * true[9] + 0.25 * true[13])
    assert np.array_equal(voxels[10], expected)


@pytest.mark.parametrize("lost", [list(range(1, 23, 2))[:-1], [2, 5, 8, 11, 14, 17, 20]])
def test_a1_a_series_that_lost_more_than_a_fifth_is_refused(bench, lost):
    datasets = bench.phantom.datasets()
    bench.write([ds for k, ds in enumerate(datasets) if k not in lost])
    assert bench.refusal().code in ("missing-slices", "uneven-spacing")


def test_a1_a_gap_above_20_mm_makes_two_blocks(bench):
    datasets = bench.make_phantom(shape=(40, 32, 48)).datasets()
    bench.write(datasets[:18] + datasets[25:])
    found = [series for series in bench.survey() if series.status == "measurable"]
    assert sorted(series.n_slices for series in found) == [15, 18]
    assert all("split-at-gap" in series.warnings for series in found)
    assert [series.spacing_mm[0] for series in found] == pytest.approx([3.0, 3.0])
    # The upper block is measured, the lower one read for its knees.
    (upper,) = [series for series in found if series.chosen and series.knees is not None]
    assert upper.low_mm[2] == pytest.approx(-34.5 + 25 * 3)
    assert upper.knees.high_mm[2] == pytest.approx(-34.5 + 17 * 3)
    for series in found:
        bench.assert_true_places(read_series(series))


def test_a1_closer_slices_in_one_part_are_thinned_to_the_rest(bench):
    fine = bench.make_phantom(shape=(59, 32, 48), spacing_mm=(1.0, 3, 3)).datasets()
    kept = [ds for k, ds in enumerate(fine) if k < 30 or k % 2 == 0]
    bench.write(kept)
    volume = bench.read()
    assert volume.facts.warnings == ("slices-thinned",)
    assert volume.spacing_mm[0] == pytest.approx(2.0)
    assert len(volume.voxels_hu) == 30
    assert volume.gaps == ()
    bench.assert_true_places(volume)


@pytest.mark.parametrize("keep", [-3000, -2, 700, 400, 200, 140, 0])
def test_a3_a_cut_file_is_named_and_leaves_a_gap(bench, keep):
    paths = bench.write(bench.phantom.datasets())
    data = paths[7].read_bytes()
    paths[7].write_bytes(data[:keep])
    found = bench.survey()
    (series,) = [one for one in found if one.chosen]
    (lost,) = [one for one in found if one.status == "refused"]
    assert lost.file == "scan/IM0007"
    if keep in (-3000, -2, 700, 0):
        assert lost.code == "truncated-file"
    assert set(series.warnings) == {"gap-in-slices", "damaged-file-beside"}
    volume = read_series(series)
    (gap,) = volume.gaps
    assert (gap.low_mm, gap.high_mm) == pytest.approx((-34.5 + 18, -34.5 + 24))
    others = [k for k in range(24) if k != 7]
    assert np.array_equal(volume.voxels_hu[others], bench.phantom.voxels_hu[others])
    assert np.allclose(volume.index_to_lps_mm, bench.phantom.index_to_lps_mm, atol=1e-5)


def test_a3_a_series_of_cut_files_alone_is_refused(bench):
    for path in bench.write(bench.phantom.datasets()):
        path.write_bytes(path.read_bytes()[:-3000])
    refusal = bench.refusal()
    assert refusal.code == "truncated-file"
    assert "PixelData" in refusal.tag


def test_a3_empty_file_at_the_end_is_a_warning(bench):
    paths = bench.write(bench.phantom.datasets())
    paths[-1].write_bytes(b"")
    assert "damaged-file-beside" in bench.chosen().warnings


def test_a1_a_part_of_thicker_slices_is_a_block_of_its_own(bench):
    fine = bench.make_phantom(
        shape=(30, 32, 48), spacing_mm=(1.0, 3, 3), origin_mm=(-70.5, -46.5, 6.0)
    ).datasets(SliceThickness="1")
    coarse = bench.make_phantom(shape=(20, 32, 48), spacing_mm=(2.0, 3, 3)).datasets(
        SliceThickness="2"
    )
    for ds in coarse:
        ds.SOPInstanceUID = f"{ds.SOPInstanceUID}.2"
    bench.write(fine + coarse)
    found = [series for series in bench.survey() if series.status == "measurable"]
    assert sorted(series.spacing_mm[0] for series in found) == pytest.approx([1.0, 2.0])
    for series in found:
        bench.assert_true_places(read_series(series))
    # The finer, upper part is measured, and the rest is read for the knees.
    (chosen,) = [series for series in found if series.chosen]
    assert chosen.spacing_mm[0] == pytest.approx(1.0)
    assert chosen.knees is not None
    assert chosen.knees.spacing_mm[0] == pytest.approx(2.0)


def test_a1_a_gap_in_a_coronal_series_lies_along_its_own_normal(bench):
    datasets = bench.make_phantom(
        shape=(24, 24, 48), orientation=(1, 0, 0, 0, 0, -1), origin_mm=(-70.5, -34.5, 34.5)
    ).datasets()
    bench.write(datasets[:10] + datasets[11:])
    (gap,) = bench.read().gaps
    assert gap.normal == pytest.approx((0.0, 1.0, 0.0))
    assert (gap.low_mm, gap.high_mm) == pytest.approx((-34.5 + 27, -34.5 + 33))
    assert "normal" in gap.describe()
