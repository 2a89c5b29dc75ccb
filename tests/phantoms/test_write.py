"""What is written is read back by other readers: same voxels, same place."""

# mypy: disable-error-code="no-untyped-call,no-any-return,attr-defined"

import json
from dataclasses import replace
from pathlib import Path

import nibabel as nib
import numpy as np
import pydicom
import pytest
import SimpleITK as sitk  # noqa: N813  as its own pages name it

from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.transform import POSITION_SIGNS, PatientPosition, position_patient
from canalmorph_phantoms.write import write_dicom, write_nifti, write_truth


def _read_series(folder: Path) -> sitk.Image:
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(sitk.ImageSeriesReader.GetGDCMSeriesFileNames(str(folder)))
    return reader.Execute()


def _compare_points(image: sitk.Image, result: PhantomResult) -> None:
    volume = result.volume
    rng = np.random.default_rng(4)
    for index in rng.integers(0, volume.voxels_hu.shape, size=(40, 3)):
        point = (volume.index_to_lps_mm @ [*index, 1.0])[:3]
        found = image.TransformPhysicalPointToIndex(point.tolist())
        assert image[found] == volume.voxels_hu[tuple(index)]
        assert image.TransformIndexToPhysicalPoint(found) == pytest.approx(point, abs=1e-3)


@pytest.mark.parametrize("position", sorted(POSITION_SIGNS))
def test_dicom_is_read_back_in_its_place(
    quiet: PhantomResult, tmp_path: Path, position: PatientPosition
) -> None:
    turned = replace(quiet, volume=position_patient(quiet.volume, position))
    files = write_dicom(turned, tmp_path, patient_position=position)
    assert len(files) == len(quiet.volume.voxels_hu)
    _compare_points(_read_series(tmp_path), quiet)


def test_headers_are_a_valid_classic_ct_series(quiet: PhantomResult, tmp_path: Path) -> None:
    files = write_dicom(quiet, tmp_path / "a", patient_name="Alder^Invented", patient_id="X1")
    sets = [pydicom.dcmread(path) for path in files]
    assert {ds.SOPClassUID for ds in sets} == {pydicom.uid.CTImageStorage}
    assert len({ds.SOPInstanceUID for ds in sets}) == len(sets)
    for name in ("StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID"):
        (uid,) = {ds[name].value for ds in sets}
        assert pydicom.uid.UID(uid).is_valid
    first = sets[0]
    assert first.PatientName == "Alder^Invented"
    assert first.PatientPosition == "HFS"
    assert first.KVP == 120
    assert first.ConvolutionKernel == "Bm36"
    assert list(first.PixelSpacing) == [1.0, 1.0]
    steps = np.diff([float(ds.ImagePositionPatient[2]) for ds in sets])
    assert steps == pytest.approx(1.5)
    again = write_dicom(quiet, tmp_path / "b", patient_name="Alder^Invented", patient_id="X1")
    assert again[0].read_bytes() == files[0].read_bytes()
    other = write_dicom(quiet, tmp_path / "c", series_tag="second")
    assert pydicom.dcmread(other[0]).SeriesInstanceUID != first.SeriesInstanceUID


def test_nifti_is_read_back_in_its_place(quiet: PhantomResult, tmp_path: Path) -> None:
    path = write_nifti(quiet, tmp_path / "scan.nii.gz")
    _compare_points(sitk.ReadImage(str(path)), quiet)
    assert nib.load(path).header.get_xyzt_units()[0] == "mm"


def test_truth_is_written_whole(quiet: PhantomResult, tmp_path: Path) -> None:
    path = write_truth(quiet, tmp_path / "truth.json")
    back = json.loads(path.read_text(encoding="utf-8"))
    assert back["seed"] == quiet.seed
    assert back["femora"][0]["lt_mm"] == pytest.approx(quiet.truth.femora[0].lt_mm)
