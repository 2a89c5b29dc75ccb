"""What must not change in the numbers when the patient, the grid or the side changes."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import hypot

import numpy as np
import pytest
from numpy.typing import NDArray

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


PLACES = frozenset(f"{point}_{axis}_mm" for point in ("lt", "head") for axis in "xyz")


def mirror_volume(volume: CtVolume) -> CtVolume:
    """Return the patient's mirror image: the same voxels with x running the other way."""
    affine = volume.index_to_lps_mm.copy()
    affine[0] *= -1
    return replace(volume, index_to_lps_mm=affine)


def turn_places(values: Values) -> dict[str, Measurement]:
    """Return the values with patient x of the landmarks reversed."""
    turned = dict(values)
    for name in ("lt_x_mm", "head_x_mm"):
        turned[name] = Measurement(value=-get(values, name)[0], u=values[name].u)
    return turned


def test_in_a_mirror_the_sides_change_places_and_keep_their_numbers(
    pair_volume: CtVolume, pair_values: dict[str, Values], measure: Measure
) -> None:
    mirrored = measure(mirror_volume(pair_volume))
    assert set(mirrored) == {"left", "right"}
    for side, other in (("right", "left"), ("left", "right")):
        before, after = pair_values[side], turn_places(mirrored[other])
        assert before.keys() == after.keys()
        differences = list_differences(before, after)
        # Not to rounding: the directions in which the head's edge is looked for, and the pixels
        # on which first outlines and the neck are found, are no mirror images of each other. What
        # they move is some hundredths of a voxel: below half of any standard uncertainty.
        assert max(differences.values()) < 0.5, differences


def test_sides_of_a_pair_are_told_apart(pair_values: dict[str, Values]) -> None:
    right, left = pair_values["right"], pair_values["left"]
    # The right femur is the ordinary one, the left has a narrow canal and a thick wall.
    assert get(right, "head_x_mm")[0] < 0 < get(left, "head_x_mm")[0]
    assert get(right, "isthmus_canal_ml_mm")[0] > get(left, "isthmus_canal_ml_mm")[0] + 2.0
    assert get(right, "cti_ml_isthmus")[0] < get(left, "cti_ml_isthmus")[0] - 0.05


def test_a_femur_has_the_same_numbers_alone_and_in_a_pair(
    pair_volume: CtVolume, pair_values: dict[str, Values], measure: Measure
) -> None:
    half = pair_volume.voxels_hu.shape[2] // 2
    alone = measure(
        replace(pair_volume, voxels_hu=np.ascontiguousarray(pair_volume.voxels_hu[:, :, :half]))
    )
    assert set(alone) == {"right"}
    # The femur's neighbourhood lies in its half; the coarse blocks begin at the same corner.
    for name, value in pair_values["right"].items():
        assert get(alone["right"], name)[0] == pytest.approx(value.value, rel=1e-9, abs=1e-9), name


@pytest.mark.parametrize("position", ["FFS", "HFP", "FFP"])
def test_the_patients_position_changes_nothing(
    position: PatientPosition, right_volume: CtVolume, right_values: Values, measure: Measure
) -> None:
    lying = measure(position_patient(right_volume, position))
    # The same voxels in another order: not even rounding differs.
    assert lying == {"right": right_values}


@pytest.mark.parametrize(
    ("order", "flips"),
    [((1, 0, 2), (True, False, False)), ((2, 0, 1), (False, True, True))],
    ids=["coronal", "sagittal"],
)
def test_the_order_of_the_grids_axes_changes_nothing(
    order: tuple[int, int, int],
    flips: tuple[bool, bool, bool],
    right_volume: CtVolume,
    right_values: Values,
    measure: Measure,
) -> None:
    assert measure(turn_grid(right_volume, order=order, flips=flips)) == {"right": right_values}


def test_the_scanners_origin_changes_nothing(
    right_volume: CtVolume, right_values: Values, measure: Measure
) -> None:
    shift = np.array([103.7, -51.3, 1333.3])
    affine = right_volume.index_to_lps_mm.copy()
    affine[:3, 3] += shift
    (moved,) = measure(replace(right_volume, index_to_lps_mm=affine)).values()
    for name, value in right_values.items():
        axis = "xyz".find(name.split("_")[1]) if name in PLACES else -1
        expected = get(right_values, name)[0] + (shift[axis] if axis >= 0 else 0.0)
        # Coordinates of a metre leave 1e-13 m for rounding; iterations that stop at a bound, and
        # rays sampled in single precision, make 1e-4 of an uncertainty of it at most.
        tolerance = 1e-3 * (value.u or 0.0)
        assert get(moved, name)[0] == pytest.approx(expected, abs=tolerance), name


def move_points(spec: PhantomScan, values: Values) -> dict[str, NDArray[np.float64]]:
    """Return the landmarks where the patient's move must have brought them."""
    matrix = patient_to_scanner(spec)
    return {
        name: matrix[:3, :3] @ read_point(values, name) + matrix[:3, 3] for name in ("lt", "head")
    }


def check_moved(spec: PhantomScan, still: Values, moved: Values) -> None:
    """Fail where a number of the moved patient is not that of the still one."""
    differences = list_differences(still, moved, leave_out=PLACES)
    assert len(differences) > 35
    far = {name: round(d, 2) for name, d in differences.items() if d > COVERAGE}
    assert not far
    for name, expected in move_points(spec, still).items():
        u = np.array([get(moved, f"{name}_{axis}_mm")[1] for axis in "xyz"])
        # Uncertainties along the axes change places with the turn: the largest stands for all.
        assert np.abs(read_point(moved, name) - expected).max() < COVERAGE * np.sqrt(2) * u.max()


@pytest.mark.parametrize(
    "axis", [(1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0)], ids=["pitch", "lean", "turn"]
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


def test_voxels_of_half_the_size_keep_the_numbers(
    right_spec: PhantomScan, right_values: Values, measure: Measure
) -> None:
    spec = regrid_scan(right_spec, pixel_mm=0.5, slice_spacing_mm=0.75)
    fine = measure(build_scan(spec).volume)["right"]
    check_moved(spec, right_values, fine)
    # And finer voxels make no number less sure, but for a tenth: uncertainties are estimates.
    for name in ("canal_ml_lt_minus100_mm", "outer_ml_lt_minus100_mm", "isthmus_canal_ml_mm"):
        assert get(fine, name)[1] < 1.1 * get(right_values, name)[1], name
