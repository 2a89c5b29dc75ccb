"""The head's end of a femur against the scan's coordinates, and the table against the position."""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph.femur_errors import RegistrationContradictionError
from canalmorph.geometry.grids import average_blocks, turn_towards_patient
from canalmorph.locate.femora import locate_femurs
from canalmorph.locate.settings import LocateSettings
from canalmorph.locate.table import find_table
from canalmorph.model.femur import Femur, Side
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.spec import Tissue

#: Of a flat table. [mm, HU]
TABLE_THICK_MM, TABLE_HU = 8.0, -100


def locate(volume: CtVolume) -> tuple[Femur, ...]:
    return locate_femurs(volume, LocateSettings())


def register(volume: CtVolume, x: int, y: int, z: int) -> CtVolume:
    """Return the same voxels with these signs on their coordinates: a wrong registration."""
    affine = np.diag([x, y, z, 1.0]) @ volume.index_to_lps_mm
    return replace(volume, index_to_lps_mm=affine)


@pytest.fixture(scope="module")
def thigh() -> PhantomResult:
    """Return both hips in coarse voxels, the body apart from the border, without a table."""
    pair = SMALL["small_pair"]
    scanner = replace(
        pair.scanner, pixel_mm=2.0, slice_spacing_mm=3.0, slice_thickness_mm=3.0,
        x_range_mm=(-190.0, 190.0), y_range_mm=(-110.0, 130.0), z_range_mm=(-140.0, 42.0),
    )  # fmt: skip
    tissue = Tissue(table=False, thigh_radius_mm=60.0)
    return build_scan(replace(pair, name="coarse_hips", scanner=scanner, tissue=tissue))


def put_table(volume: CtVolume, y_mm: float) -> CtVolume:
    """Return the scan with a flat table through all slices, from side to side."""
    voxels, affine = volume.voxels_hu.copy(), volume.index_to_lps_mm
    y = affine[1, 3] + affine[1, 1] * np.arange(voxels.shape[1])
    rows = np.abs(y - y_mm) < TABLE_THICK_MM / 2
    voxels[:, rows] = np.maximum(voxels[:, rows], TABLE_HU)
    return replace(volume, voxels_hu=voxels)


def test_heads_below_the_knees_are_refused(whole: CtVolume) -> None:
    """Registered head first while the patient lay feet first: x and z negated, or y and z."""
    for signs in ((-1, 1, -1), (1, -1, -1)):
        with pytest.raises(RegistrationContradictionError, match="head lies below") as refusal:
            locate(register(whole, *signs))
        assert refusal.value.source == whole.facts.source
        assert "not certified" in str(refusal.value)


def test_a_hip_scan_upside_down_is_refused(small_right: PhantomResult) -> None:
    with pytest.raises(RegistrationContradictionError):
        locate(register(small_right.volume, -1, 1, -1))


def test_condyles_are_no_head_and_refuse_no_sound_scan(whole: CtVolume) -> None:
    (femur,) = locate(whole)
    assert femur.side is Side.RIGHT
    assert femur.head is not None
    # The head's centre lies at (-88, 0, 0); voxels of 2 x 2 x 2.5 mm.
    assert femur.head.centre_lps_mm == pytest.approx([-88.0, 0.0, 0.0], abs=1.0)
    assert femur.knee is not None


@pytest.mark.parametrize("behind", [True, False], ids=["behind", "in front"])
def test_a_flat_table_is_found_on_its_side(thigh: PhantomResult, behind: bool) -> None:
    y_mm = 100.0 if behind else -95.0
    voxels, affine = turn_towards_patient(*_grid(put_table(thigh.volume, y_mm)))
    assert find_table(*average_blocks(voxels, affine, block_mm=2.5)) == (1 if behind else -1)


def test_a_body_alone_is_no_table(thigh: PhantomResult) -> None:
    assert (
        find_table(*average_blocks(*turn_towards_patient(*_grid(thigh.volume)), block_mm=2.5)) == 0
    )


def _grid(volume: CtVolume) -> tuple[np.ndarray, np.ndarray]:
    return volume.voxels_hu, volume.index_to_lps_mm


@pytest.mark.parametrize(
    ("position", "y_mm", "doubtful"),
    [
        ("HFS", 100.0, False),
        ("FFS", -95.0, True),
        ("HFP", -95.0, False),
        ("FFP", 100.0, True),
        ("", -95.0, False),
        ("HFDR", -95.0, False),
    ],
)
def test_a_table_on_the_wrong_side_is_a_warning(
    thigh: PhantomResult, position: str, y_mm: float, doubtful: bool
) -> None:
    volume = put_table(thigh.volume, y_mm)
    volume = replace(volume, facts=replace(volume.facts, patient_position=position))
    femurs = locate(volume)
    assert [femur.side.value for femur in femurs] == ["right", "left"]
    for femur in femurs:
        assert ("table_contradicts_position" in femur.warnings) == doubtful
