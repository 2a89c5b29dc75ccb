"""Random damage to bytes and tags: a refusal, a warning, or P itself; no crash, hang or blow-up.

What is accepted and differs from P without a word is judged, one by one, against `UNSEEN`: changes
that no reader could see, each with its reason. The long run is made by hand:
``python -m pytest -m slow -s tests/faults/test_mutations.py`` prints its figures.
"""

from __future__ import annotations

import gzip
import io
import random
import resource
import signal
import struct
import zipfile
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import nibabel as nib
import numpy as np
import pytest
import SimpleITK
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.tag import Tag
from pydicom.uid import (
    DeflatedExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLSLossless,
    RLELossless,
)

from canalmorph.errors import CanalMorphError
from canalmorph.model.volume import CtVolume
from canalmorph.read.scans import read_series, survey_scans

#: Inputs a target in CI, and by hand: 15 targets make 20,000 and more.
N_QUICK, N_LONG = 30, 1430
#: A hang guard, not a promise of speed. [s]
LONGEST_S = 10
#: What one run may add to the memory of the process. [kB]
LARGEST_GROWTH_KB = 1 << 20
#: Damage that leaves less than this in a slice is like the noise of a CT. [HU]
NOISE_HU = 40
#: So many voxels may differ after damage to a few bytes of raw voxels: about a row. Damage to the
#: first and the last slice, beyond which nothing lies, is no jump below the second. [HU]
RAW_VOXELS, END_HU = 50, 300

#: Values for a tag or a field, beside numbers near its own.
ODD_TEXTS = [
    b"", b"0", b"-1", b"1e308", b"NaN", b"inf", b"65535", b"4294967296", b"1,5", b"abc",
    b"\xff" * 4, b"1\\1", b"1\\2\\3\\4\\5\\6\\7", b"0.000001", b"1 1 1",
    b"(0,0,0)", b"../x", b"3", b"12", b"48",
]  # fmt: skip
DICOM_KEYWORDS = [
    "ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing", "Rows", "Columns",
    "BitsAllocated", "BitsStored", "HighBit", "PixelRepresentation", "SamplesPerPixel",
    "RescaleSlope", "RescaleIntercept", "RescaleType", "Modality", "SOPClassUID", "SOPInstanceUID",
    "SeriesInstanceUID", "StudyInstanceUID", "FrameOfReferenceUID", "PatientID", "PatientName",
    "ImageType", "AcquisitionNumber", "AcquisitionTime", "ContentTime", "KVP", "ConvolutionKernel",
    "SliceThickness", "InstanceNumber", "PatientPosition", "StudyDate",
]  # fmt: skip

#: Silent changes that cannot be seen, by what was changed, each with why. Tags of identity and
#: time are no geometry: they are never seen here, since the volume stays the same.
#: `test_unseen` measures the rest of them.
UNSEEN = {
    "PixelSpacing": "in all slices alike: nothing else in the files tells the pixel's size",
    "ImageOrientationPatient": "in all slices alike, when the stack stays at right angles to them",
    "ImagePositionPatient": "in all slices alike: it moves nothing against anything else",
    "RescaleSlope": "in all slices alike, as long as air, tissue and bone lie where they may",
    "RescaleIntercept": "in all slices alike, by less than 60 HU, or in some by less than 50 HU",
    "PixelData": "single voxels of raw data, which have no checksum; bytes lost in one place and "
    "gained in another, which move those between by a voxel",
    "codestream": "no checksum in JPEG 2000 and deflated DICOM: less than noise, or than is END_HU",
    "grid": "size, place or axes of a research file: one statement, with nothing to compare",
    "scale": "slope or intercept of a research file, as long as air, tissue and bone lie right",
}


def write_dicom(bench, edit: Callable[[Dataset], None] = lambda ds: None) -> dict[str, bytes]:
    datasets = bench.make_phantom(shape=(12, 32, 48)).datasets()
    for ds in datasets:
        edit(ds)
    return read_files(bench.write(datasets))


def read_files(paths) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in paths}


def compress(syntax):
    def make(bench):
        return write_dicom(bench, lambda ds: ds.compress(syntax, generate_instance_uid=False))

    return make


def relabel(syntax):
    def edit(ds):
        ds.file_meta.TransferSyntaxUID = syntax

    return lambda bench: write_dicom(bench, edit)


def make_enhanced(bench):
    datasets = bench.make_phantom(shape=(12, 32, 48)).datasets()
    ds = datasets[0]
    ds.SOPClassUID = ds.file_meta.MediaStorageSOPClassUID = "1.2.840.10008.5.1.4.1.1.2.1"
    shared, frames = Dataset(), []
    for target, name, keywords in (
        (shared, "PixelMeasuresSequence", ["PixelSpacing", "SliceThickness"]),
        (shared, "PlaneOrientationSequence", ["ImageOrientationPatient"]),
    ):
        setattr(target, name, Sequence([copy_tags(ds, keywords)]))
    for source in datasets:
        frame = Dataset()
        frame.PlanePositionSequence = Sequence([copy_tags(source, ["ImagePositionPatient"])])
        keywords = ["RescaleSlope", "RescaleIntercept", "RescaleType"]
        frame.PixelValueTransformationSequence = Sequence([copy_tags(source, keywords)])
        frames.append(frame)
    for keyword in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing"):
        delattr(ds, keyword)
    ds.SharedFunctionalGroupsSequence = Sequence([shared])
    ds.PerFrameFunctionalGroupsSequence = Sequence(frames)
    ds.NumberOfFrames = len(frames)
    ds.PixelData = b"".join(source.PixelData for source in datasets)
    return read_files(bench.write([ds]))


def copy_tags(source: Dataset, keywords: list[str]) -> Dataset:
    copied = Dataset()
    for keyword in keywords:
        setattr(copied, keyword, getattr(source, keyword))
    return copied


def make_nifti(packed: bool):
    def make(bench):
        phantom = bench.make_phantom(shape=(12, 32, 48))
        affine = np.diag([-1.0, -1, 1, 1]) @ phantom.index_to_lps_mm[:, [2, 1, 0, 3]]
        image = nib.Nifti1Image(phantom.voxels_hu.T, affine)
        image.set_qform(affine, 1)
        image.header.set_xyzt_units("mm")
        return {"scan.nii.gz" if packed else "scan.nii": image.to_bytes()}

    return make


def make_itk(name: str, packed: bool):
    def make(bench):
        phantom = bench.make_phantom(shape=(12, 32, 48))
        image = SimpleITK.GetImageFromArray(phantom.voxels_hu)
        image.SetSpacing((3.0, 3.0, 3.0))
        image.SetOrigin(phantom.origin_mm)
        bench.folder.mkdir(exist_ok=True)
        SimpleITK.WriteImage(image, str(bench.folder / name), packed)
        return read_files(bench.folder.iterdir())

    return make


def make_zip(bench):
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in write_dicom(bench).items():
            archive.writestr(name, data)
            (bench.folder / name).unlink()
    return {"scan.zip": packed.getvalue()}


TARGETS = {
    "dicom": write_dicom,
    "dicom implicit": relabel(ImplicitVRLittleEndian),
    "dicom bare": lambda bench: {name: data[132:] for name, data in write_dicom(bench).items()},
    "dicom deflated": relabel(DeflatedExplicitVRLittleEndian),
    "dicom j2k": compress(JPEG2000Lossless),
    "dicom jpegls": compress(JPEGLSLossless),
    "dicom rle": compress(RLELossless),
    "dicom enhanced": make_enhanced,
    "nifti": make_nifti(False),
    "nifti packed": make_nifti(True),
    "nrrd": make_itk("scan.nrrd", False),
    "nrrd packed": make_itk("scan.nrrd", True),
    "metaimage": make_itk("scan.mha", False),
    "metaimage detached packed": make_itk("scan.mhd", True),
    "zip": make_zip,
}


def mutate_bytes(data: bytes, chance: random.Random) -> bytes:
    """Return the bytes with one to five of them changed, lost, inserted or cut off."""
    changed = bytearray(data)
    # Most damage goes to the header, where it can do harm.
    limit = len(changed) if chance.random() < 0.3 else min(len(changed), 1400)
    for _ in range(chance.choice([1, 1, 2, 5])):
        if not changed:
            break
        place = chance.randrange(min(limit, len(changed)))
        kind = chance.random()
        if kind < 0.6:
            changed[place] = chance.randrange(256)
        elif kind < 0.7:
            del changed[place : place + chance.randrange(1, 8)]
        elif kind < 0.8:
            changed[place:place] = chance.randbytes(chance.randrange(1, 8))
        elif kind < 0.9:
            changed[place : place + 4] = b"\xff" * 4
        else:
            changed = changed[: max(place, 1)]
    return bytes(changed)


def make_odd(value: bytes, chance: random.Random) -> bytes:
    """Return an odd value in the place of this text, or one near it."""
    if chance.random() < 0.5:
        return chance.choice(ODD_TEXTS)
    separator = b"\\" if b"\\" in value else b" "
    parts = value.strip().split(separator)
    place = chance.randrange(len(parts))
    try:
        number = float(parts[place]) * chance.choice([1.01, 1.5, 10, -1, 0]) + chance.choice([0, 1])
        parts[place] = f"{number:.6g}".encode()
    except ValueError:
        parts[place] = chance.choice(ODD_TEXTS)
    return separator.join(parts)


def edit_element(data: bytes, keyword: str, new: bytes) -> bytes:
    """Return explicit little endian data with another value of one element."""
    tag = Tag(keyword)
    key = struct.pack("<HH", tag.group, tag.element)
    place = data.find(key)
    if place < 0:
        return data
    kind, (length,) = data[place + 4 : place + 6], struct.unpack_from("<H", data, place + 6)
    if kind == b"US":
        digits = new.strip().lstrip(b"-")
        new = struct.pack("<H", int(digits) & 0xFFFF if digits.isdigit() else 7)
    new += b" " * (len(new) % 2)
    after = data[place + 8 + length :]
    return data[: place + 6] + struct.pack("<H", len(new)) + new + after


def read_element(data: bytes, keyword: str) -> bytes:
    tag = Tag(keyword)
    place = data.find(struct.pack("<HH", tag.group, tag.element))
    if place < 0:
        return b"0"
    (length,) = struct.unpack_from("<H", data, place + 6)
    value = data[place + 8 : place + 8 + length]
    known = data[place + 4 : place + 6] == b"US"
    return str(struct.unpack("<H", value)[0]).encode() if known else value


def mutate_tag(files: dict[str, bytes], chance: random.Random) -> tuple[str, dict[str, bytes]]:
    """Return files with one tag changed, in one, in some or in all of them alike."""
    keyword = chance.choice(DICOM_KEYWORDS)
    names = list(files)
    share = chance.choice(["one", "some", "all"])
    hit = {"one": names[:1], "some": chance.sample(names, (len(names) + 1) // 2), "all": names}
    new = make_odd(read_element(files[chance.choice(names)], keyword), chance)
    changed = {
        name: edit_element(data, keyword, new) if name in hit[share] else data
        for name, data in files.items()
    }
    return f"{keyword} {share}", changed


def mutate_line(files: dict[str, bytes], chance: random.Random) -> tuple[str, dict[str, bytes]]:
    """Return a text header with another value in one of its lines."""
    name = next((name for name in files if name.endswith("mhd")), next(iter(files)))
    head, end, rest = split_text(files[name])
    lines = head.split(b"\n")
    place = chance.randrange(len(lines))
    separator = b" = " if b" = " in lines[place] else b": "
    key, _, value = lines[place].partition(separator)
    lines[place] = key + separator + make_odd(value, chance)
    if chance.random() < 0.1:
        del lines[place]
    return key.decode(errors="replace"), files | {name: b"\n".join(lines) + end + rest}


def split_text(data: bytes) -> tuple[bytes, bytes, bytes]:
    for end in (b"\n\n", b"ElementDataFile = LOCAL\n"):
        head, found, rest = data.partition(end)
        if found:
            return head, found, rest
    return data, b"", b""


def mutate_field(files: dict[str, bytes], chance: random.Random) -> tuple[str, dict[str, bytes]]:
    """Return a NIfTI file with another number in one field of its header."""
    ((name, data),) = files.items()
    shorts, floats = (
        [*range(40, 56, 2), 70, 72, 252, 254],
        [*range(76, 124, 4), *range(256, 328, 4)],
    )
    offset = chance.choice(shorts + floats)
    if offset in shorts:
        value = chance.choice([0, 1, 2, 3, 4, 7, 8, 16, 64, 512, -1, 32767, 12, 32, 48, 768])
        new = struct.pack("<h", value)
    else:
        (old,) = struct.unpack_from("<f", data, offset)
        value = chance.choice([0, 1, -1, 1e30, np.nan, np.inf, 1e-30, old * 1.01, -old, old + 1])
        new = struct.pack("<f", value)
    return f"field {offset}", {name: data[:offset] + new + data[offset + len(new) :]}


def mutate(
    target: str, files: dict[str, bytes], chance: random.Random
) -> tuple[str, dict[str, bytes]]:
    """Return what was done, and the damaged files."""
    if target != "zip" and chance.random() < 0.5:
        if target.startswith("dicom") and target not in ("dicom implicit", "dicom deflated"):
            return mutate_tag(files, chance)
        if target.startswith("nifti"):
            return mutate_field(files, chance)
        if not target.startswith("dicom"):
            return mutate_line(files, chance)
    names = list(files)
    hit = chance.sample(names, min(chance.choice([1, 1, 2, 12]), len(names)))
    return "bytes", {
        name: mutate_bytes(data, chance) if name in hit else data for name, data in files.items()
    }


@contextmanager
def guard_against_hangs() -> Iterator[None]:
    def stop(*_: object) -> None:
        raise AssertionError(f"an input took more than {LONGEST_S} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(LONGEST_S)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


class Fuzz:
    """One target: its clean files, what they read as, and the outcomes of damage."""

    def __init__(self, bench, target: str, seed: int) -> None:
        self._bench, self._target, self._chance = bench, target, random.Random(seed)
        bench.folder.mkdir(exist_ok=True)
        self._files = TARGETS[target](bench)
        self._write(self._files)
        self._clean = bench.read()
        self.outcomes: Counter[str] = Counter()
        self.silent: list[tuple[str, str]] = []

    def run(self, n_inputs: int) -> None:
        for _ in range(n_inputs):
            name, files = mutate(self._target, self._files, self._chance)
            self._write(files)
            with guard_against_hangs():
                outcome = self._judge()
            self.outcomes[outcome.split(":")[0]] += 1
            if outcome.startswith("silent"):
                self.silent.append((name, outcome))

    def _write(self, files: dict[str, bytes]) -> None:
        for name, data in files.items():
            packed = name.endswith(".nii.gz")
            content = gzip.compress(data, 1) if packed else data
            (self._bench.folder / name).write_bytes(content)

    def _judge(self) -> str:
        """Return what came of the damaged files; any other error ends the test."""
        found = survey_scans(self._bench.folder)
        said = {code for series in found for code in series.warnings}
        refused = any(series.status != "measurable" for series in found)
        volumes = []
        for series in found:
            if series.chosen:
                try:
                    volumes.append(read_series(series))
                except CanalMorphError:
                    refused = True
        if not volumes:
            assert refused
            return "refused"
        said |= {code for volume in volumes for code in volume.facts.warnings}
        outcomes = [self._compare(volume) for volume in volumes]
        if set(outcomes) == {"same"}:
            return "same"
        if refused or said - set(self._clean.facts.warnings):
            return "told"
        return "silent: " + "; ".join(sorted(set(outcomes)))

    def _compare(self, volume: CtVolume) -> str:
        if volume.voxels_hu.shape != self._clean.voxels_hu.shape:
            return "shape"
        # Positions may be rounded by 0.06 mm.
        if not np.allclose(volume.index_to_lps_mm, self._clean.index_to_lps_mm, atol=0.06):
            return "grid"
        apart = np.abs(volume.voxels_hu.astype(int) - self._clean.voxels_hu)
        n = int(np.count_nonzero(apart))
        if n <= RAW_VOXELS:
            return f"{n} voxels" if n else "same"
        slices = int(np.count_nonzero(apart.max(axis=(1, 2))))
        usual = float(np.median(apart[apart > 0]))
        place = "slices" if apart[1:-1].any() else "end slices"
        return f"{n} voxels in {slices} {place}, by {usual:.0f} HU"


def can_be_unseen(target: str, name: str, outcome: str) -> bool:
    """Return whether a silent change is of a kind in `UNSEEN`."""
    if "voxels" in outcome:
        words = outcome.split()
        if name == "bytes" and "HU" in words:
            return int(words[-2]) <= (END_HU if "end" in words else NOISE_HU)
        if name == "bytes":
            return int(words[1]) <= RAW_VOXELS
        return "Rescale" in name or "scl" in name or name in ("field 112", "field 116")
    if target.startswith("dicom"):
        return name.split()[0] in UNSEEN and (name.endswith("all") or target == "dicom enhanced")
    return outcome.endswith("grid")


def assert_sound(bench, target: str, n_inputs: int, seed: int) -> Fuzz:
    fuzz = Fuzz(bench, target, seed)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    fuzz.run(n_inputs)
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    wrong = [each for each in fuzz.silent if not can_be_unseen(target, *each)]
    print(f"\n{target}: {dict(fuzz.outcomes)}, {grown // 1024} MB more")
    for each, count in Counter(fuzz.silent).most_common():
        print(f"    {'WRONG ' if each in wrong else ''}{each[0]}: {each[1]}, {count} times")
    assert grown < LARGEST_GROWTH_KB
    assert not wrong
    return fuzz


@pytest.mark.parametrize("target", TARGETS)
def test_damage_is_refused_told_or_harmless(bench, target):
    fuzz = assert_sound(bench, target, N_QUICK, seed=11)
    assert fuzz.outcomes["refused"] > N_QUICK // 6


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS)
def test_much_damage_is_refused_told_or_harmless(bench, target):
    assert_sound(bench, target, N_LONG, seed=12)
