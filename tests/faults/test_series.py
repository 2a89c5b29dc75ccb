"""Faults in finding and splitting series (A), and the controls that must pass."""

import random
import shutil
import zipfile

import numpy as np
import pytest
from pydicom.dataelem import DataElement
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import ExplicitVRLittleEndian

from canalmorph.read.scans import read_scans, read_series, survey_scans
from canalmorph.read.settings import ReadSettings


def test_clean_series_is_p(bench):
    bench.write(bench.phantom.datasets())
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ()
    assert volume.facts.n_files == 24
    assert volume.facts.source == "scan"
    assert volume.patient.name == "Doe^Jo"
    # 2 January 1950 to 1 January 2020: one day short of 70.
    assert volume.patient.age_years == 69


@pytest.mark.parametrize(("stated", "years"), [("062Y", 62), ("018M", 1.5), ("0\xb2\xb2Y", 69)])
def test_an_age_is_as_stated_else_from_the_dates(bench, stated, years):
    """Raised twos are digits to Python, but no number."""
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.SpecificCharacterSet = "ISO_IR 100"
        ds.add(DataElement("PatientAge", "LO", stated))
    bench.write(datasets)
    assert bench.read().patient.age_years == years


def test_a1_uneven_spacing_is_refused(bench):
    datasets = bench.phantom.datasets()
    for k, ds in enumerate(datasets[12:]):
        ds.ImagePositionPatient = [-70.5, -46.5, 1.5 + 3.2 * k]
    bench.write(datasets)
    assert bench.refusal().code == "uneven-spacing"


@pytest.mark.parametrize("told_by", ["AcquisitionNumber", "AcquisitionTime", "ContentTime"])
def test_a4_two_phases_in_one_series_are_split(bench, told_by):
    first, second = bench.phantom.datasets(), bench.phantom.datasets()
    for k, ds in enumerate(second):
        ds.SOPInstanceUID = f"{ds.SOPInstanceUID}.2"
        bench.set_stored(ds, bench.get_stored(ds) + 30)
        later = {"AcquisitionNumber": 2, "AcquisitionTime": "120300", "ContentTime": f"1203{k:02d}"}
        setattr(ds, told_by, later[told_by])
    bench.write(first + second)
    found = [series for series in bench.survey() if series.status == "measurable"]
    assert [series.n_slices for series in found] == [24, 24]
    assert [series.chosen for series in found] == [True, False]
    assert found[0].series_key != found[1].series_key
    assert "split-series" in found[0].warnings
    bench.assert_same_as_p(read_series(found[0]))
    other = read_series(found[1])
    assert np.array_equal(other.voxels_hu, np.maximum(bench.phantom.voxels_hu + 30, -1024))


def test_a4_phases_shifted_by_half_a_slice_are_not_one_fine_volume(bench):
    first, second = bench.phantom.datasets(), bench.phantom.datasets()
    for ds in second:
        ds.SOPInstanceUID, ds.AcquisitionNumber = f"{ds.SOPInstanceUID}.2", 2
        ds.ImagePositionPatient[2] += 1.5
    bench.write(first + second)
    found = [series for series in bench.survey() if series.status == "measurable"]
    assert [series.spacing_mm[0] for series in found] == pytest.approx([3.0, 3.0])


def test_a4_phases_that_nothing_tells_apart_are_refused(bench):
    first, second = bench.phantom.datasets(), bench.phantom.datasets()
    for ds in second:
        ds.SOPInstanceUID = f"{ds.SOPInstanceUID}.2"
        bench.set_stored(ds, bench.get_stored(ds) + 30)
    bench.write(first + second)
    assert bench.refusal().code == "repeated-positions"


def test_a4_one_place_at_many_times_is_one_line(bench):
    """As where the contrast is watched, or where a system lost the positions."""
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.ImagePositionPatient = datasets[0].ImagePositionPatient
    bench.write(datasets)
    refusal = bench.refusal()
    assert refusal.code == "too-few-slices"
    assert f"{len(datasets)} slices lie at 1 place" in refusal.message


@pytest.mark.parametrize("kind", ["MIP", "MINIP", "SUBTRACTION"])
def test_a10_what_is_computed_from_a_scan_is_not_measured(bench, kind):
    """The greatest value of a slab makes every wall thicker, and looks like a section."""
    scan = bench.phantom.datasets()
    computed = bench.phantom.datasets(
        ImageType=["DERIVED", "SECONDARY", kind], SeriesInstanceUID="1.2.826.0.1.3680043.8.498.9"
    )
    for ds in computed:
        ds.SOPInstanceUID += ".9"
        ds.file_meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    bench.write(computed)
    assert bench.refusal().code == "no-ct-series"
    bench.write(scan, start=len(computed))
    bench.assert_same_as_p(bench.read())
    (left,) = [series for series in bench.survey() if not series.chosen]
    assert (left.status, left.code) == ("left_out", "computed-image")
    assert kind in left.message


def test_a6_identical_copies_are_dropped_with_a_warning(bench):
    paths = bench.write(bench.phantom.datasets())
    for path in paths[::4]:
        shutil.copy(path, path.with_name(f"{path.name} (1).dcm"))
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("duplicate-files",)


def test_a6_copies_with_new_uids_are_dropped_with_a_warning(bench):
    datasets = bench.phantom.datasets()
    again = bench.phantom.datasets()[::4]
    for ds in again:
        ds.SOPInstanceUID = f"{ds.SOPInstanceUID}.2"
    bench.write(datasets + again)
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("duplicate-files",)


def test_a6_same_uid_with_other_pixels_is_refused(bench):
    datasets = bench.phantom.datasets()
    other = bench.phantom.datasets()[5]
    bench.set_stored(other, bench.get_stored(other) + 1)
    bench.write([*datasets, other])
    assert bench.refusal().code == "conflicting-copies"


def test_a7_overlapping_passes_become_two_blocks(bench):
    tall = bench.make_phantom(shape=(40, 32, 48)).datasets()
    hips = tall[:24]
    knees = bench.make_phantom(shape=(20, 32, 48), origin_mm=(-70.5, -46.5, 28.5)).datasets()
    for k, ds in enumerate(knees):
        ds.AcquisitionNumber, ds.SOPInstanceUID = 2, f"1.2.3.{k + 1}"
        ds.ImagePositionPatient = [-70.5, -46.5, 29.5 + 3 * k]
    bench.write(hips + knees)
    found = [series for series in bench.survey() if series.status == "measurable"]
    assert sorted(series.n_slices for series in found) == [20, 24]
    # Never joined: one block is measured, the other is listed.
    assert [series.chosen for series in found].count(True) == 1


@pytest.mark.parametrize("kind", ["LOCALIZER", "AXIAL"])
@pytest.mark.parametrize("place", [0, 30])
def test_a8_slice_of_another_orientation_is_left_out(bench, kind, place):
    datasets = bench.phantom.datasets()
    scout = bench.phantom.datasets()[3]
    scout.SOPInstanceUID, scout.ImageType = "1.2.9", ["ORIGINAL", "PRIMARY", kind]
    scout.ImageOrientationPatient = [0, 1, 0, 0, 0, -1]
    datasets.insert(place, scout)
    bench.write(datasets)
    bench.assert_same_as_p(bench.read())
    left_out = [series for series in bench.survey() if series.status == "left_out"]
    assert [series.n_files for series in left_out] == [1]
    assert left_out[0].code == ("odd-slice" if kind == "AXIAL" else "localizer")
    if kind == "AXIAL":
        assert "odd-slices-left-out" in bench.chosen().warnings


def _dose_report() -> FileDataset:
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.88.67"
    meta.MediaStorageSOPInstanceUID = "1.2.77"
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = meta.MediaStorageSOPClassUID, "1.2.77"
    ds.Modality, ds.StudyInstanceUID = "SR", "1.2.826.0.1.3680043.8.498.1"
    ds.SeriesInstanceUID, ds.ContentSequence = "1.2.78", [Dataset()]
    return ds


def _numbered(datasets, series_uid):
    for ds in datasets:
        ds.SeriesInstanceUID, ds.SOPInstanceUID = series_uid, f"{series_uid}.{ds.InstanceNumber}"
    return datasets


def test_a10_the_thin_bone_original_is_chosen_and_the_rest_explained(bench):
    thin = bench.make_phantom(shape=(60, 32, 48), spacing_mm=(1.2, 3, 3))
    soft = _numbered(thin.datasets(ConvolutionKernel="STANDARD"), "1.2.51")
    thick = _numbered(
        bench.make_phantom(shape=(15, 32, 48), spacing_mm=(5, 3, 3)).datasets(), "1.2.52"
    )
    coronal = bench.make_phantom(
        shape=(30, 24, 48), orientation=(1, 0, 0, 0, 0, -1), origin_mm=(-70.5, -46.5, 34.5)
    )
    mpr = _numbered(coronal.datasets(ImageType=["DERIVED", "SECONDARY", "MPR"]), "1.2.53")
    scout = bench.phantom.datasets(ImageType=["ORIGINAL", "PRIMARY", "LOCALIZER"])[:1]
    bench.write(
        soft + thick + mpr + thin.datasets() + _numbered(scout, "1.2.54") + [_dose_report()]
    )
    found = bench.survey()
    (chosen,) = [series for series in found if series.chosen]
    assert (chosen.spacing_mm[0], chosen.kernel) == (pytest.approx(1.2), "BONE")
    reasons = {series.series_key: series.message for series in found if not series.chosen}
    assert "kernel is soft" in reasons["1.2.51"]
    assert "thick" in reasons["1.2.52"]
    assert "derived" in reasons["1.2.53"]
    assert "localizer" in reasons["1.2.54"]
    assert "no CT image" in reasons["1.2.78"]
    assert [one.code for one in found if one.series_key == "1.2.78"] == ["not-ct-image"]
    every = survey_scans(bench.folder, ReadSettings(all_series=True))
    assert sum(series.chosen for series in every) == 4


def test_a11_two_patients_in_one_series_are_refused(bench):
    one = bench.phantom.datasets()
    other = bench.make_phantom(origin_mm=(-70.5, -46.5, 37.5)).datasets(PatientID="P2")
    bench.write(one + other)
    refusal = bench.refusal()
    assert refusal.code == "mixed-patients"
    assert "PatientID" in refusal.tag


@pytest.mark.parametrize("numbering", ["shuffled", "all one", "absent"])
def test_a14_order_comes_from_positions_alone(bench, numbering):
    datasets = bench.phantom.datasets()
    chance = random.Random(5)
    numbers = list(range(1, 25))
    chance.shuffle(numbers)
    for ds, number in zip(datasets, numbers, strict=True):
        ds.InstanceNumber = number if numbering == "shuffled" else 1
        if numbering == "absent":
            del ds.InstanceNumber
    chance.shuffle(datasets)
    bench.write(datasets)
    bench.assert_same_as_p(bench.read())


def test_a15_junk_and_deep_folders_do_no_harm(bench):
    deep = bench.folder / "a" / "Sättiger Fuß" / "股関節 α"
    deep.mkdir(parents=True)
    for number, ds in enumerate(bench.phantom.datasets()):
        ds.save_as(deep / f"{number:02d}", enforce_file_format=True)
    for name in ("._IM0", ".DS_Store", "Thumbs.db", "DICOMDIR"):
        (deep / name).write_bytes(b"\0\1\2\3" * 100)
    (bench.folder / "notes.txt").write_text("seen")
    bench.assert_same_as_p(bench.read())
    (junk,) = [series for series in bench.survey() if series.code == "not-an-image"]
    assert junk.n_files == 5


def test_a15_a_folder_of_junk_is_refused(bench):
    bench.folder.mkdir()
    (bench.folder / "DICOMDIR").write_bytes(b"\0" * 400)
    assert bench.refusal().code == "no-images"


def test_empty_folder_missing_path_and_text_file_are_refused(bench):
    bench.folder.mkdir()
    assert bench.refusal().code == "no-images"
    assert bench.refusal(bench.folder / "nothing").code == "not-found"
    text = bench.folder / "letter.txt"
    text.write_text("Dear colleague, " * 50)
    assert bench.refusal(text).code == "not-an-image"


def test_five_slices_are_refused(bench):
    bench.write(bench.phantom.datasets()[:5])
    refusal = bench.refusal()
    assert refusal.code == "too-few-slices"
    assert "5 slices" in refusal.message


def test_others_are_measured_when_one_is_refused(bench):
    bench.write(bench.phantom.datasets())
    other = _numbered(bench.phantom.datasets(), "1.2.60")
    for ds in other:
        ds.StudyInstanceUID, ds.PatientID = "1.2.61", "P3"
        del ds.PixelSpacing
    bench.write(other, name="X{:04d}")
    results = list(read_scans(bench.folder))
    assert sorted(type(result).__name__ for _, result in results) == [
        "CtVolume",
        "MissingTagError",
    ]


# Controls: odd but valid.


def test_c1_orientation_jitter_passes(bench):
    jitter = np.random.default_rng(1).uniform(-1e-4, 1e-4, (24, 6))
    datasets = bench.phantom.datasets()
    for ds, noise in zip(datasets, jitter, strict=True):
        ds.ImageOrientationPatient = [
            f"{value:.8f}" for value in np.array([1, 0, 0, 0, 1, 0]) + noise
        ]
    bench.write(datasets)
    volume = bench.read()
    assert np.array_equal(volume.voxels_hu, bench.phantom.voxels_hu)
    # The mean of 24 cosines uniform in 1e-4 errs by 1e-4 / sqrt(3 * 24) = 1.2e-5, four times
    # that over the grid's 141 mm is 0.007 mm.
    corner = np.array([23, 31, 47, 1.0])
    expected = bench.phantom.index_to_lps_mm @ corner
    assert volume.index_to_lps_mm @ corner == pytest.approx(expected, abs=0.01)


def test_c2_acquisition_number_of_each_slice_passes(bench):
    datasets = bench.phantom.datasets()
    for k, ds in enumerate(datasets):
        ds.AcquisitionNumber = k + 1
    bench.write(datasets)
    bench.assert_same_as_p(bench.read())


@pytest.mark.parametrize("declared", [-20, 1.0])
def test_c3_thickness_and_declared_spacing_are_ignored(bench, declared):
    bench.write(bench.phantom.datasets(SliceThickness="5", SpacingBetweenSlices=declared))
    volume = bench.read()
    # The blur across slices is read from the walls: `test_equal` measures what this changes.
    bench.assert_same_as_p(volume, but=["slice_thickness_mm"])
    assert volume.facts.slice_thickness_mm == 5.0


def test_c4_rounding_noise_and_long_decimals_pass(bench):
    noise = np.random.default_rng(2).uniform(-1e-3, 1e-3, (24, 3))
    datasets = bench.phantom.datasets()
    for k, ds in enumerate(datasets):
        position = np.array([-70.5, -46.5, -34.5 + 3 * k]) + noise[k]
        ds.ImagePositionPatient = [f"{value:.13f}"[:16] for value in position]
    bench.write(datasets)
    volume = bench.read()
    bench.assert_same_as_p(volume, tolerance_mm=1e-3)


def test_c5_series_uid_of_each_slice_passes_with_a_warning(bench):
    datasets = bench.phantom.datasets()
    for k, ds in enumerate(datasets):
        ds.SeriesInstanceUID = f"1.2.826.0.1.3680043.8.498.2.{k + 1}"
    bench.write(datasets)
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("series-uid-per-slice",)


def test_c6_two_legs_as_two_series_are_both_measured(bench):
    right = bench.make_phantom(shape=(24, 32, 24))
    left = bench.make_phantom(shape=(24, 32, 24), origin_mm=(1.5, -46.5, -34.5))
    bench.write(_numbered(right.datasets(), "1.2.71") + _numbered(left.datasets(), "1.2.72"))
    chosen = [series for series in bench.survey() if series.chosen]
    assert len(chosen) == 2
    for series in chosen:
        bench.assert_true_places(read_series(series))


def test_zip_gives_the_same_as_its_folder(bench, tmp_path):
    paths = bench.write(bench.phantom.datasets())
    archive = tmp_path / "scan.zip"
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
        for path in paths:
            packed.write(path, f"a/b/{path.name}")
    volume = bench.read(archive)
    bench.assert_same_as_p(volume)
    assert volume.facts.source == "scan.zip/a/b"
    assert volume.facts.input_sha256 == bench.read().facts.input_sha256


def test_positions_rounded_to_one_decimal_pass(bench):
    datasets = bench.make_phantom(shape=(40, 32, 48), spacing_mm=(0.625, 3, 3)).datasets()
    for k, ds in enumerate(datasets):
        ds.ImagePositionPatient = [-70.5, -46.5, f"{-34.5 + 0.625 * k:.1f}"]
    bench.write(datasets)
    # Forty roundings of up to 0.05 mm: the fitted spacing errs by less than 0.1 / 39.
    assert bench.chosen().spacing_mm[0] == pytest.approx(0.625, abs=0.0026)


@pytest.mark.parametrize("axis", [0, 1, 2])
@pytest.mark.parametrize("shift_mm", [0.3, 1.4])
def test_one_slice_out_of_its_place_is_refused(bench, axis, shift_mm):
    datasets = bench.phantom.datasets()
    datasets[9].ImagePositionPatient[axis] += shift_mm
    bench.write(datasets)
    assert bench.refusal().code == "uneven-spacing"


def test_a_gap_between_two_acquisitions_is_never_bridged(bench):
    datasets = bench.make_phantom(shape=(40, 32, 48)).datasets()
    for ds in datasets[20:]:
        ds.AcquisitionNumber = 2
    bench.write(datasets[:18] + datasets[20:])
    found = [series for series in bench.survey() if series.status == "measurable"]
    assert sorted(series.n_slices for series in found) == [18, 20]
    assert [series.spacing_mm[0] for series in found] == pytest.approx([3.0, 3.0])
