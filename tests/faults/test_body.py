"""Limits of the field of view, the body and what lies beside it (F), on one leg of P."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import build_scan

#: Columns that need the knee.
OF_KNEE = ("torsion", "femur_length", "mechanical", "_condylar", "height_share")


@dataclass(frozen=True, eq=False)
class Leg:
    """The right leg of P, its voxels' places and its bone's middle and radius in every slice."""

    volume: CtVolume
    points_mm: NDArray[np.float64]
    heights_mm: NDArray[np.float64]
    middles_mm: NDArray[np.float64]
    radii_mm: NDArray[np.float64]

    def put(self, *parts: tuple[NDArray[np.bool_], float]) -> CtVolume:
        voxels = self.volume.voxels_hu.copy()
        for mask, hu in parts:
            voxels[mask] = hu
        return replace(self.volume, voxels_hu=voxels)

    def tube(
        self, centres_mm: NDArray[np.float64], radius_mm: float, low_mm: float, high_mm: float
    ) -> NDArray[np.bool_]:
        """Return where a tube lies outside the bone; `centres_mm` has its middle in each slice."""
        away = self.points_mm[..., :2] - centres_mm[:, None, None, :]
        inside = (np.hypot(*np.moveaxis(away, -1, 0)) < radius_mm) & (self.volume.voxels_hu < 300)
        seen = (self.heights_mm > low_mm) & (self.heights_mm < high_mm)
        return inside & seen[:, None, None]


@pytest.fixture(scope="module")
def leg(whole_pair) -> Leg:
    volume = whole_pair.cut_leg(whole_pair.volume, "right")
    affine = volume.index_to_lps_mm
    index = np.stack(np.indices(volume.voxels_hu.shape), axis=-1)
    points = index @ affine[:3, :3].T + affine[:3, 3]
    (truth,) = [one for one in whole_pair.result.truth.femora if one.side == "right"]
    origin, up = np.array(truth.origin_mm), np.array(truth.up)
    heights = points[:, 0, 0, 2]
    middles, radii = np.empty((len(heights), 2)), np.empty(len(heights))
    for k, height in enumerate(heights):
        axis = (origin + up * (height - origin[2]) / up[2])[:2]
        near = np.hypot(*np.moveaxis(points[k, ..., :2] - axis, -1, 0)) < 45.0
        bone = ndimage.binary_fill_holes((volume.voxels_hu[k] > 600) & near)
        middles[k] = points[k][bone][:, :2].mean(axis=0) if bone.any() else axis
        radii[k] = np.sqrt(bone.sum() / np.pi) if bone.any() else 14.0
    return Leg(volume, points, heights, middles, radii)


def list_known(femur: FemurResult) -> set[str]:
    return {name for name, value in femur.indices.values.items() if value.known}


def list_columns(whole_pair, *parts: str) -> set[str]:
    return {
        name
        for name in list_known(whole_pair.get_femur("right"))
        if any(part in name for part in parts)
    }


@pytest.mark.slow
def test_f52_a_lateral_cortex_outside_the_circle_costs_what_rests_on_it(
    whole_pair, leg: Leg
) -> None:
    """The circle ends 2 mm within the lateral side of the trochanters; the shaft below is whole."""
    outside = leg.points_mm[..., 0] < -138.0
    (femur,) = whole_pair.measure(leg.put((outside, -1024))).femora
    known, all_known = list_known(femur), list_known(whole_pair.get_femur("right"))
    lost = all_known - known
    assert {"canal_ml_lt_plus20_mm", "cfi_ml", "trochanter_tip_x_mm", "outer_ml_lt_mm"} <= lost
    assert all(femur.indices.reasons[name] for name in lost)
    kept = {"isthmus_canal_ml_mm", "canal_ml_lt_minus100_mm", "head_diameter_mm", "torsion_deg"}
    assert kept <= known
    assert not whole_pair.list_far(femur)


@pytest.mark.slow
def test_f52_knees_that_are_cut_off_cost_torsion_and_length_alone(whole_pair, leg: Leg) -> None:
    kept = leg.heights_mm > -330.0
    affine = leg.volume.index_to_lps_mm.copy()
    affine[:3, 3] += affine[:3, 0] * np.count_nonzero(~kept)
    voxels = np.ascontiguousarray(leg.volume.voxels_hu[kept])
    case = whole_pair.measure(replace(leg.volume, voxels_hu=voxels, index_to_lps_mm=affine))
    whole_pair.assert_same_as_p(case, sides=("right",), blank=list_columns(whole_pair, *OF_KNEE))


@pytest.mark.slow
@pytest.mark.parametrize("side", ["right", "left"])
def test_f52_one_leg_alone_has_its_side_from_coordinates(whole_pair, side: str) -> None:
    case = whole_pair.measure(whole_pair.cut_leg(whole_pair.volume, side))
    whole_pair.assert_same_as_p(case, sides=(side,))


@pytest.mark.slow
def test_f56_a_filled_artery_that_touches_the_cortex_is_no_bone(whole_pair, leg: Leg) -> None:
    """In front and medially in the thigh, behind above the knee; it touches at one level."""
    turn = np.radians(-50.0 + 140.0 * np.clip((leg.heights_mm + 300.0) / -60.0, 0.0, 1.0))
    towards = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    apart = 14.0 * np.minimum(1.0, np.abs(leg.heights_mm + 200.0) / 60.0)
    artery = leg.middles_mm + towards * (leg.radii_mm + 4.5 + apart)[:, None]
    vein = leg.middles_mm + [1.0, 0.0] * (leg.radii_mm + 27.0)[:, None]
    volume = leg.put(
        (leg.tube(vein, 5.0, -340.0, -20.0), 180), (leg.tube(artery, 4.5, -340.0, -20.0), 350)
    )
    whole_pair.assert_same_as_p(whole_pair.measure(volume), sides=("right",))


def put_table(leg: Leg) -> CtVolume:
    y = leg.points_mm[..., 1]
    return leg.put(((y > 81.0) & (y < 86.0) & (leg.volume.voxels_hu < -500), 150))


def put_rods(leg: Leg) -> CtVolume:
    """Five rods for density along the leg, 15 mm under the skin behind; one touches the skin."""
    body = leg.volume.voxels_hu > -500
    last = leg.points_mm[0, :, 0, 1][body.shape[1] - 1 - body[:, ::-1].any(0).argmax(0)].max()
    x, y = leg.points_mm[..., 0], leg.points_mm[..., 1]
    rods = [
        (np.hypot(x - place, y - (last - 15.0 if hu < 800 else last + 4.0)) < 8.0, float(hu))
        for place, hu in zip((-150, -125, -100, -75, -50), (0, 200, 400, 600, 800), strict=True)
    ]
    return leg.put(*rods)


def put_cast(leg: Leg) -> CtVolume:
    """Another limb in a cast under the thigh: a tube of bone in a tube of plaster."""
    away = np.hypot(leg.points_mm[..., 0] + 60.0, leg.points_mm[..., 1] - 62.0)
    away[leg.heights_mm < -340.0] = np.inf  # it ends over the knee, where it would touch bone
    return leg.put(
        (away < 22, 50), ((away < 22) & (away > 15), 600), (away < 8, 1200), (away < 4, 0)
    )


@pytest.mark.slow
@pytest.mark.parametrize("put", [put_table, put_rods, put_cast])
def test_f57_what_lies_under_the_leg_is_no_femur(
    whole_pair, leg: Leg, put: Callable[[Leg], CtVolume]
) -> None:
    whole_pair.assert_same_as_p(whole_pair.measure(put(leg)), sides=("right",))


def scan_right(whole_pair, *, femur=(), tissue=(), scanner=()) -> CaseResult:
    """Return what is measured of P's right leg, drawn anew with another body or scanner."""
    spec = whole_pair.result.spec
    changed = replace(
        spec,
        name="right_of_whole_pair",
        femora=(replace(spec.femora[0], **dict(femur)),),
        tissue=replace(spec.tissue, **dict(tissue)),
        scanner=replace(spec.scanner, x_range_mm=(-171.0, -1.0), **dict(scanner)),
    )
    return whole_pair.measure(build_scan(changed).volume)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scanner", "blank"),
    [
        (
            {"slice_spacing_mm": 5.0, "slice_thickness_mm": 5.0},
            {"cancellous_neck_hu", "femur_length_mm", "isthmus_height_share"},
        ),
        ({"slice_spacing_mm": 1.5, "slice_thickness_mm": 3.0}, set()),
        ({"blur_in_plane_mm": 0.94}, set()),
        ({"edge_enhancement": 0.6, "noise_sd_hu": 60.0}, set()),
    ],
    ids=["5 mm", "3 mm overlapping", "soft", "sharp and noisy"],
)
def test_f60_thickness_and_kernel_are_within_their_uncertainty(
    whole_pair, scanner: dict[str, float], blank: set[str]
) -> None:
    case = scan_right(whole_pair, scanner=scanner)
    whole_pair.assert_same_as_p(case, sides=("right",), blank=blank)


@pytest.mark.slow
@pytest.mark.parametrize("femur", [{"joint_gap_mm": 1.0}, {"osteophyte_mm": 4.0}])
def test_f61_a_narrow_joint_and_osteophytes_leave_the_head(
    whole_pair, femur: dict[str, float]
) -> None:
    whole_pair.assert_same_as_p(scan_right(whole_pair, femur=femur), sides=("right",))


@pytest.mark.slow
@pytest.mark.parametrize("fused_deg", [0.0, 60.0])
def test_f61_a_joint_without_a_gap_costs_head_and_neck(whole_pair, fused_deg: float) -> None:
    case = scan_right(whole_pair, femur={"joint_gap_mm": 0.0, "fused_deg": fused_deg})
    (femur,) = case.femora
    assert "head_not_separated" in femur.warnings
    assert not {name for name in list_known(femur) if name.startswith(("head_", "neck_shaft"))}
    # ML and AP are another plane's now, so that names without a plane mean another number.
    plane = femur.profile.frame.plane
    same = whole_pair.get_femur("right").indices.values
    for name in ("isthmus_canal_ml", "canal_ml_lt_plus20"):
        one, other = femur.indices.values[f"{name}_mm"], same[f"{name}_{plane}_mm"]
        assert abs(one.value - other.value) < 3 * np.hypot(one.u, other.u)


@pytest.mark.slow
@pytest.mark.parametrize("cortex_hu", [900.0, 650.0, 500.0])
def test_low_density_changes_the_densities_alone(whole_pair, cortex_hu: float) -> None:
    case = scan_right(whole_pair, tissue={"cortex_hu": cortex_hu, "cancellous_hu": 30.0})
    (femur,) = case.femora
    densities = list_columns(whole_pair, "cortex_hu", "cancellous_")
    assert set(whole_pair.list_far(femur)) <= densities
    assert "thin_cortex_at_lt20" in femur.warnings
    assert femur.indices.values["cortex_hu"].value == pytest.approx(cortex_hu, abs=30.0)
    lost = list_known(whole_pair.get_femur("right")) - list_known(femur)
    assert lost <= {"outer_ap_lt_plus20_mm", "outer_ml_lt_plus20_mm", "cancellous_neck_hu"}


@pytest.mark.slow
def test_growth_plates_cost_the_length_at_most(whole_pair, leg: Leg) -> None:
    """Plates of cartilage through the neck under the head, and over the condyles."""
    (truth,) = [one for one in whole_pair.result.truth.femora if one.side == "right"]
    head, shaft = np.array(truth.head_mm), leg.middles_mm[np.argmin(np.abs(leg.heights_mm + 40.0))]
    along = head - np.array([*shaft, -40.0])
    arm = leg.points_mm - head
    depth = arm @ (along / np.linalg.norm(along))
    bone = leg.volume.voxels_hu > 120
    upper = (np.abs(depth + 10.0) < 1.5) & (np.linalg.norm(arm, axis=-1) < 32.0) & bone
    across = leg.points_mm[..., :2] - leg.middles_mm[:, None, None, :]
    lower = (np.abs(leg.points_mm[..., 2] + 395.0) < 2.1) & bone
    lower &= np.hypot(*np.moveaxis(across, -1, 0)) < 60.0
    case = whole_pair.measure(leg.put((upper, 90), (lower, 90)))
    whole_pair.assert_same_as_p(
        case, sides=("right",), blank={"femur_length_mm", "isthmus_height_share"}
    )
