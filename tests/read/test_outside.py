"""Scans that this project did not make."""

import os
from pathlib import Path

import numpy as np
import pydicom.data
import pytest
from pydicom.pixels import apply_rescale
from scipy import ndimage

from canalmorph.read.scans import read_series, survey_scans


@pytest.fixture
def shared() -> Path:
    folder = os.environ.get("CANALMORPH_SHARED")
    if not folder:
        pytest.skip("CANALMORPH_SHARED does not name the folder of the shared test data.")
    return Path(folder) / "data"


@pytest.mark.outside_data
def test_legs_are_read_in_millimetres_and_lps(shared):
    (found,) = survey_scans(shared / "long_bone_ct")
    volume = read_series(found)
    assert volume.voxels_hu.shape == (350, 187, 250)
    assert volume.spacing_mm == pytest.approx([1, 1, 1])
    # The file's axes are left, posterior, superior: its affine, seen in LPS, is the identity.
    assert np.allclose(volume.index_to_lps_mm[:3, :3], np.eye(3)[:, ::-1])
    # Two tibiae: bone on both sides of the middle column.
    bone = (volume.voxels_hu > 400).sum(axis=(0, 1))
    assert bone[:125].sum() > 20_000
    assert bone[125:].sum() > 20_000


@pytest.mark.outside_data
def test_of_three_reconstructions_the_thin_sharp_one_is_chosen(shared):
    found = {series.source: series for series in survey_scans(shared / "skull_phantom")}
    assert [name for name, series in found.items() if series.chosen] == [
        "skull_phantom/bone_1mm_ya"
    ]
    assert "soft" in found["skull_phantom/std_1mm_ub"].message
    assert "thick" in found["skull_phantom/std_5mm_ub"].message
    sharp, soft = (
        read_series(found[f"skull_phantom/{name}"]) for name in ("bone_1mm_ya", "std_1mm_ub")
    )
    # One object at one position: equal grids, and values that agree but for the kernel.
    assert np.allclose(sharp.index_to_lps_mm, soft.index_to_lps_mm)
    assert np.corrcoef(sharp.voxels_hu[::4].ravel(), soft.voxels_hu[::4].ravel())[0, 1] > 0.95


@pytest.mark.outside_data
def test_a_tilted_gantry_is_undone_by_positions(shared):
    (found,) = survey_scans(shared / "tilted_phantom")
    volume = read_series(found)
    assert "tilt-undone" in volume.facts.warnings
    rows_mm = volume.spacing_mm[1] * np.array(found.plan.tilt.drift_pixels)[0]
    # The scanner's own tag says -18.5.
    assert np.degrees(np.arctan(rows_mm / volume.spacing_mm[0])) == pytest.approx(-18.5, abs=0.1)
    to_index = np.linalg.inv(volume.index_to_lps_mm)
    for path in sorted((shared / "tilted_phantom").rglob("*"))[5:50:15]:
        ds = pydicom.dcmread(path)
        row, column = np.array(ds.ImageOrientationPatient, float).reshape(2, 3)
        j, i = np.indices((ds.Rows, ds.Columns)).reshape(2, -1)[:, ::97]
        points = np.array(ds.ImagePositionPatient, float)[:, None]
        points = points + np.outer(column, j * ds.PixelSpacing[0])
        points = points + np.outer(row, i * ds.PixelSpacing[1])
        index = to_index[:3, :3] @ points + to_index[:3, 3:]
        values = volume.voxels_hu.astype(float)
        there = ndimage.map_coordinates(values, index, order=3, mode="nearest")
        stored = apply_rescale(ds.pixel_array, ds)[j, i]
        # Each pixel of the file is found again where its header puts it.
        assert np.corrcoef(there, np.maximum(stored, -1024))[0, 1] > 0.999


@pytest.mark.outside_data
def test_localizers_are_left_out_and_the_input_is_refused(shared):
    found = survey_scans(shared / "localizer")
    assert {series.status for series in found} == {"left_out", "refused"}
    assert [series.code for series in found if series.status == "refused"] == ["no-ct-series"]


@pytest.mark.outside_data
def test_overlapping_compressed_slices_are_read_by_position(shared):
    (found,) = survey_scans(shared / "abdomen_no_femur")
    volume = read_series(found)
    # 3 mm thick every 2 mm.
    assert volume.spacing_mm[0] == pytest.approx(2.0)
    assert volume.facts.slice_thickness_mm == 3.0
    assert volume.facts.warnings == ()


def test_files_of_the_dicom_library_end_without_a_traceback():
    folder = Path(pydicom.data.__file__).parent / "test_files"
    found = survey_scans(folder)
    assert len(found) > 20
    # Single slices, other modalities, reports, plans, damaged files: nothing to measure.
    assert not [series for series in found if series.chosen]
    assert {series.status for series in found} == {"left_out", "refused"}
    assert all(series.message for series in found)
