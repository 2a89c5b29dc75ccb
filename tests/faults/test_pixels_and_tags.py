"""Faults of orientation and side (B16), pixel data (C) and tags (D)."""

import io
import struct
from dataclasses import asdict

import numpy as np
import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import (
    RLELossless,
)

from canalmorph.read.headers import read_slice_headers
from canalmorph.read.planes import read_planes
from canalmorph.read.scans import read_series, survey_scans
from canalmorph.read.settings import ReadSettings
from canalmorph.read.sources import FileEntry

GRIDS = {
    "HFS": ((1, 0, 0, 0, 1, 0), (-70.5, -46.5, -34.5)),
    "HFP": ((-1, 0, 0, 0, -1, 0), (70.5, 46.5, -34.5)),
    "FFS": ((-1, 0, 0, 0, 1, 0), (70.5, -46.5, 34.5)),
    "FFP": ((1, 0, 0, 0, -1, 0), (-70.5, 46.5, 34.5)),
}


@pytest.mark.parametrize("position", GRIDS)
@pytest.mark.parametrize("declared", ["right", "absent", "wrong"])
def test_b16_every_patient_position_puts_each_voxel_in_its_place(bench, position, declared):
    orientation, origin = GRIDS[position]
    datasets = bench.make_phantom(orientation=orientation, origin_mm=origin).datasets()
    for ds in datasets:
        ds.PatientPosition = position if declared == "right" else "HFDR"
        if declared == "absent":
            del ds.PatientPosition
    bench.write(datasets)
    bench.assert_same_as_p(bench.read())


def test_the_survey_asks_for_every_tag_that_a_plane_is_made_of(bench):
    tags = {
        "Manufacturer": "Maker",
        "GantryDetectorTilt": "0.5",
        "PatientPosition": "HFP",
        "ContentTime": "120001",
        "TemporalPositionIdentifier": "2",
        "LossyImageCompression": "01",
    }
    ds = bench.phantom.datasets(**tags)[0]
    ds.add_new(0x00280120, "US", 4000)
    ds.add_new(0x00280121, "US", 4095)
    file = io.BytesIO()
    ds.save_as(file, enforce_file_format=True)
    data, settings = file.getvalue(), ReadSettings()
    entry = FileEntry(path="a", name="a", size=len(data))
    (asked,) = read_slice_headers(io.BytesIO(data), data, entry, settings)
    whole = pydicom.dcmread(io.BytesIO(data), defer_size=0)
    (plane,) = read_planes(whole, entry, asked.pixel_offset, False, settings)
    assert asdict(asked) == asdict(plane)
    assert asked.patient_position == "HFP"
    unset = {name for name, value in asdict(asked).items() if value in ("", None)}
    # So that no tag is missing from both.
    assert unset == set()


def test_b16_oblique_and_coronal_grids_keep_their_places(bench):
    turned = (np.cos(0.2), np.sin(0.2), 0, -np.sin(0.2), np.cos(0.2), 0)
    phantom = bench.make_phantom(orientation=turned, origin_mm=(-60, -61, -34.5))
    bench.write(phantom.datasets())
    volume = bench.read()
    assert np.allclose(volume.index_to_lps_mm, phantom.index_to_lps_mm, atol=1e-4)
    assert np.array_equal(volume.voxels_hu, phantom.voxels_hu)


def test_c19_slope_and_intercept_of_each_slice_are_used(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets[1:]:
        hu = bench.get_stored(ds).astype(float) - 1024
        ds.RescaleSlope, ds.RescaleIntercept = "0.75", "-1024"
        bench.set_stored(ds, np.round((hu + 1024) / 0.75).astype(int))
    bench.write(datasets)
    # Half a step of 0.75 in storing, half a unit in rounding back: below 1.
    bench.assert_same_as_p(bench.read(), tolerance_hu=0.9)


def _pad_outside(bench, datasets, value):
    y, x = np.mgrid[:32, :48]
    outside = np.hypot(x - 23.5, y - 15.5) > 22
    for ds in datasets:
        stored = bench.get_stored(ds).astype(int)
        stored[outside] = value
        ds.PixelRepresentation, ds.BitsStored, ds.HighBit = 1, 16, 15
        bench.set_stored(ds, stored)
    return outside


@pytest.mark.parametrize("tagged", [True, False])
def test_c20_padding_becomes_air(bench, tagged):
    datasets = bench.phantom.datasets()
    outside = _pad_outside(bench, datasets, -2000)
    for ds in datasets:
        if tagged:
            ds.add_new(0x00280120, "SS", -2000)
    bench.write(datasets)
    volume = bench.read()
    assert np.all(volume.voxels_hu[:, outside] == -1024)
    assert np.array_equal(volume.voxels_hu[:, ~outside], bench.phantom.voxels_hu[:, ~outside])


def test_c20_padding_beyond_the_stored_bits_becomes_air(bench):
    datasets = bench.phantom.datasets()
    outside = _pad_outside(bench, datasets, -32768)
    for ds in datasets:
        ds.BitsStored, ds.HighBit = 13, 12
        ds.add_new(0x00280120, "US", 32768)
    bench.write(datasets)
    volume = bench.read()
    assert np.all(volume.voxels_hu[:, outside] == -1024)
    assert "stray-high-bits" not in volume.facts.warnings


def test_c20_a_padding_value_among_tissue_is_not_masked(bench):
    bench.write(bench.phantom.datasets(PixelPaddingValue=1024 + 55))
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("padding-in-tissue",)


def test_c22_a_plateau_of_highest_values_is_a_warning(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        stored = bench.get_stored(ds).copy()
        stored[10:16, 20:26] = 4095
        bench.set_stored(ds, stored)
    bench.write(datasets)
    volume = bench.read()
    assert volume.facts.warnings == ("clipped-high-values",)
    assert volume.voxels_hu.max() == 3071


@pytest.mark.parametrize("kind", ["overlay in bit 15", "13 bits without sign extension"])
def test_c26_stray_high_bits_are_masked(bench, kind):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        stored = bench.get_stored(ds).copy()
        if kind == "overlay in bit 15":
            stored[4:9, 4:9] |= 0x8000
        else:
            hu = stored.astype(int) - 1024
            stored = hu & 0x1FFF
            ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 13, 12, 1
            ds.RescaleIntercept = "0"
        bench.set_stored(ds, stored)
    bench.write(datasets)
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("stray-high-bits",)


def test_c27_missing_rescale_is_refused(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        del ds.RescaleSlope, ds.RescaleIntercept, ds.RescaleType
    bench.write(datasets)
    refusal = bench.refusal()
    assert refusal.code == "missing-tag"
    assert "RescaleSlope" in refusal.tag


@pytest.mark.parametrize("intercept", ["0", "24", "-2048", "-3024"])
def test_c27_a_wrong_intercept_is_refused(bench, intercept):
    bench.write(bench.phantom.datasets(RescaleIntercept=intercept))
    with pytest.raises(Exception, match="scan") as caught:
        bench.read()
    assert caught.value.code in ("not-hounsfield", "only-air")


@pytest.mark.parametrize("slope", ["0.1", "2", "10"])
def test_c27_a_wrong_slope_is_refused(bench, slope):
    bench.write(bench.phantom.datasets(RescaleSlope=slope))
    with pytest.raises(Exception, match="scan") as caught:
        bench.read()
    assert caught.value.code in ("not-hounsfield", "only-air", "no-bone")


def _enhanced(bench, *, positions=True):
    datasets = bench.phantom.datasets()
    ds = datasets[0]
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2.1"
    shared, measures, plane = Dataset(), Dataset(), Dataset()
    measures.PixelSpacing, measures.SliceThickness = ["3.0", "3.0"], "3.0"
    plane.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
    shared.PixelMeasuresSequence = Sequence([measures])
    shared.PlaneOrientationSequence = Sequence([plane])
    frames, planes = [], []
    for k, source in enumerate(datasets):
        frame, place, rescale = Dataset(), Dataset(), Dataset()
        place.ImagePositionPatient = list(source.ImagePositionPatient)
        slope = 1 + k % 2
        rescale.RescaleSlope, rescale.RescaleIntercept = str(slope), "-1024"
        rescale.RescaleType = "HU"
        frame.PixelValueTransformationSequence = Sequence([rescale])
        if positions:
            frame.PlanePositionSequence = Sequence([place])
        frames.append(frame)
        planes.append(np.round(bench.get_stored(source) / slope).astype("<u2"))
    del ds.ImagePositionPatient, ds.ImageOrientationPatient, ds.PixelSpacing
    del ds.RescaleSlope, ds.RescaleIntercept
    # Frames in another order than space.
    order = np.random.default_rng(3).permutation(len(frames))
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    ds.PerFrameFunctionalGroupsSequence = Sequence([frames[k] for k in order])
    ds.NumberOfFrames = len(frames)
    ds.PixelData = b"".join(planes[k].tobytes() for k in order)
    return ds


def test_c29_enhanced_ct_uses_the_rescale_of_each_frame(bench):
    bench.write([_enhanced(bench)])
    # Odd frames are stored in steps of 2 HU.
    volume = bench.read()
    bench.assert_same_as_p(volume, tolerance_hu=1)
    assert volume.facts.n_files == 1


def test_c29_enhanced_ct_compressed(bench):
    ds = _enhanced(bench)
    ds.compress(RLELossless, generate_instance_uid=False)
    bench.write([ds])
    bench.assert_same_as_p(bench.read(), tolerance_hu=1)


def test_c29_an_enhanced_projection_is_left_out(bench):
    ds = _enhanced(bench)
    ds.VolumeBasedCalculationTechnique = "MAX_IP"
    bench.write([ds])
    assert bench.refusal().code == "no-ct-series"
    assert [one.code for one in bench.survey() if one.status == "left_out"] == ["computed-image"]


def test_c29_enhanced_ct_without_positions_is_refused(bench):
    bench.write([_enhanced(bench, positions=False)])
    refusal = bench.refusal()
    assert "ImagePositionPatient" in refusal.tag


def test_c31_classic_multi_frame_is_refused(bench):
    datasets = bench.phantom.datasets()
    ds = datasets[0]
    ds.PixelData = b"".join(source.PixelData for source in datasets)
    ds.NumberOfFrames = len(datasets)
    bench.write([ds])
    assert bench.refusal().code == "no-frame-positions"


@pytest.mark.parametrize("cut", ["preamble", "preamble and mark"])
def test_d32_files_without_preamble_are_read(bench, cut):
    for path in bench.write(bench.phantom.datasets()):
        path.write_bytes(path.read_bytes()[128 if cut == "preamble" else 132 :])
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("no-preamble",)
    assert volume.patient.name == "Doe^Jo"


def test_d32_bare_implicit_data_sets_are_read(bench):
    bench.folder.mkdir()
    for number, ds in enumerate(bench.phantom.datasets()):
        bare = Dataset(ds)
        pydicom.dcmwrite(bench.folder / f"{number}", bare, implicit_vr=True, little_endian=True)
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("no-preamble",)


@pytest.mark.parametrize(
    "keyword",
    [
        "PixelSpacing",
        "ImagePositionPatient",
        "ImageOrientationPatient",
        "RescaleIntercept",
        "BitsStored",
        "Rows",
    ],
)
def test_d33_an_absent_tag_is_named(bench, keyword):
    datasets = bench.phantom.datasets(ImagerPixelSpacing=["1", "1"])
    delattr(datasets[4], keyword)
    bench.write(datasets)
    refusal = bench.refusal()
    assert refusal.code == "missing-tag"
    assert keyword in refusal.tag
    assert refusal.file == "scan/IM0004"


@pytest.mark.parametrize(
    "bad", [rb"0,8\0,8 ", rb"nan\3.0 ", rb"3.0\-3.0", rb"3.0     ", b"3.0\\1e999", b"3.0\\3_0 "]
)
def test_d35_a_malformed_decimal_is_refused(bench, bad):
    for path in bench.write(bench.phantom.datasets()):
        data = path.read_bytes()
        good = b"\x28\x00\x30\x00DS" + struct.pack("<H", 8) + b"3.0\\3.0 "
        assert data.count(good) == 1
        value = bad + b" " * (len(bad) % 2)
        wrong = b"\x28\x00\x30\x00DS" + struct.pack("<H", len(value)) + value
        path.write_bytes(data.replace(good, wrong))
    refusal = bench.refusal()
    assert refusal.code == "malformed-tag"
    assert "PixelSpacing" in refusal.tag


def test_d37_non_square_pixels_keep_rows_and_columns_apart(bench):
    phantom = bench.make_phantom(
        shape=(24, 48, 48), spacing_mm=(3.0, 1.0, 2.5), origin_mm=(-58.5, -20.5, -34.5)
    )
    bench.write(phantom.datasets())
    volume = bench.read()
    assert volume.spacing_mm == pytest.approx([3.0, 1.0, 2.5])
    assert np.allclose(volume.index_to_lps_mm, phantom.index_to_lps_mm)
    assert np.array_equal(volume.voxels_hu, phantom.voxels_hu)


@pytest.mark.parametrize(
    ("charset", "raw", "expected"),
    [
        (b"ISO_IR 100", "Müller^Jörg".encode("latin-1"), "Müller^Jörg"),
        (b"ISO_IR 192", "股関節^太郎".encode(), "股関節^太郎"),
        (b"GB18030", "王^小东".encode("gb18030"), "王^小东"),
        (
            b"\\ISO 2022 IR 87",
            b"Yamada^Tarou=\x1b$B;3ED\x1b(B^\x1b$BB@O:\x1b(B",
            "Yamada^Tarou=山田^太郎",
        ),
        (
            b"\\ISO 2022 IR 149",
            b"Hong^Gil=\x1b$)C\xfb\xf3^\x1b$)C\xd1\xce\xd4\xd7",
            "Hong^Gil=洪^吉洞",
        ),
        (b"ISO_IR 13", b"\xd4\xcf\xc0\xde^\xc0\xdb\xb3", "ﾔﾏﾀﾞ^ﾀﾛｳ"),
        (b"ISO 2022 IR 100", "Müller^J".encode("latin-1"), None),
        (b"NO_SUCH_SET", "Müller^J".encode("latin-1"), None),
    ],
)
def test_d38_character_sets_never_stop_a_scan(bench, charset, raw, expected):
    raw += b" " * (len(raw) % 2)
    charset += b" " * (len(charset) % 2)
    for path in bench.write(bench.phantom.datasets(SpecificCharacterSet="ISO_IR 100")):
        data = path.read_bytes()
        name = b"\x10\x00\x10\x00PN" + struct.pack("<H", 6) + b"Doe^Jo"
        set_ = b"\x08\x00\x05\x00CS" + struct.pack("<H", 10) + b"ISO_IR 100"
        assert data.count(name) == 1
        assert data.count(set_) == 1
        data = data.replace(name, name[:6] + struct.pack("<H", len(raw)) + raw)
        data = data.replace(set_, set_[:6] + struct.pack("<H", len(charset)) + charset)
        path.write_bytes(data)
    volume = bench.read()
    bench.assert_same_as_p(volume)
    if expected is not None:
        assert volume.patient.name == expected
        assert volume.facts.warnings == ()
    else:
        assert volume.patient.name.endswith("ller^J")


@pytest.mark.parametrize("size", [65535, 30000])
def test_i82_declared_size_beyond_the_file_is_refused_at_once(bench, size):
    datasets = bench.phantom.datasets(Rows=size, Columns=size)
    bench.write(datasets)
    assert bench.refusal().code in ("truncated-file", "too-large")


@pytest.mark.parametrize("rows", [31, 16])
def test_a_size_that_contradicts_the_pixels_is_refused(bench, rows):
    bench.write(bench.phantom.datasets(Rows=rows))
    with pytest.raises(Exception, match="PixelData") as caught:
        bench.read()
    assert caught.value.code == "malformed-tag"


def test_a_volume_of_air_is_refused(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        noise = np.random.default_rng(1).normal(24, 10, (32, 48))
        bench.set_stored(ds, np.clip(noise, 0, 4095).astype(int))
    bench.write(datasets)
    found = survey_scans(bench.folder)
    with pytest.raises(Exception, match="air") as caught:
        read_series(found[0])
    assert caught.value.code == "only-air"


def test_an_unknown_value_type_is_refused(bench):
    paths = bench.write(bench.phantom.datasets())
    data = paths[2].read_bytes()
    good = b"\x28\x00\x03\x01US"
    assert data.count(good) == 1
    paths[2].write_bytes(data.replace(good, good[:-2] + b"\x55\x00"))
    found = survey_scans(bench.folder)
    assert not [series for series in found if series.chosen]
    assert any("IM0002" in series.message for series in found)


def test_c22_values_beyond_16_signed_bits_are_clipped_and_told(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        stored = bench.get_stored(ds).astype(int)
        stored[10:16, 20:26] = 40000
        ds.BitsStored, ds.HighBit = 16, 15
        bench.set_stored(ds, stored)
    bench.write(datasets)
    volume = bench.read()
    assert "values-clipped" in volume.facts.warnings
    assert (volume.voxels_hu[:, 10:16, 20:26] == 32767).all()
    assert volume.voxels_hu[:, :9].max() <= bench.phantom.voxels_hu.max()


def test_d_a_name_that_cannot_be_decoded_is_told_and_nothing_else_is_lost(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.SpecificCharacterSet = "ISO_IR 192"
        ds.PatientName = b"M\xfcller^Jo"  # Latin letters where UTF-8 is stated
    bench.write(datasets)
    volume = bench.read()
    assert volume.facts.warnings == ("text-undecodable",)
    assert volume.patient.identifier == "P1"
    bench.assert_same_as_p(volume)
