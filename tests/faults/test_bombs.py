"""Files that declare, hold or unpack far more than an image: refused at once, in little memory.

All are read by one process of its own, whose peak of memory is theirs.
"""

from __future__ import annotations

import gzip
import json
import os
import struct
import subprocess
import sys
import zipfile
import zlib
from pathlib import Path

import nibabel as nib
import numpy as np
import pytest
import SimpleITK
from pydicom.uid import DeflatedExplicitVRLittleEndian, JPEG2000Lossless, JPEGLSLossless

#: Reads each folder and tells its codes and by how much the peak of memory grew. [MB]
READER = """
import json, sys, time
from pathlib import Path
from canalmorph.errors import CanalMorphError
from canalmorph.read.scans import read_series, survey_scans
def get_peak_mb():
    # Not that of getrusage, which begins with the parent's.
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024
for folder in sys.argv[1:]:
    before, start = get_peak_mb(), time.perf_counter()
    codes, n_read = [], 0
    for series in survey_scans(folder):
        if series.chosen:
            try:
                volume = read_series(series)
                n_read += 1
                codes += [lost.code for lost in volume.unread]
            except CanalMorphError as error:
                codes.append(error.code)
        elif series.status == "refused":
            codes.append(series.code)
    print(json.dumps([codes, n_read, get_peak_mb() - before, time.perf_counter() - start]))
"""
LARGEST_GROWTH_MB = 500
#: A guard against hanging; each takes below a second on an idle machine. [s]
LONGEST_S = 20
SPARSE_BYTES, ZEROS_BYTES = 3 << 30, 1 << 30


def deflate(data: bytes, end: int = zlib.Z_FULL_FLUSH) -> bytes:
    """Return raw deflated data that can be continued by more, as a full flush allows."""
    packer = zlib.compressobj(9, zlib.DEFLATED, -15)
    return packer.compress(data) + packer.flush(end)


def deflate_zeros() -> bytes:
    return deflate(bytes(1 << 24)) * (ZEROS_BYTES >> 24)


def write_p(bench, syntax=None, **tags):
    datasets = bench.phantom.datasets(**tags)
    for ds in datasets:
        if syntax == DeflatedExplicitVRLittleEndian:
            ds.file_meta.TransferSyntaxUID = syntax
        elif syntax:
            ds.compress(syntax, generate_instance_uid=False)
    return bench.write(datasets)[3]


def declare_a_size(bench):
    write_p(bench, Rows=65535, Columns=65535)


def declare_frames(bench):
    write_p(bench, NumberOfFrames=2_000_000_000)


def hold_empty_space(bench):
    os.truncate(write_p(bench), SPARSE_BYTES)


def inflate_a_private_element(bench):
    path = write_p(bench, DeflatedExplicitVRLittleEndian)
    data = path.read_bytes()
    (length,) = struct.unpack_from("<I", data, 140)
    start = 144 + length
    body = zlib.decompress(data[start:], -15)
    place = body.index(b"\xe0\x7f\x10\x00OW")
    element = struct.pack("<HH2sHI", 0x29, 0x1010, b"OB", 0, ZEROS_BYTES)
    packed = (
        deflate(body[:place] + element) + deflate_zeros() + deflate(body[place:], zlib.Z_FINISH)
    )
    path.write_bytes(data[:start] + packed)


def declare_a_size_in_jpeg_2000(bench):
    path = write_p(bench, JPEG2000Lossless)
    data = bytearray(path.read_bytes())
    place = data.index(b"\xff\x4f\xff\x51") + 8
    struct.pack_into(">8I", data, place, 30000, 30000, 0, 0, 30000, 30000, 0, 0)
    path.write_bytes(data)


def declare_components_in_jpeg_2000(bench):
    path = write_p(bench, JPEG2000Lossless)
    data = bytearray(path.read_bytes())
    struct.pack_into(">H", data, data.index(b"\xff\x4f\xff\x51") + 40, 16384)
    path.write_bytes(data)


def declare_a_size_in_jpeg_ls(bench):
    path = write_p(bench, JPEGLSLossless)
    data = bytearray(path.read_bytes())
    struct.pack_into(">HH", data, data.index(b"\xff\xf7") + 5, 65535, 65535)
    path.write_bytes(data)


def nest_sequences(bench):
    path = write_p(bench)
    item = b"\xfe\xff\x00\xe0\xff\xff\xff\xff" + b"\x40\x00\x75\x02SQ\x00\x00\xff\xff\xff\xff"
    data = path.read_bytes()
    place = data.index(b"\x20\x00\x32\x00DS")
    path.write_bytes(data[:place] + item[8:] + item * 200_000 + data[place:])


def write_a_long_number(bench):
    path = write_p(bench)
    data = path.read_bytes()
    place = data.index(b"\x20\x00\x32\x00DS") + 6
    (length,) = struct.unpack_from("<H", data, place)
    after = data[place + 2 + length :]
    path.write_bytes(data[:place] + struct.pack("<H", 65534) + b"1" * 65534 + after)


def write_nifti(bench, sizes=(20000, 20000, 20000), packed=False):
    header = nib.Nifti1Header()
    header.set_data_dtype(np.int16)
    header.set_sform(np.eye(4), 1)
    raw = bytearray(header.binaryblock + b"\0" * 164)
    raw[40:56] = struct.pack("<8h", 3, *sizes, 1, 1, 1, 1)
    raw[108:112] = struct.pack("<f", 352)
    bench.folder.mkdir()
    path = bench.folder / ("scan.nii.gz" if packed else "scan.nii")
    path.write_bytes(gzip.compress(bytes(raw)) if packed else bytes(raw))
    return path


def write_packed_nifti(bench):
    write_nifti(bench, packed=True)


def unpack_zeros_behind_a_nifti_header(bench):
    path = write_nifti(bench, sizes=(40, 40, 40))
    start = gzip.compress(b"")[:10]
    packed = start + deflate(path.read_bytes()) + deflate_zeros()
    path.with_name("scan.nii.gz").write_bytes(packed)
    path.unlink()


def hold_empty_space_in_nifti(bench):
    os.truncate(write_nifti(bench, sizes=(40, 40, 40)), SPARSE_BYTES)


def write_itk(bench, name, old=b"", new=b""):
    image = SimpleITK.GetImageFromArray(bench.phantom.voxels_hu)
    image.SetSpacing((3.0, 3.0, 3.0))
    bench.folder.mkdir()
    SimpleITK.WriteImage(image, str(bench.folder / name))
    path = bench.folder / name
    data = path.read_bytes()
    assert old in data
    path.write_bytes(data.replace(old, new))


def declare_a_size_in_nrrd(bench):
    write_itk(bench, "scan.nrrd", b"sizes: 48 32 24", b"sizes: 20000 20000 20000")


def declare_a_size_in_metaimage(bench):
    write_itk(bench, "scan.mha", b"DimSize = 48 32 24", b"DimSize = 20000 20000 20000")


def point_elsewhere(bench):
    write_itk(bench, "scan.mhd", b"scan.raw", b"/dev/zero")


def point_to_a_pipe(bench):
    write_itk(bench, "scan.mhd")
    (bench.folder / "scan.raw").unlink()
    os.mkfifo(bench.folder / "scan.raw")


def hold_empty_space_beside_metaimage(bench):
    write_itk(bench, "scan.mhd")
    os.truncate(bench.folder / "scan.raw", SPARSE_BYTES)


def zip_zeros(bench):
    bench.folder.mkdir()
    with (
        zipfile.ZipFile(
            bench.folder / "scan.zip", "w", zipfile.ZIP_DEFLATED, compresslevel=1
        ) as archive,
        archive.open("IM0000", "w") as member,
    ):
        for _ in range(ZEROS_BYTES >> 24):
            member.write(bytes(1 << 24))


def zip_with_a_false_size(bench):
    zip_zeros(bench)
    path = bench.folder / "scan.zip"
    data = bytearray(path.read_bytes())
    # The directory's record and the local one say 4000 bytes.
    place = data.index(b"PK\x01\x02")
    struct.pack_into("<I", data, place + 24, 4000)
    path.write_bytes(data)


BOMBS = {
    declare_a_size: "truncated-file too-large",
    declare_frames: "too-large",
    hold_empty_space: "too-large",
    inflate_a_private_element: "corrupt-file",
    declare_a_size_in_jpeg_2000: "malformed-tag",
    declare_components_in_jpeg_2000: "malformed-tag",
    declare_a_size_in_jpeg_ls: "malformed-tag",
    nest_sequences: "corrupt-file",
    write_a_long_number: "malformed-tag",
    write_nifti: "too-large",
    write_packed_nifti: "too-large",
    unpack_zeros_behind_a_nifti_header: "malformed-tag",
    hold_empty_space_in_nifti: "malformed-tag",
    declare_a_size_in_nrrd: "too-large",
    declare_a_size_in_metaimage: "too-large",
    point_elsewhere: "detached-data",
    point_to_a_pipe: "detached-data",
    hold_empty_space_beside_metaimage: "malformed-tag",
    zip_zeros: "archive-unsafe",
    zip_with_a_false_size: "corrupt-file archive-unreadable",
}


@pytest.mark.skipif(
    not Path("/proc/self/status").exists(), reason="This system tells no peak of memory this way."
)
def test_bombs_are_refused_in_little_memory(bench, tmp_path):
    folders = []
    for make in BOMBS:
        folders.append(tmp_path / make.__name__)
        bench.folder = folders[-1]
        make(bench)
    done = subprocess.run(
        [sys.executable, "-c", READER, *map(str, folders)],
        capture_output=True,
        text=True,
        timeout=LONGEST_S * len(BOMBS),
        check=False,
    )
    assert done.returncode == 0, done.stderr
    told = [json.loads(line) for line in done.stdout.splitlines()]
    for (make, allowed), (codes, n_read, grown_mb, took_s) in zip(BOMBS.items(), told, strict=True):
        name = make.__name__
        print(f"{name}: {codes}, {grown_mb:.0f} MB more, {took_s:.2f} s")
        # A bomb among a series' files is a slice that is missing: the others may be read.
        assert n_read == 0 or codes, name
        assert set(codes) & set(allowed.split()), f"{name}: {codes}"
        assert grown_mb < LARGEST_GROWTH_MB, name
        assert took_s < LONGEST_S, name
