"""Random damage to bytes: a refusal or P itself, never a traceback and never another geometry."""

import gzip
import random

import nibabel as nib
import numpy as np
import pytest
import SimpleITK
from pydicom.uid import JPEG2000Lossless, RLELossless

from canalmorph.errors import CanalMorphError
from canalmorph.read.scans import read_scans, survey_scans

#: By hand run with thousands; so many keep the suite short.
N_INPUTS = 60


def mutate(data: bytes, chance: random.Random) -> bytes:
    """Return the bytes with one to five of them changed, lost, inserted or cut off."""
    changed = bytearray(data)
    # Most damage goes to the header, where it can do harm.
    limit = len(changed) if chance.random() < 0.3 else min(len(changed), 1400)
    for _ in range(chance.choice([1, 1, 2, 5])):
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


def _assert_sound(bench, phantom):
    """Assert that what is read lies where P lies, or that something was said."""
    found = survey_scans(bench.folder)
    said = any(series.status != "measurable" or series.warnings for series in found)
    for _, result in read_scans(bench.folder):
        if isinstance(result, CanalMorphError):
            assert str(result)
            continue
        same = result.voxels_hu.shape == phantom.shape and np.allclose(
            result.index_to_lps_mm, phantom.index_to_lps_mm, atol=0.1
        )
        assert same or said or result.facts.warnings


@pytest.mark.parametrize("syntax", [None, JPEG2000Lossless, RLELossless], ids=["raw", "j2k", "rle"])
def test_damaged_dicom(bench, syntax):
    phantom = bench.make_phantom(shape=(12, 32, 48))
    datasets = phantom.datasets()
    for ds in datasets if syntax else []:
        ds.compress(syntax, generate_instance_uid=False)
    paths = bench.write(datasets)
    clean = [path.read_bytes() for path in paths]
    chance = random.Random(11)
    for _ in range(N_INPUTS):
        hit = chance.sample(range(12), chance.choice([1, 1, 2, 12]))
        for number in hit:
            paths[number].write_bytes(mutate(clean[number], chance))
        _assert_sound(bench, phantom)
        for number in hit:
            paths[number].write_bytes(clean[number])


@pytest.mark.parametrize("suffix", ["nii", "nii.gz", "mha", "nrrd"])
def test_damaged_research_files(bench, suffix):
    phantom = bench.make_phantom(shape=(12, 32, 48))
    bench.folder.mkdir()
    path = bench.folder / f"scan.{suffix}"
    if suffix.startswith("nii"):
        affine = np.diag([-1.0, -1, 1, 1]) @ phantom.index_to_lps_mm[:, [2, 1, 0, 3]]
        image = nib.Nifti1Image(phantom.voxels_hu.T, affine)
        image.header.set_xyzt_units("mm")
        clean = image.to_bytes()
    else:
        image = SimpleITK.GetImageFromArray(phantom.voxels_hu)
        image.SetSpacing((3.0, 3.0, 3.0))
        image.SetOrigin(phantom.origin_mm)
        SimpleITK.WriteImage(image, str(path))
        clean = path.read_bytes()
    chance = random.Random(12)
    for _ in range(N_INPUTS):
        data = mutate(clean, chance)
        path.write_bytes(gzip.compress(data) if suffix == "nii.gz" else data)
        _assert_sound(bench, phantom)
