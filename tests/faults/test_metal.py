"""Metal in, beside and far from a femur: what it touches is blank, and nothing else is changed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pytest
from numpy.typing import NDArray

from canalmorph.align.metal import keep_condyles
from canalmorph.errors import CanalMorphError
from canalmorph.femur_errors import CanalNotFollowedError, HiddenByMetalError
from canalmorph.flags import Quality
from canalmorph.model.femur import METAL_REACH_MM, Condyles
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings, measure_scan
from canalmorph.read.gate import check_volume
from canalmorph.read.settings import ReadSettings
from canalmorph.segment.settings import SegmentSettings
from canalmorph_cli.acceptance.truths import list_known_femora
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.truth import FemurTruth

#: The real stages on a quarter of the rays: a femur takes 4 s of computing.
QUICK = Settings(segment=SegmentSettings(ring_step_mm=2.0, rays_per_ring=60))
#: Where 12 bits end. [HU]
CLIPPED_HU = 3071
#: Points are moved by half a voxel and half a cell where metal is gathered. [mm]
ROOM_MM = 2.5

Mask = NDArray[np.bool_]
Point = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Scene:
    """A phantom scan into which metal is put."""

    result: PhantomResult

    @cached_property
    def points_mm(self) -> NDArray[np.float32]:
        volume = self.result.volume
        index = np.stack(np.indices(volume.voxels_hu.shape, dtype=np.float32), axis=-1)
        affine = volume.index_to_lps_mm.astype(np.float32)
        return index @ affine[:3, :3].T + affine[:3, 3]

    def truth(self, side: str) -> FemurTruth:
        return next(one for one in self.result.truth.femora if one.side == side)

    def at(self, level_mm: float, side: str = "right") -> Point:
        """Return the point of the true shaft axis at a level."""
        truth = self.truth(side)
        return np.array(truth.origin_mm) + level_mm * np.array(truth.up)

    def ball(self, centre: Point, radius_mm: float) -> Mask:
        return np.linalg.norm(self.points_mm - centre.astype(np.float32), axis=-1) <= radius_mm

    def rod(self, start: Point, end: Point, radius_mm: float) -> Mask:
        way = (end - start) / np.linalg.norm(end - start)
        arm = self.points_mm - start.astype(np.float32)
        along = arm @ way.astype(np.float32)
        aside = np.sqrt(np.maximum((arm**2).sum(axis=-1) - along**2, 0.0))
        inside = (along >= 0) & (along <= np.linalg.norm(end - start))
        return np.asarray(inside & (aside <= radius_mm))

    def put(self, mask: Mask, hu: float = CLIPPED_HU) -> CtVolume:
        voxels = self.result.volume.voxels_hu.copy()
        voxels[mask] = hu
        return replace(self.result.volume, voxels_hu=voxels)


def measure(volume: CtVolume) -> ScanMeasurement:
    return measure_scan(volume, QUICK, case_id="metal")


def refuse(volume: CtVolume) -> CanalMorphError:
    with pytest.raises(CanalMorphError) as caught:
        measure(volume)
    return caught.value


def list_known(femur: FemurResult) -> set[str]:
    return {name for name, value in femur.indices.values.items() if value.known}


@pytest.fixture(scope="module")
def scene(small_right: PhantomResult) -> Scene:
    return Scene(small_right)


@pytest.fixture(scope="module")
def native(scene: Scene) -> ScanMeasurement:
    """Return the same femur without metal, measured."""
    return measure(scene.result.volume)


@pytest.mark.slow
def test_metal_outside_the_body_harms_nothing(scene: Scene, native: ScanMeasurement) -> None:
    """A lead marker and a wire far from the bone, in the same slices."""
    marker = scene.ball(np.array([-40.0, -45.0, -150.0]), 6.0)
    wire = scene.rod(np.array([-35.0, 55.0, -200.0]), np.array([-35.0, 55.0, 20.0]), 2.0)
    (femur,) = measure(scene.put(marker | wire, 20000)).case.femora
    (same,) = native.case.femora
    assert femur.warnings == same.warnings
    # The same voxels in reach of the bone: the same numbers, bit by bit.
    assert femur.indices.values == same.indices.values


def test_a_screw_in_the_head_blanks_head_and_neck(scene: Scene, native: ScanMeasurement) -> None:
    head = np.array(scene.truth("right").head_mm)
    (femur,) = measure(
        scene.put(scene.rod(head, head + np.array([9.0, 4.0, -9.0]), 2.5))
    ).case.femora
    (same,) = native.case.femora
    assert "metal" in femur.warnings
    assert "head_not_separated" not in femur.warnings  # metal is the reason, no fused joint
    hidden = {name for name in list_known(same) if name.startswith(("head_", "neck_", "femoral_"))}
    assert len(hidden) > 10
    assert not hidden & list_known(femur)
    for name in hidden:
        assert "Metal lies in or near the head" in femur.indices.reasons[name], name
    # The rest is measured, in the scanner's plane: the same sections, the same numbers.
    assert femur.profile.frame.plane == "scanner"
    for name in ("isthmus_canal_ml_scanner_mm", "cti_ml_lt_minus100_scanner", "lt_z_mm"):
        one, other = same.indices.values[name], femur.indices.values[name]
        assert other.value == pytest.approx(one.value, abs=one.u), name


@pytest.fixture(scope="module")
def rod_beside(scene: Scene) -> tuple[ScanMeasurement, Mask]:
    """Return a scan with a clipped rod of 18 mm beside the shaft from LT-150 to LT-125."""
    aside = np.array([-30.0, 0.0, 0.0])
    mask = scene.rod(scene.at(-150.0) + aside, scene.at(-125.0) + aside, 9.0)
    return measure(scene.put(mask)), mask


def test_no_number_stands_within_reach_of_metal(
    scene: Scene, native: ScanMeasurement, rod_beside: tuple[ScanMeasurement, Mask]
) -> None:
    measurement, mask = rod_beside
    (femur,), (same,) = measurement.case.femora, native.case.femora
    profile = femur.profile
    metal = scene.points_mm[mask].astype(float)
    frame = profile.frame
    outer = np.nan_to_num(same.profile.outer_outline_mm)
    reached = np.array(
        [
            _nearest_mm(frame.frame_to_lps_mm(np.c_[ring, np.full(len(ring), level)]), metal)
            for ring, level in zip(outer, same.profile.levels_mm, strict=True)
        ]
    )
    widths = np.stack([profile.columns[name] for name in ("canal_ml_mm", "cortex_mean_mm")])
    known = np.isfinite(widths).any(axis=0)
    near = reached < METAL_REACH_MM - ROOM_MM
    assert near.sum() > 10
    assert not known[near].any()
    assert (profile.quality[near] & int(Quality.METAL)).all()
    # Over-refusing would be as wrong: a section's width beyond the reach is there.
    level_step_mm = 2.0
    far = reached > METAL_REACH_MM + ROOM_MM + level_step_mm
    shaft = profile.levels_mm < 0
    assert known[far & shaft].all()
    assert not (profile.quality[far] & int(Quality.METAL)).any()


def _nearest_mm(ring: NDArray[np.float64], metal: NDArray[np.float64]) -> float:
    return float(min(np.linalg.norm(metal - point, axis=1).min() for point in ring[::6]))


def test_what_metal_does_not_reach_is_the_same(
    native: ScanMeasurement, rod_beside: tuple[ScanMeasurement, Mask]
) -> None:
    (femur,), (same,) = rod_beside[0].case.femora, native.case.femora
    assert "metal" in femur.warnings
    known = list_known(femur)
    assert {"canal_ml_lt_mm", "canal_ml_lt_minus100_mm", "head_diameter_mm"} <= known
    for name in known & list_known(same):
        one, other = same.indices.values[name], femur.indices.values[name]
        assert other.value == pytest.approx(one.value, abs=2.0 * np.hypot(one.u, other.u)), name
    # The rod hides the isthmus: the narrowest place that is left is none.
    for name in ("isthmus_level_mm", "isthmus_canal_ml_mm", "cfi_ml"):
        assert name not in known
        assert "Metal lies within 20 mm" in femur.indices.reasons[name]
    bound, flare = femur.indices.values["cfi_ml_lower_bound"], same.indices.values["cfi_ml"]
    assert bound.value <= flare.value + 3.0 * np.hypot(bound.u, flare.u)


def test_a_clipped_plateau_is_told_of_the_scan(scene: Scene) -> None:
    volume = scene.put(scene.rod(scene.at(-150.0), scene.at(-60.0), 9.0))
    checked = check_volume(volume, ReadSettings())
    assert "clipped-high-values" in checked.facts.warnings


@pytest.mark.parametrize("hu", [CLIPPED_HU, pytest.param(15000, marks=pytest.mark.slow)])
def test_a_nail_leaves_no_number_of_the_femur(scene: Scene, hu: int) -> None:
    error = refuse(scene.put(scene.rod(scene.at(40.0), scene.at(-150.0), 4.5), hu))
    assert isinstance(error, HiddenByMetalError)
    assert "right femur" in str(error)


@pytest.mark.parametrize("hu", [1400, pytest.param(2200, marks=pytest.mark.slow)])
def test_a_canal_full_of_cement_is_refused(scene: Scene, hu: int) -> None:
    """Less or more dense than cortex: what is seen within the bone is no edge of a canal."""
    voxels = scene.result.volume.voxels_hu
    cement = scene.rod(scene.at(10.0), scene.at(-150.0), 9.0) & (voxels < 900)
    error = refuse(scene.put(cement, hu))
    assert isinstance(error, CanalNotFollowedError)
    assert "like cement" in str(error)


@pytest.fixture(scope="module")
def prosthesis() -> tuple[Scene, CaseResult]:
    """Return two femora, the left one with a hip prosthesis and the streaks that it throws."""
    scene = Scene(build_scan(SMALL["small_pair"]))
    head = np.array(scene.truth("left").head_mm)
    top, tip = scene.at(25.0, "left"), scene.at(-110.0, "left")
    mask = scene.ball(head, 14.0) | scene.rod(head, top, 7.0) | scene.rod(top, tip, 6.0)
    volume = scene.put(mask, 15000)
    voxels = volume.voxels_hu.astype(np.int32)
    arm = scene.points_mm - head.astype(np.float32)
    distance = np.hypot(arm[..., 0], arm[..., 1])
    fan = 400.0 * np.sign(np.sin(24.0 * np.arctan2(arm[..., 1], arm[..., 0])))
    # Streaks spread as they leave the metal; these slices are 20, and the metal keeps its value.
    fan *= np.minimum(1.0, 20.0 / np.maximum(distance, 1.0)) * (np.abs(arm[..., 2]) < 15.0)
    voxels = np.where(mask, voxels, voxels + np.rint(fan).astype(np.int32))
    return scene, measure(
        replace(volume, voxels_hu=np.clip(voxels, -1024, 32767).astype(np.int16))
    ).case


def test_the_native_side_beside_a_prosthesis_keeps_its_true_numbers(
    prosthesis: tuple[Scene, CaseResult],
) -> None:
    scene, case = prosthesis
    (femur,) = case.femora
    assert femur.side == "right"
    assert "metal" not in femur.warnings
    known = next(one for one in list_known_femora(scene.result.truth) if one.side == "right")
    shared = sorted(list_known(femur) & known.values.keys())
    assert {"head_diameter_mm", "neck_shaft_angle_deg", "cfi_ml", "lt_z_mm"} <= set(shared)
    for name in shared:
        value, u = femur.indices.values[name].value, femur.indices.values[name].u
        # Voxels of 1.2 x 1.2 x 1.5 mm and a quarter of the rays: a quarter of a voxel, or degree.
        assert abs(value - known.values[name]) < max(3.0 * u, 0.3), name


def test_the_side_with_the_prosthesis_is_refused_for_its_metal(
    prosthesis: tuple[Scene, CaseResult],
) -> None:
    (refusal,) = prosthesis[1].refusals
    assert (refusal.side, refusal.code) == ("left", "hidden-by-metal")
    assert "Metal" in refusal.message


def test_condyles_of_metal_are_none(native: ScanMeasurement) -> None:
    places = {
        f"{name}_lps_mm": np.array([x, 30.0, -400.0])
        for name, x in (("medial_posterior", -60.0), ("lateral_posterior", -110.0))
    }
    condyles = Condyles(
        **places,
        medial=np.array([1.0, 0.0, 0.0]),
        medial_u_deg=0.3,
        medial_epicondyle_lps_mm=None,
        lateral_epicondyle_lps_mm=None,
        epicondyle_u_mm=0.0,
        lowest_lps_mm=None,
        lowest_u_mm=0.0,
        second_block=False,
    )
    cortex = native.aligned[0].cortex

    def with_metal(distance_mm: float) -> Condyles | None:
        point = condyles.lateral_posterior_lps_mm + np.array([0.0, distance_mm, 0.0])
        femur = replace(cortex.femur, metal_lps_mm=point[None])
        return keep_condyles(replace(cortex, femur=femur), condyles)

    assert keep_condyles(cortex, condyles) is condyles
    assert with_metal(METAL_REACH_MM + 0.1) is condyles
    assert with_metal(METAL_REACH_MM - 0.1) is None
