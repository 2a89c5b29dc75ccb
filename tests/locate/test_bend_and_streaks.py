"""A bend without a step, and streaks of metal on the other side: told, and nothing else is."""

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from canalmorph.locate.bend import is_bent
from canalmorph.locate.femora import locate_femurs
from canalmorph.locate.settings import LocateSettings
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import PhantomResult

#: A bowed path, head at height 0: 900 mm of radius, as the phantoms have. [mm]
Z = np.arange(-400.0, -60.0, 2.5)
BOW = np.stack([0 * Z, (Z + 60.0) ** 2 / 1800.0, Z], axis=1)


def bend(path: NDArray[np.float64], height_mm: float, degrees: float, towards_deg: float):
    """Return the path turned below a height, towards a direction in the horizontal plane."""
    arm = np.maximum(height_mm - path[:, 2], 0.0) * np.tan(np.radians(degrees))
    towards = np.radians(towards_deg)
    return path + np.outer(arm, [np.cos(towards), np.sin(towards), 0.0])


@pytest.mark.parametrize("towards_deg", [0, 45, 90, 135, 180, 225, 270, 315])
@pytest.mark.parametrize("height_mm", [-170.0, -220.0, -260.0])
def test_a_bend_of_10_degrees_is_told_in_every_direction(
    height_mm: float, towards_deg: float
) -> None:
    assert is_bent(bend(BOW, height_mm, 10.0, towards_deg), 0.0)
    assert not is_bent(bend(BOW, height_mm, 2.0, towards_deg), 0.0)


@pytest.mark.parametrize("radius_mm", [500.0, 700.0, 1500.0, 1e6])
def test_a_bow_is_no_bend(radius_mm: float) -> None:
    bow = np.stack([0 * Z, (Z + 60.0) ** 2 / (2.0 * radius_mm), Z], axis=1)
    # Places on the coarse grid are known to a fifth of a voxel.
    noise = np.random.default_rng(3).normal(0.0, 0.4, (len(Z), 2))
    assert not is_bent(bow + np.c_[noise, 0 * Z], 0.0)


def test_a_path_that_ends_early_says_nothing() -> None:
    assert not is_bent(BOW[Z > -180.0], 0.0)


def put_prosthesis(
    pair: PhantomResult, amplitude_hu: float, *, fading: bool, n_slices_mm: float = 20.0
) -> CtVolume:
    """Return the pair with a ball of metal for the left head and a fan of streaks from it."""
    volume = pair.volume
    head = np.array(pair.truth.femora[1].head_mm)
    index = np.stack(np.indices(volume.voxels_hu.shape, dtype=np.float32), axis=-1)
    affine = volume.index_to_lps_mm.astype(np.float32)
    arm = index @ affine[:3, :3].T + affine[:3, 3] - head.astype(np.float32)
    distance = np.hypot(arm[..., 0], arm[..., 1])
    fan = amplitude_hu * np.sign(np.sin(24.0 * np.arctan2(arm[..., 1], arm[..., 0])))
    fan *= np.abs(arm[..., 2]) < n_slices_mm
    if fading:
        fan *= np.minimum(1.0, 20.0 / np.maximum(distance, 1.0))
    voxels = volume.voxels_hu + np.rint(fan).astype(np.int32)
    voxels[np.linalg.norm(arm, axis=-1) < 14.0] = 15000
    return replace(volume, voxels_hu=np.clip(voxels, -1024, 32767).astype(np.int16))


@pytest.mark.parametrize(
    ("amplitude_hu", "fading", "told"),
    [(400.0, False, True), (300.0, False, True), (400.0, True, False), (0.0, False, False)],
)
def test_streaks_that_reach_the_other_side_are_told_there(
    pair: PhantomResult, amplitude_hu: float, fading: bool, told: bool
) -> None:
    assert pair.truth.femora[1].side == "left"
    femurs = locate_femurs(put_prosthesis(pair, amplitude_hu, fading=fading), LocateSettings())
    (right,) = [femur for femur in femurs if femur.side == "right"]
    assert ("metal_streaks" in right.warnings) == told
