"""What must not change in the numbers when the patient, the grid or the side changes."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import hypot

import numpy as np
import pytest
from numpy.typing import NDArray

from canalmorph.model.index_columns import PLANE_STEMS, name_in_plane
from canalmorph.model.results import Measurement
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.spec import PhantomScan, Vector
from canalmorph_phantoms.transform import (
    PatientPosition,
    position_patient,
    regrid_scan,
    rotate_patient,
    shift_patient,
    turn_grid,
)
from canalmorph_phantoms.transforms import patient_to_scanner

Values = Mapping[str, Measurement]
Measure = Callable[[CtVolume], dict[str, dict[str, Measurement]]]

#: A turn about the middle of the femur keeps it in the field of view.
CENTRE_MM: Vector = (-95.0, 0.0, -85.0)
#: Uncertainties are standard ones (coverage factor 1): two readings of the same femur differ by
#: less than three times their joint uncertainty in all but 0.3 % of cases, were all else normal.
COVERAGE = 3.0

#: What a small scan always gives. At LT and above, the outline of a shell of 1.3 mm may have gaps
#: in voxels of 1.5 mm, which leave a width blank, not wrong.
SURE = {
    *(
        f"{o}_{a}_lt_minus{level}_mm"
        for o in ("canal", "outer")
        for a in ("ml", "ap")
        for level in (20, 30, 70, 100)
    ),
    *("cti_ml_lt_minus100", "cti_ap_lt_minus100", "cti_ml_isthmus", "dcfi_ml"),
    *("isthmus_canal_ml_mm", "isthmus_canal_ap_mm", "isthmus_canal_inscribed_mm"),
    *("isthmus_level_mm", "isthmus_outer_ml_mm", "cortical_area_fraction_isthmus"),
    *("head_diameter_mm", "neck_shaft_angle_deg", "femoral_offset_mm", "cortex_hu"),
}


def get(values: Values, name: str) -> tuple[float, float]:
    measured = values[name]
    assert measured.value is not None
    assert measured.u is not None
    return measured.value, measured.u


def list_differences(
    first: Values, second: Values, *, leave_out: frozenset[str] = frozenset()
) -> dict[str, float]:
    """Return the difference of each column over its joint uncertainty, both known."""
    differences = {}
    for name in (first.keys() & second.keys()) - leave_out:
        (a, u_a), (b, u_b) = get(first, name), get(second, name)
        differences[name] = abs(a - b) / hypot(u_a, u_b)
    return differences


def read_point(values: Values, name: str) -> NDArray[np.float64]:
    return np.array([get(values, f"{name}_{axis}_mm")[0] for axis in "xyz"])


#: A turn of the patient turns the scanner's plane through the bone.
SCANNER_PLANE = frozenset(name_in_plane(stem, "scanner") for stem in PLANE_STEMS)
POINTS = ("lt", "head", "trochanter_tip")
PLACES = frozenset(f"{point}_{axis}_mm" for point in POINTS for axis in "xyz")
SURE_POINTS = frozenset({"lt", "head"})
#: And what a film of the leg as it lay shows.
FILM = frozenset({"neck_shaft_angle_ap_deg", "femoral_offset_ap_mm", "neck_turn_ap_deg"})


def turn_places(values: Values) -> dict[str, Measurement]:
    """Return the values with patient x of the landmarks reversed."""
    turned = dict(values)
    for name in (f"{point}_x_mm" for point in POINTS):
        turned[name] = Measurement(value=-get(values, name)[0], u=values[name].u)
    return turned


@pytest.mark.slow
def test_in_a_mirror_the_sides_change_places_and_keep_their_numbers(
    pair_values: tuple[dict[str, dict[str, Measurement]], ...],
) -> None:
    still, mirrored = pair_values
    assert set(still) == set(mirrored) == {"left", "right"}
    # The right femur is the ordinary one, the left has a narrow canal and a thick wall.
    right, left = still["right"], still["left"]
    assert get(right, "head_x_mm")[0] < 0 < get(left, "head_x_mm")[0]
    assert get(right, "isthmus_canal_ml_mm")[0] > get(left, "isthmus_canal_ml_mm")[0] + 2.0
    assert get(right, "cti_ml_isthmus")[0] < get(left, "cti_ml_isthmus")[0] - 0.05
    for side, other in (("right", "left"), ("left", "right")):
        before, after = still[side], turn_places(mirrored[other])
        assert before.keys() == after.keys()
        differences = list_differences(before, after)
        # To rounding: sums in another order move the head by 1e-8 mm. The bound leaves room for
        # what rounding may move where it decides between two neighbouring samples. The grid's
        # rows hold a whole number of the coarse blocks on which shafts are looked for, as 512
        # do; blocks that begin at the same end of an odd row are no mirror images.
        # Where a rod enters is the middle of a flat optimum.
        flat = [d for name, d in differences.items() if name.startswith("rod_")]
        assert max(flat) < 0.05, flat
        rest = {name: d for name, d in differences.items() if not name.startswith("rod_")}
        worst = sorted(rest.items(), key=lambda item: -item[1])[:5]
        assert worst[0][1] < 0.01, worst


@pytest.mark.parametrize("position", ["FFS", pytest.param("HFP", marks=pytest.mark.slow)])
def test_the_patients_position_changes_nothing(
    position: PatientPosition, right_volume: CtVolume, right_values: Values, measure: Measure
) -> None:
    lying = measure(position_patient(right_volume, position))
    # The same voxels in another order: not even rounding differs.
    assert lying == {"right": right_values}


@pytest.mark.slow
def test_the_order_of_the_grids_axes_changes_nothing(
    right_volume: CtVolume, right_values: Values, measure: Measure
) -> None:
    sagittal = turn_grid(right_volume, order=(2, 0, 1), flips=(False, True, True))
    assert measure(sagittal) == {"right": right_values}


@pytest.mark.slow
def test_the_scanners_origin_changes_nothing(
    right_volume: CtVolume, right_values: Values, measure: Measure
) -> None:
    shift = np.array([103.7, -51.3, 1333.3])
    affine = right_volume.index_to_lps_mm.copy()
    affine[:3, 3] += shift
    (moved,) = measure(replace(right_volume, index_to_lps_mm=affine)).values()
    for name, value in right_values.items():
        axis = "xyz".find(name.split("_")[-2]) if name in PLACES else -1
        expected = get(right_values, name)[0] + (shift[axis] if axis >= 0 else 0.0)
        # Rays are sampled in single precision: edges move by up to 0.0005 mm. The trochanter's
        # apex is the mean of the samples in its bump's highest 1 mm: one of them in or out moves
        # it by some hundredths of a millimetre, and every level with it.
        tolerance = 0.25 * (value.u or 0.0)
        assert get(moved, name)[0] == pytest.approx(expected, abs=tolerance), name


def move_points(spec: PhantomScan, values: Values) -> dict[str, NDArray[np.float64]]:
    """Return the landmarks where the patient's move must have brought them."""
    matrix = patient_to_scanner(spec)
    return {
        name: matrix[:3, :3] @ read_point(values, name) + matrix[:3, 3]
        for name in POINTS
        if f"{name}_x_mm" in values
    }


def check_moved(spec: PhantomScan, still: Values, moved: Values) -> None:
    """Fail where a number of the moved patient is not that of the still one."""
    differences = list_differences(still, moved, leave_out=PLACES | SCANNER_PLANE | FILM)
    assert differences.keys() >= SURE
    far = {name: round(d, 2) for name, d in differences.items() if d > COVERAGE}
    assert not far
    for name, expected in move_points(spec, still).items():
        if name not in SURE_POINTS and f"{name}_x_mm" not in moved:
            continue  # the tip of the greater trochanter is not clear in every scan
        u = np.array([get(moved, f"{name}_{axis}_mm")[1] for axis in "xyz"])
        # Uncertainties along the axes change places with the turn: the largest stands for all.
        assert np.abs(read_point(moved, name) - expected).max() < COVERAGE * np.sqrt(2) * u.max()


@pytest.mark.parametrize(
    "axis",
    [
        pytest.param((1.0, 0.0, 0.0), id="pitch", marks=pytest.mark.slow),
        pytest.param((0.0, -1.0, 0.0), id="lean", marks=pytest.mark.slow),
        pytest.param((0.0, 0.0, 1.0), id="turn", marks=pytest.mark.slow),
    ],
)
def test_a_turned_patient_keeps_the_numbers(
    axis: Vector, right_spec: PhantomScan, right_values: Values, measure: Measure
) -> None:
    spec = rotate_patient(right_spec, axis, 8.0, centre_mm=CENTRE_MM)
    check_moved(spec, right_values, measure(build_scan(spec).volume)["right"])


def test_a_shifted_patient_keeps_the_numbers(
    right_spec: PhantomScan, right_values: Values, measure: Measure
) -> None:
    # By parts of a voxel, so that every edge falls elsewhere in its voxel.
    spec = shift_patient(right_spec, (3.37, -2.21, 4.63))
    check_moved(spec, right_values, measure(build_scan(spec).volume)["right"])


@pytest.mark.slow
def test_voxels_of_half_the_size_keep_the_numbers(
    right_spec: PhantomScan, right_values: Values, measure: Measure
) -> None:
    spec = regrid_scan(right_spec, pixel_mm=0.5, slice_spacing_mm=0.75)
    fine = measure(build_scan(spec).volume)["right"]
    check_moved(spec, right_values, fine)
    # And finer voxels make no number less sure, but for a tenth: uncertainties are estimates.
    for name in ("canal_ml_lt_minus100_mm", "outer_ml_lt_minus100_mm", "isthmus_canal_ml_mm"):
        assert get(fine, name)[1] < 1.1 * get(right_values, name)[1], name
