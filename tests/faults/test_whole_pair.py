"""P itself, what all comparisons with it rest on, and what faults of series do to its numbers."""

import csv
from math import hypot

import numpy as np
import pytest

from canalmorph.batch.run import measure_inputs
from canalmorph.export.rows import make_case_rows
from canalmorph.femur_errors import SlicesMissingError
from canalmorph.flags import Quality

#: Columns in which right and left need not differ: the scan's own density, directions of symmetric
#: bends and middles, where a rod lies in its play, and what is the difference of two alike numbers.
ALIKE = (
    "cortex_hu",
    "cancellous_",
    "bow_direction_deg",
    "centre_",
    "axis_tilt_",
    "_tilt_",
    "_entry_",
    "cfi_ml_rotation_10_deg_change",
)


def test_the_two_femora_differ_in_every_number(whole_pair):
    right, left = (whole_pair.get_femur(side).indices.values for side in ("right", "left"))
    assert {name for name, value in right.items() if value.known} == {
        name for name, value in left.items() if value.known
    }
    alike = {}
    for name, one in right.items():
        other = left[name]
        if not one.known or any(part in name for part in ALIKE):
            continue
        deviations = abs(one.value - other.value) / hypot(one.u, other.u)
        if deviations < 1.5:
            alike[name] = round(deviations, 1)
    assert not alike


@pytest.mark.parametrize("side", ["right", "left"])
def test_the_measured_numbers_are_the_true_ones(whole_pair, side):
    truth = {one.side: one for one in whole_pair.result.truth.femora}[side]
    values = whole_pair.get_femur(side).indices.values
    assert values["femur_length_mm"].value == pytest.approx(truth.length_mm, abs=2.0)  # a slice
    assert values["torsion_deg"].value == pytest.approx(truth.torsion_deg, abs=3.0)
    assert values["head_diameter_mm"].value == pytest.approx(truth.head_diameter_mm, abs=1.0)
    assert values["neck_shaft_angle_deg"].value == pytest.approx(
        truth.neck_shaft_angle_deg, abs=3.0
    )


def test_clean_dicom_is_p(whole_pair, tmp_path):
    volume = whole_pair.read(whole_pair.write(tmp_path / "clean"))
    whole_pair.assert_same_voxels(volume)
    assert volume.facts.warnings == ()


def cut(low_mm, high_mm):
    """Return the edit that loses the slices between two heights, both included."""
    return lambda k, ds: None if low_mm <= ds.ImagePositionPatient[2] <= high_mm else ds


def measure_right(whole_pair, folder, edit):
    volume = whole_pair.read(whole_pair.write(folder, edit))
    return whole_pair.measure(whole_pair.cut_leg(volume, "right"))


def list_columns(whole_pair, *parts):
    """Return P's columns whose name has one of these parts."""
    values = whole_pair.get_femur("right").indices.values
    return {name for name in values if any(part in name for part in parts)} & {
        name for name, value in values.items() if value.known
    }


def assert_blank_in_gap(profile, low_mm, high_mm):
    """Fail unless sections in the gap are blank and flagged, and those away from it are not."""
    heights = profile.frame.origin_lps_mm[2] + profile.levels_mm * profile.frame.proximal[2]
    missing = (profile.quality & int(Quality.MISSING_SLICES)) != 0
    inside = (heights > low_mm) & (heights < high_mm)
    assert missing[inside].all()
    assert not any(np.isfinite(column[inside]).any() for column in profile.columns.values())
    # A section of 35 mm at 8 degrees reaches 2.5 mm up and down, the surfaces' smoothing 3 mm.
    away = (heights < low_mm - 8.0) | (heights > high_mm + 8.0)
    assert not missing[away].any()
    shaft = away & (profile.levels_mm < 10.0) & (profile.levels_mm > -240.0)
    assert np.isfinite(profile.columns["canal_ml_mm"][shaft]).all()
    assert not (profile.quality & int(Quality.TOUCHES_EDGE)).any()


def test_a1_slices_lost_in_the_shaft_cost_what_lies_there_and_nothing_else(whole_pair, tmp_path):
    case = measure_right(whole_pair, tmp_path / "gap", cut(-212.0, -208.0))
    blank = list_columns(whole_pair, "lt_minus150", "lt_to_minus150")
    # Every other number is P's: no length is stretched, no level is moved.
    whole_pair.assert_same_as_p(case, sides=("right",), blank=blank)
    assert case.scan.warnings == ("gap-in-slices",)
    (row,) = make_case_rows(case).femurs
    assert row["slice_gaps"] == "8.0 mm from z -214.0 to -206.0 mm"
    assert "gap-in-slices" in row["warnings"]
    assert_blank_in_gap(case.femora[0].profile, -214.0, -206.0)


@pytest.mark.slow
def test_a1_an_isthmus_that_may_lie_in_the_gap_is_not_told(whole_pair, tmp_path):
    case = measure_right(whole_pair, tmp_path / "gap", cut(-162.0, -158.0))
    indices = case.femora[0].indices
    assert not whole_pair.list_far(case.femora[0])
    for name in ("cfi_ml", "isthmus_level_mm", "isthmus_canal_ml_mm", "canal_ml_lt_minus100_mm"):
        assert not indices.values[name].known
        assert "missing" in indices.reasons[name]
    assert indices.values["femur_length_mm"].known
    flare = whole_pair.get_femur("right").indices.values["cfi_ml"]
    assert indices.values["cfi_ml_lower_bound"].value < flare.value + 3 * flare.u


def test_a1_slices_lost_at_the_trochanter_refuse_the_femur(whole_pair, tmp_path):
    with pytest.raises(SlicesMissingError, match="right"):
        measure_right(whole_pair, tmp_path / "gap", cut(-54.0, -50.0))


def keep_right(ds):
    """Return the data set with the columns that show the right leg."""
    half = ds.Columns // 2
    stored = np.frombuffer(ds.PixelData, "<u2").reshape(ds.Rows, ds.Columns)[:, :half]
    ds.Columns, ds.PixelData = half, np.ascontiguousarray(stored).tobytes()
    return ds


@pytest.mark.slow
def test_a7_hips_and_knees_in_one_series_give_torsion_and_length(whole_pair, tmp_path):
    def edit(k, ds):
        return None if -330.0 <= ds.ImagePositionPatient[2] <= -240.0 else keep_right(ds)

    folder, out = whole_pair.write(tmp_path / "legs", edit), tmp_path / "out"
    result = measure_inputs([folder], out, whole_pair.settings)
    assert not result.refusals
    with (out / "femurs.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert {"split-at-gap", "knee_from_second_block"} <= set(row["warnings"].split(";"))
    same = whole_pair.get_femur("right").indices.values
    for name in ("torsion_deg", "femur_length_mm", "cfi_ml", "isthmus_level_mm", "head_x_mm"):
        u = hypot(float(row[f"{name}_u"]), same[name].u)
        assert abs(float(row[name]) - same[name].value) < 3 * u, name


@pytest.mark.slow
def test_a1_slices_lost_in_the_head_leave_head_and_neck_blank(whole_pair, tmp_path):
    case = measure_right(whole_pair, tmp_path / "gap", cut(-8.0, -6.0))
    (femur,) = case.femora
    assert "slices_missing_at_head" in femur.warnings
    for name in ("head_diameter_mm", "neck_shaft_angle_deg", "torsion_deg", "femur_length_mm"):
        assert not femur.indices.values[name].known
        assert femur.indices.reasons[name]
    # In the condyles' plane the canal is P's.
    assert femur.profile.frame.plane == "condylar"
    same = whole_pair.get_femur("right").indices.values
    for name in ("isthmus_canal_ml", "canal_ml_lt_plus20"):
        one, other = femur.indices.values[f"{name}_mm"], same[f"{name}_condylar_mm"]
        assert abs(one.value - other.value) < 3 * hypot(one.u, other.u)


@pytest.mark.slow
def test_a1_slices_lost_at_the_knee_leave_torsion_and_length_blank(whole_pair, tmp_path):
    case = measure_right(whole_pair, tmp_path / "gap", cut(-380.0, -378.0))
    knee = list_columns(
        whole_pair, "torsion", "femur_length", "mechanical", "_condylar", "height_share"
    )
    whole_pair.assert_same_as_p(case, sides=("right",), blank=knee)
    assert case.femora[0].indices.reasons["torsion_deg"] == "Slices are missing at the knee."
