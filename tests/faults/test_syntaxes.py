"""Transfer syntaxes (C24): bit-equal, or a sentence that names what is missing."""

from unittest import mock

import numpy as np
import pydicom
import pytest
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

from canalmorph.errors import CanalMorphError
from canalmorph.read.scans import read_series


@pytest.mark.parametrize(
    "syntax",
    [RLELossless, JPEG2000Lossless, JPEGLSLossless],
    ids=lambda syntax: syntax.name.split()[0],
)
def test_c24_compressed_is_bit_equal(bench, syntax):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.compress(syntax, generate_instance_uid=False)
    bench.write(datasets)
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ()


@pytest.mark.parametrize(
    "syntax", [DeflatedExplicitVRLittleEndian, ImplicitVRLittleEndian], ids=lambda s: s.name[:8]
)
def test_c24_other_native_syntaxes_are_bit_equal(bench, syntax):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.file_meta.TransferSyntaxUID = syntax
    bench.write(datasets)
    bench.assert_same_as_p(bench.read())


def test_c24_big_endian_is_bit_equal(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.PixelData = bench.get_stored(ds).astype(">u2").tobytes()
        ds["PixelData"].VR = "OW"
        ds.file_meta.TransferSyntaxUID = ExplicitVRBigEndian
    bench.folder.mkdir()
    for number, ds in enumerate(datasets):
        path = bench.folder / f"{number}"
        pydicom.dcmwrite(path, ds, implicit_vr=False, little_endian=False)
    bench.assert_same_as_p(bench.read())


def test_c24_a_missing_decoder_is_named(bench):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.compress(JPEGLSLossless, generate_instance_uid=False)
    bench.write(datasets)
    decoder = mock.Mock(is_available=False, missing_dependencies=("a plugin",))
    with mock.patch("canalmorph.read.pixels.get_decoder", return_value=decoder):
        refusal = bench.refusal()
    assert refusal.code == "unsupported-syntax"
    assert "JPEG-LS" in refusal.message


def test_c24_lossy_is_a_warning(bench):
    bench.write(bench.phantom.datasets(LossyImageCompression="01"))
    volume = bench.read()
    bench.assert_same_as_p(volume)
    assert volume.facts.warnings == ("lossy-compression",)


@pytest.mark.parametrize("keep", [-300, -12, 900])
@pytest.mark.parametrize("syntax", [RLELossless, JPEG2000Lossless, JPEGLSLossless])
def test_c24_a_compressed_slice_that_was_cut_is_named_and_leaves_a_gap(bench, syntax, keep):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.compress(syntax, generate_instance_uid=False)
    paths = bench.write(datasets)
    paths[7].write_bytes(paths[7].read_bytes()[:keep])
    found = bench.survey()
    (lost,) = [series for series in found if series.status == "refused"]
    assert (lost.file, lost.code) == ("scan/IM0007", "truncated-file")
    (series,) = [series for series in found if series.chosen]
    volume = read_series(series)
    assert [(gap.low_mm, gap.high_mm) for gap in volume.gaps] == [(-16.5, -10.5)]
    others = [k for k in range(24) if k != 7]
    assert np.array_equal(volume.voxels_hu[others], bench.phantom.voxels_hu[others])


def spoil(path):
    """Damage a compressed stream without shortening it, so that its decoder gives up."""
    data = bytearray(path.read_bytes())
    place = data.index(b"\xe0\x7f\x10\x00OB") + 12 + 8  # the first item: the table of offsets
    place += int.from_bytes(data[place - 4 : place], "little") + 8
    data[place + 2 : place + 64] = b"\xff" * 62
    path.write_bytes(data)


def write_spoilt(bench, syntax, lost):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.compress(syntax, generate_instance_uid=False)
    for place, path in enumerate(bench.write(datasets)):
        if place in lost:
            spoil(path)


@pytest.mark.parametrize("lost", [[7], [0, 1], [23], [0, 11, 12]])
@pytest.mark.parametrize("syntax", [RLELossless, JPEG2000Lossless, JPEGLSLossless])
def test_c24_a_slice_that_cannot_be_decoded_is_named_and_leaves_a_gap(bench, syntax, lost):
    write_spoilt(bench, syntax, lost)
    volume = bench.read()
    assert [error.file for error in volume.unread] == [f"scan/IM{k:04d}" for k in lost]
    assert {error.code for error in volume.unread} <= {"corrupt-file", "malformed-tag"}
    assert {"gap-in-slices", "damaged-file-beside"} <= set(volume.facts.warnings)
    there = [k for k in range(24) if k not in lost]
    # Ends of the scan that are lost are no gap; every other slice keeps its value and its place.
    assert len(volume.voxels_hu) == there[-1] + 1 - there[0]
    kept = [k - there[0] for k in there]
    assert np.array_equal(volume.voxels_hu[kept], bench.phantom.voxels_hu[there])
    assert volume.index_to_lps_mm[:3, 3] == pytest.approx((-70.5, -46.5, -34.5 + 3 * there[0]))
    gaps = [(gap.low_mm, gap.high_mm) for gap in volume.gaps]
    inner = [k for k in lost if there[0] < k < there[-1]]
    if inner:
        low, high = (-34.5 + 3 * k for k in (inner[0] - 1, inner[-1] + 1))
        assert gaps == [pytest.approx((low, high))]
    else:
        assert not gaps


def test_c24_runs_longer_than_the_plane_are_told_in_the_refusal_alone(bench, capfd):
    datasets = bench.phantom.datasets()
    for ds in datasets:
        ds.compress(RLELossless, generate_instance_uid=False)
    paths = bench.write(datasets)
    data = bytearray(paths[7].read_bytes())
    # The last runs before the end mark become longer than the plane.
    end = data.rindex(b"\xfe\xff\xdd\xe0")
    data[end - 200 : end] = b"\x81" * 200
    paths[7].write_bytes(data)
    volume = bench.read()
    assert [error.code for error in volume.unread] == ["corrupt-file"]
    # A compiled decoder's own trace would go past everything that keeps this program's output.
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("lost", [range(24), range(2, 22, 4), range(8, 15)])
def test_c24_more_damaged_slices_than_a_gap_refuse_the_series(bench, lost):
    write_spoilt(bench, JPEGLSLossless, lost)
    with pytest.raises(CanalMorphError) as caught:
        bench.read()
    assert caught.value.file == f"scan/IM{lost[0]:04d}"
    assert caught.value.code in ("corrupt-file", "malformed-tag")


def test_c24_pixels_in_countless_pieces_are_refused(bench):
    datasets = bench.phantom.datasets()
    datasets[7].compress(RLELossless, generate_instance_uid=False)
    paths = bench.write(datasets)
    data = paths[7].read_bytes()
    place = data.index(b"\xe0\x7f\x10\x00OB") + 12
    paths[7].write_bytes(data[:place] + b"\xfe\xff\x00\xe0\0\0\0\0" * 2000 + data[place:])
    assert bench.refusal().code == "malformed-tag"
