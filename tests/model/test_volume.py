"""A volume checks what it is made of and guards it."""

import pickle

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canalmorph.model.volume import CtVolume, ScanFacts

FACTS = ScanFacts(source="made", file_format="nifti", series_key="made", input_sha256="")


def make_volume(affine: np.ndarray) -> CtVolume:
    return CtVolume(voxels_hu=np.zeros((3, 4, 5), np.int16), index_to_lps_mm=affine, facts=FACTS)


def test_spacing_is_along_k_j_i_however_oblique() -> None:
    affine = np.eye(4)
    turn = Rotation.from_euler("xyz", [20.0, -50.0, 110.0], degrees=True).as_matrix()
    affine[:3, :3] = turn @ np.diag([2.5, 0.7, 0.9])
    assert make_volume(affine).spacing_mm == pytest.approx([2.5, 0.7, 0.9])


@pytest.mark.parametrize(
    ("voxels", "affine", "name"),
    [
        (np.zeros((3, 4, 5), np.float32), np.eye(4), "voxels_hu"),
        (np.zeros((3, 4, 5), np.uint16), np.eye(4), "voxels_hu"),
        (np.zeros((4, 5), np.int16), np.eye(4), "voxels_hu"),
        (np.zeros((3, 4, 5), np.int16), np.eye(3), "index_to_lps_mm"),
    ],
)
def test_other_arrays_are_a_wrong_call(voxels: np.ndarray, affine: np.ndarray, name: str) -> None:
    with pytest.raises(ValueError, match=name):
        CtVolume(voxels_hu=voxels, index_to_lps_mm=affine, facts=FACTS)


def test_voxels_cannot_be_changed() -> None:
    volume = make_volume(np.eye(4))
    with pytest.raises(ValueError, match="read-only"):
        volume.voxels_hu[0, 0, 0] = 1
    with pytest.raises(ValueError, match="read-only"):
        volume.index_to_lps_mm[0, 0] = 2.0
    with pytest.raises(AttributeError):
        volume.facts = FACTS


def test_it_travels_between_processes() -> None:
    volume = make_volume(np.diag([2.0, 1.0, 1.0, 1.0]))
    back = pickle.loads(pickle.dumps(volume))
    assert np.array_equal(back.voxels_hu, volume.voxels_hu)
    assert np.array_equal(back.index_to_lps_mm, volume.index_to_lps_mm)
    assert back.facts == volume.facts
