"""P itself: what all comparisons with it rest on."""

from math import hypot

import pytest

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
