"""Faults of NIfTI, NRRD and MetaImage files (E), and hostile sizes (I82)."""

import gzip
import itertools
import struct

import nibabel as nib
import numpy as np
import pytest
import SimpleITK

from canalmorph.read.scans import read_series, survey_scans
from canalmorph.read.settings import ReadSettings

RAS = np.diag([-1.0, -1, 1, 1])


def _affine(phantom):
    """Return the (i, j, k) to RAS affine of the phantom's own grid."""
    return RAS @ phantom.index_to_lps_mm[:, [2, 1, 0, 3]]


def _image(phantom, dtype=np.int16):
    return nib.Nifti1Image(phantom.voxels_hu.T.astype(dtype), _affine(phantom), dtype=dtype)


@pytest.fixture
def path(bench):
    bench.folder.mkdir()
    return bench.folder / "scan.nii.gz"


def _patch(path, offset, data):
    raw = bytearray(gzip.decompress(path.read_bytes()))
    raw[offset : offset + len(data)] = data
    path.write_bytes(gzip.compress(bytes(raw)))


def test_clean_nifti_is_p(bench, path):
    nib.save(_image(bench.phantom), path)
    volume = bench.read(path)
    bench.assert_same_as_p(volume)
    assert volume.facts.file_format == "nifti"
    assert volume.facts.source == "scan.nii.gz"
    assert volume.facts.warnings == ("unit-not-stated",)


@pytest.mark.parametrize("codes", [(2, 1), (1, 1)])
def test_e40_contradicting_transforms_are_refused(bench, path, codes):
    image = _image(bench.phantom)
    mirrored = _affine(bench.phantom)
    mirrored[0] *= -1
    image.set_sform(_affine(bench.phantom), codes[0])
    image.set_qform(mirrored, codes[1])
    nib.save(image, path)
    assert bench.refusal(path).code == "contradictory-orientation"
    (found,) = survey_scans(path, ReadSettings(nifti_transform="sform"))
    assert found.chosen
    bench.assert_same_as_p(read_series(found, ReadSettings(nifti_transform="sform")))


def test_e40_no_transform_at_all_is_refused(bench, path):
    image = _image(bench.phantom)
    image.set_sform(None, 0)
    image.set_qform(None, 0)
    nib.save(image, path)
    assert bench.refusal(path).code == "no-orientation"


def test_e42_sheared_sform_is_refused_with_its_angle(bench, path):
    image = _image(bench.phantom)
    sheared = _affine(bench.phantom)
    sheared[1, 2] = 0.8
    image.set_sform(sheared, 1)
    image.set_qform(None, 0)
    nib.save(image, path)
    refusal = bench.refusal(path)
    assert refusal.code == "not-orthogonal"
    # atan(0.8 / 3) = 14.9 degrees.
    assert "14.9 degrees" in refusal.message


def test_e42_tiny_shear_is_squared_with_a_warning(bench, path):
    image = _image(bench.phantom)
    sheared = _affine(bench.phantom)
    sheared[1, 2] = 0.002
    image.set_sform(sheared, 1)
    image.set_qform(None, 0)
    image.header.set_xyzt_units("mm")
    nib.save(image, path)
    volume = bench.read(path)
    assert volume.facts.warnings == ("orthonormalised",)
    axes = volume.index_to_lps_mm[:3, :3] / 3
    assert np.allclose(axes.T @ axes, np.eye(3), atol=1e-6)
    assert np.allclose(volume.index_to_lps_mm, bench.phantom.index_to_lps_mm, atol=2e-3)


@pytest.mark.parametrize(("unit", "factor"), [("micron", 1000), ("meter", 0.001), ("mm", 1)])
def test_e44_units_of_length_are_turned_into_millimetres(bench, path, unit, factor):
    affine = np.diag([factor] * 3 + [1]) @ _affine(bench.phantom)
    image = nib.Nifti1Image(bench.phantom.voxels_hu.T, affine)
    image.header.set_xyzt_units(unit)
    nib.save(image, path)
    bench.assert_same_as_p(bench.read(path))


def test_e44_wrong_unit_is_refused(bench, path):
    image = nib.Nifti1Image(
        bench.phantom.voxels_hu.T, np.diag([0.001] * 3 + [1]) @ _affine(bench.phantom)
    )
    nib.save(image, path)
    assert bench.refusal(path).code == "implausible-voxel-size"


@pytest.mark.parametrize("slope", [0.0, float("nan")])
def test_e46_slope_zero_means_no_scaling(bench, path, slope):
    nib.save(_image(bench.phantom), path)
    _patch(path, 112, struct.pack("<ff", slope, -1024))
    bench.assert_same_as_p(bench.read(path))


def test_e46_unsigned_values_with_an_intercept(bench, path):
    image = nib.Nifti1Image(
        (bench.phantom.voxels_hu.T + 1024).astype(np.uint16), _affine(bench.phantom)
    )
    nib.save(image, path)
    _patch(path, 112, struct.pack("<ff", 1, -1024))
    bench.assert_same_as_p(bench.read(path))
    _patch(path, 112, struct.pack("<ff", 1, 0))
    with pytest.raises(Exception, match="scan") as caught:
        bench.read(path)
    assert caught.value.code == "not-hounsfield"


@pytest.mark.parametrize("suffix", [".nii.gz", ".nii"])
@pytest.mark.parametrize("part", [0.67, 0.999, 0.02])
def test_e47_truncated_files_are_refused(bench, path, suffix, part):
    path = path.with_name("scan" + suffix)
    nib.save(_image(bench.phantom), path)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * part)])
    (found,) = survey_scans(path)
    if found.status == "refused":
        assert found.code in ("truncated-file", "not-an-image")
        return
    with pytest.raises(Exception, match="scan") as caught:
        read_series(found)
    assert caught.value.code == "truncated-file"


def test_e47_wrong_checksum_is_refused(bench, path):
    nib.save(_image(bench.phantom), path)
    data = bytearray(path.read_bytes())
    data[-6] ^= 0xFF
    path.write_bytes(bytes(data))
    with pytest.raises(Exception, match="scan") as caught:
        bench.read(path)
    assert caught.value.code == "corrupt-file"


@pytest.mark.parametrize("dtype", [np.int64, np.float64, np.float32, np.int32])
def test_e49_other_types_are_rounded(bench, path, dtype):
    image = nib.Nifti1Image(
        bench.phantom.voxels_hu.T.astype(dtype), _affine(bench.phantom), dtype=dtype
    )
    nib.save(image, path)
    bench.assert_same_as_p(bench.read(path))


def test_e49_not_a_number_becomes_air(bench, path):
    values = bench.phantom.voxels_hu.T.astype(np.float32)
    values[0, 0, :], values[1, 0, 0] = np.nan, np.inf
    nib.save(nib.Nifti1Image(values, _affine(bench.phantom)), path)
    volume = bench.read(path)
    assert "non-finite-voxels" in volume.facts.warnings
    assert np.all(volume.voxels_hu[:, 0, 0] == -1024)
    assert volume.voxels_hu[0, 0, 1] == -1024
    assert np.array_equal(volume.voxels_hu[:, 1:], bench.phantom.voxels_hu[:, 1:])


@pytest.mark.parametrize("n", [1, 2])
def test_e49_a_fourth_axis_of_one_is_dropped_and_of_two_refused(bench, path, n):
    values = np.stack([bench.phantom.voxels_hu.T] * n, axis=-1)
    nib.save(nib.Nifti1Image(values, _affine(bench.phantom)), path)
    if n == 1:
        bench.assert_same_as_p(bench.read(path))
    else:
        assert bench.refusal(path).code == "not-3d"


CODES = [
    (axes, flips)
    for axes in itertools.permutations(range(3))
    for flips in itertools.product((False, True), repeat=3)
]


def _reordered(phantom, axes, flips):
    """Return the (i, j, k) array and its LPS affine with axes permuted and flipped."""
    array = phantom.voxels_hu.T.transpose(axes)
    affine = phantom.index_to_lps_mm[:, [2, 1, 0, 3]][:, [*axes, 3]].copy()
    for axis, flip in enumerate(flips):
        if flip:
            array = np.flip(array, axis)
            affine[:, 3] += affine[:, axis] * (array.shape[axis] - 1)
            affine[:, axis] *= -1
    return array, affine


def test_e50_all_48_axis_orders_put_each_voxel_in_its_place(bench, path):
    path = path.with_name("scan.nii")
    for axes, flips in CODES:
        array, affine = _reordered(bench.phantom, axes, flips)
        nib.save(nib.Nifti1Image(array, RAS @ affine), path)
        bench.assert_true_places(bench.read(path))


@pytest.mark.parametrize("suffix", [".mha", ".nrrd", ".mhd", ".nhdr"])
@pytest.mark.parametrize("packed", [False, True])
def test_e50_itk_files_agree_with_the_library_that_wrote_them(bench, path, suffix, packed):
    path = path.with_name("scan" + suffix)
    image = SimpleITK.GetImageFromArray(bench.phantom.voxels_hu)
    turned = np.array([[0.8, -0.6, 0], [0.6, 0.8, 0], [0, 0, -1.0]])
    image.SetDirection(turned.ravel())
    image.SetSpacing((1.0, 2.5, 3.0))
    image.SetOrigin((10.0, -20.0, 30.0))
    SimpleITK.WriteImage(image, str(path), packed)
    volume = read_series(bench.chosen(path))
    assert np.array_equal(volume.voxels_hu, bench.phantom.voxels_hu)
    for k, j, i in itertools.product((0, 23), (0, 31), (0, 47)):
        expected = image.TransformIndexToPhysicalPoint((i, j, k))
        assert (volume.index_to_lps_mm @ [k, j, i, 1])[:3] == pytest.approx(expected, abs=1e-9)
    assert volume.facts.n_files == (2 if suffix in (".mhd", ".nhdr") else 1)


def _nrrd(phantom, *, space="left-posterior-superior", signs=(1, 1, 1), extra="", n_extra=0):
    matrix = np.diag([*signs, 1]) @ phantom.index_to_lps_mm
    vectors = ["({:g},{:g},{:g})".format(*matrix[:3, column]) for column in (2, 1, 0)]
    vectors = ["none"] * n_extra + vectors
    sizes = [*[1] * n_extra, *reversed(phantom.shape)]
    head = (
        f"NRRD0004\ntype: short\ndimension: {len(sizes)}\nspace: {space}\n"
        f"sizes: {' '.join(map(str, sizes))}\nspace directions: {' '.join(vectors)}\n"
        f"space origin: ({','.join(f'{x:g}' for x in matrix[:3, 3])})\n"
        f"endian: little\nencoding: raw\n{extra}\n"
    )
    return head.encode() + phantom.voxels_hu.astype("<i2").tobytes()


@pytest.mark.parametrize(
    ("space", "signs"),
    [
        ("left-posterior-superior", (1, 1, 1)),
        ("LPS", (1, 1, 1)),
        ("right-anterior-superior", (-1, -1, 1)),
        ("RAS", (-1, -1, 1)),
        ("left-anterior-superior", (1, -1, 1)),
    ],
)
@pytest.mark.parametrize("n_extra", [0, 1])
def test_e50_nrrd_spaces(bench, path, space, signs, n_extra):
    path = path.with_name("scan.nrrd")
    path.write_bytes(_nrrd(bench.phantom, space=space, signs=signs, n_extra=n_extra))
    bench.assert_same_as_p(bench.read(path))


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        (b"space: left-posterior-superior\n", b"", "no-orientation"),
        (b"space: left-posterior-superior", b"space: 3D-right-handed", "no-orientation"),
        (b"space origin: (-70.5,-46.5,-34.5)\n", b"", "missing-tag"),
        (b"sizes: 48 32 24", b"sizes: 48 32 240", "truncated-file"),
        (b"sizes: 48 32 24", b"sizes: 48 32 20", "malformed-tag"),
        (b"sizes: 48 32 24", b"sizes: 48 32 -24", "malformed-tag"),
        (b"sizes: 48 32 24", b"sizes: 48 32 +-24", "malformed-tag"),
        (b"sizes: 48 32 24", b"sizes: 48 32 " + b"9" * 5000, "malformed-tag"),
        (b"(3,0,0)", b"(3,0,0.5)", "not-orthogonal"),
        (b"(3,0,0)", b"(nan,0,0)", "malformed-tag"),
        (b"encoding: raw", b"encoding: bzip2", "unsupported-encoding"),
        (b"endian: little\n", b"", "missing-tag"),
        (b"encoding: raw", b"encoding: raw\ndata file: ../other.raw", "detached-data"),
        (b"encoding: raw", b"encoding: raw\ndata file: /etc/hostname", "detached-data"),
        (b"encoding: raw", b"encoding: raw\ndata file: not_there.raw", "detached-data"),
        (b"type: short", b"type: block", "unsupported-pixels"),
    ],
)
def test_e50_nrrd_faults_are_refused(bench, path, old, new, code):
    path = path.with_name("scan.nrrd")
    data = _nrrd(bench.phantom)
    assert data.count(old) == 1
    path.write_bytes(data.replace(old, new))
    assert bench.refusal(path).code == code


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        (b"ElementSpacing = 3 3 3\n", b"", "missing-tag"),
        (b"ElementSpacing = 3 3 3", b"ElementSpacing = 3 3 -3", "malformed-tag"),
        (b"TransformMatrix = 1 0 0 0 1 0 0 0 1\n", b"", "no-orientation"),
        (b"TransformMatrix = 1 0 0", b"TransformMatrix = 1 0 0.3", "malformed-tag"),
        (b"TransformMatrix = 1 0 0", b"TransformMatrix = 0.8 0.6 0", "not-orthogonal"),
        (b"DimSize = 48 32 24", b"DimSize = 48 32 26", "truncated-file"),
        (b"DimSize = 48 32 24", b"DimSize = 48 32 21", "malformed-tag"),
        (b"ElementDataFile = LOCAL", b"ElementDataFile = ../a.raw", "detached-data"),
        (b"ElementDataFile = LOCAL", b"ElementDataFile = LIST", "detached-data"),
        (b"ElementType = MET_SHORT", b"ElementType = MET_OTHER", "unsupported-pixels"),
        (b"BinaryData = True", b"BinaryData = False", "unsupported-encoding"),
    ],
)
def test_e50_metaimage_faults_are_refused(bench, path, old, new, code):
    path = path.with_name("scan.mha")
    image = SimpleITK.GetImageFromArray(bench.phantom.voxels_hu)
    image.SetSpacing((3.0, 3.0, 3.0))
    SimpleITK.WriteImage(image, str(path), False)
    data = path.read_bytes()
    assert data.count(old) == 1
    path.write_bytes(data.replace(old, new))
    assert bench.refusal(path).code == code


@pytest.mark.parametrize(
    ("name", "start", "line"),
    [("a.nrrd", b"NRRD0004\ntype: short\n", 3), ("a.mha", b"ObjectType = Image\n\n", 3)],
)
def test_a_malformed_header_line_is_told_by_its_number_and_not_shown(
    bench, path, name, start, line
):
    path = path.with_name(name)
    path.write_bytes(start + b"Quill^Rosalind 1944\n\n" + b"\0" * 200)
    error = bench.refusal(path)
    assert error.code == "corrupt-file"
    assert f"Line {line} of its header" in str(error)
    assert "Quill" not in str(error) + error.tag


@pytest.mark.parametrize("suffix", [".nii", ".nii.gz"])
def test_i82_declared_size_beyond_the_file_is_refused_at_once(bench, path, suffix):
    path = path.with_name("scan" + suffix)
    header = nib.Nifti1Header()
    header.set_data_dtype(np.int16)
    header.set_sform(np.eye(4), 1)
    raw = bytearray(header.binaryblock + b"\0" * 164)
    raw[40:56] = struct.pack("<8h", 3, 20000, 20000, 20000, 1, 1, 1, 1)
    raw[108:112] = struct.pack("<f", 352)
    path.write_bytes(gzip.compress(bytes(raw)) if suffix.endswith("gz") else bytes(raw))
    assert bench.refusal(path).code in ("truncated-file", "too-large")


def test_i82_a_packed_bomb_is_stopped(bench, path):
    nib.save(_image(bench.phantom), path)
    raw = gzip.decompress(path.read_bytes())
    path.write_bytes(gzip.compress(raw + b"\0" * (1 << 26)))
    with pytest.raises(Exception, match="scan") as caught:
        bench.read(path)
    assert caught.value.code == "malformed-tag"


@pytest.mark.parametrize("start", [float("nan"), float("inf"), -4.0, 352.5, 1e9])
def test_an_impossible_start_of_the_voxels_is_refused(bench, path, start):
    nib.save(_image(bench.phantom), path)
    _patch(path, 108, struct.pack("<f", start))
    assert bench.refusal(path).code in ("malformed-tag", "truncated-file")


def test_too_few_kinds_are_refused(bench, path):
    path = path.with_name("scan.nrrd")
    path.write_bytes(_nrrd(bench.phantom, extra="kinds: domain domain\n"))
    assert bench.refusal(path).code == "malformed-tag"
