"""A shaft that is broken is measured down to the break, and nothing is said across it."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage

from canalmorph.locate.femora import locate_femurs
from canalmorph.locate.settings import LocateSettings
from canalmorph.model.femur import Femur
from canalmorph.model.volume import CtVolume

#: Where the bone is cut; the head's centre lies at 0. [mm]
CUT_MM = -220.0
#: Muscle, in place of bone that is missing. [HU]
MUSCLE_HU = 55
Edit = Callable[[CtVolume], CtVolume]


def heights_mm(volume: CtVolume) -> np.ndarray:
    affine = volume.index_to_lps_mm
    return affine[2, 3] + affine[2, 0] * np.arange(volume.voxels_hu.shape[0])


def displace(volume: CtVolume, shift_mm: tuple[float, float], turn_deg: float) -> CtVolume:
    """Return the scan with what lies below the cut turned about z and shifted to x and y."""
    below = heights_mm(volume) < CUT_MM
    part = volume.voxels_hu[below].astype(float)
    part = ndimage.rotate(part, turn_deg, axes=(1, 2), reshape=False, order=1, mode="nearest")
    step = volume.index_to_lps_mm[0, 2]
    shift = (0.0, shift_mm[1] / step, shift_mm[0] / step)
    voxels = volume.voxels_hu.copy()
    voxels[below] = np.rint(ndimage.shift(part, shift, order=1, mode="nearest"))
    return replace(volume, voxels_hu=voxels)


def remove(volume: CtVolume, length_mm: float) -> CtVolume:
    """Return the scan with muscle in place of the bone over a length below the cut."""
    heights = heights_mm(volume)
    rows = (heights < CUT_MM) & (heights > CUT_MM - length_mm)
    voxels = volume.voxels_hu.copy()
    voxels[rows] = np.where(voxels[rows] > 150, MUSCLE_HU, voxels[rows])
    return replace(volume, voxels_hu=voxels)


def turn_below(volume: CtVolume, hinge_mm: np.ndarray, degrees: float) -> CtVolume:
    affine = volume.index_to_lps_mm
    index = np.stack(np.indices(volume.voxels_hu.shape), axis=-1)
    arm = index @ affine[:3, :3].T + affine[:3, 3] - hinge_mm
    angle = np.radians(degrees) * (arm[..., 2] < 0)
    x = np.cos(angle) * arm[..., 0] - np.sin(angle) * arm[..., 2]
    z = np.sin(angle) * arm[..., 0] + np.cos(angle) * arm[..., 2]
    source = np.stack([x, arm[..., 1], z], axis=-1) + hinge_mm
    at = (source - affine[:3, 3]) @ np.linalg.inv(affine[:3, :3]).T
    voxels = ndimage.map_coordinates(
        volume.voxels_hu.astype(np.float32), np.moveaxis(at, -1, 0), order=1, cval=-1000.0
    )
    return replace(volume, voxels_hu=np.rint(voxels).astype(np.int16))


def locate(volume: CtVolume) -> Femur:
    (femur,) = locate_femurs(volume, LocateSettings())
    return femur


@pytest.mark.parametrize(
    "edit",
    [
        pytest.param(lambda volume: displace(volume, (15.0, 0.0), 0.0), id="to the side"),
        pytest.param(lambda volume: displace(volume, (0.0, 15.0), 0.0), id="to the back"),
        pytest.param(lambda volume: displace(volume, (-15.0, 0.0), 10.0), id="and turned"),
        pytest.param(lambda volume: displace(volume, (6.0, 0.0), 0.0), id="by 6 mm"),
        pytest.param(lambda volume: remove(volume, 15.0), id="15 mm missing"),
        pytest.param(lambda volume: remove(volume, 7.0), id="7 mm missing"),
    ],
)
def test_a_broken_shaft_ends_above_its_break(whole: CtVolume, edit: Edit) -> None:
    femur = locate(edit(whole))
    assert "shaft_not_continuous" in femur.warnings
    assert femur.knee is None
    lowest_mm = float(femur.shaft_path_lps_mm[0, 2])
    # Not below the cut, and no more of the shaft is lost than what hides the break.
    assert CUT_MM < lowest_mm < CUT_MM + 40.0


def test_a_whole_shaft_goes_down_to_the_knee(whole: CtVolume) -> None:
    femur = locate(whole)
    assert femur.warnings == ()
    assert femur.knee is not None
    assert femur.shaft_path_lps_mm[0, 2] < -300.0


def test_a_bent_femur_carries_the_warning(whole: CtVolume) -> None:
    """The same femur with all below 220 mm under the head turned by 10 degrees to the outside."""
    sound = locate(whole)
    assert "shaft_bent" not in sound.warnings
    path = sound.shaft_path_lps_mm
    assert sound.head is not None
    hinge = path[np.argmin(np.abs(path[:, 2] - (sound.head.centre_lps_mm[2] - 190.0)))]
    femur = locate(turn_below(whole, hinge, -10.0))
    assert "shaft_bent" in femur.warnings
