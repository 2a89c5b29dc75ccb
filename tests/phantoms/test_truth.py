"""The truth: converged, the same on both sides, unmoved by poses, consistent with itself."""

import json
from dataclasses import replace

import numpy as np
import pytest

from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.shapes import (
    CAUCASIAN,
    CHINESE,
    PublishedProfile,
    make_published_shape,
    make_shape,
)
from canalmorph_phantoms.spec import FemurShape, PhantomScan
from canalmorph_phantoms.transform import mirror_scan, rotate_patient, shift_patient
from canalmorph_phantoms.truth import (
    FemurTruth,
    head_limit_mm,
    measure_scan,
    measure_section,
    solve_solid,
)


def _list_numbers(truth: FemurTruth) -> dict[str, float]:
    """Return every number that does not depend on where the patient lies."""
    numbers = {
        name: getattr(truth, name)
        for name in (
            "lt_apex_level_mm",
            "lt_direction_deg",
            "head_diameter_mm",
            "neck_shaft_angle_deg",
            "femoral_offset_mm",
            "torsion_deg",
            "isthmus_level_mm",
            "isthmus_inscribed_mm",
        )
    }
    numbers.update(truth.indices)
    for level, section in truth.named_sections.items():
        for name, value in section.items():
            if not name.endswith("_scanner_mm"):
                numbers[f"{level} {name}"] = value
    return numbers


@pytest.mark.parametrize("level_mm", [20.0, 0.0, -20.0, -100.0])
def test_halving_the_step_moves_no_width_by_more_than_0_01_mm(
    shape: FemurShape, level_mm: float
) -> None:
    solid, top = solve_solid(shape)
    level = level_mm + float(top.point_mm[2])
    coarse = measure_section(solid, level)
    fine = measure_section(solid, level, step_mm=0.125)
    for name, value in coarse.items():
        if "area" in name:
            assert fine[name] == pytest.approx(value, rel=2e-3), name
        elif "mean" in name or "cortex" in name:
            # A quadrant ends between points 0.25 mm apart, where the wall's thickness changes by
            # up to 0.2 mm a mm along the outline.
            assert fine[name] == pytest.approx(value, abs=0.05), name
        else:
            assert fine[name] == pytest.approx(value, abs=0.01), name


def test_left_and_right_are_mirror_images() -> None:
    spec = SMALL["small_right"]
    right = measure_scan(spec).femora[0]
    left = measure_scan(mirror_scan(spec)).femora[0]
    assert left.side == "left"
    assert _list_numbers(left) == pytest.approx(_list_numbers(right), abs=1e-9)
    for name in ("lt_mm", "origin_mm", "head_mm", "medial", "posterior", "up", "neck_axis"):
        x, y, z = getattr(right, name)
        assert getattr(left, name) == pytest.approx((-x, y, z), abs=1e-9)


def test_numbers_do_not_depend_on_the_pose() -> None:
    spec = SMALL["small_right"]
    moved = rotate_patient(shift_patient(spec, (9.0, -4.0, 13.0)), (0.3, 0.5, 1.0), 21.0)
    before, after = measure_scan(spec).femora[0], measure_scan(moved).femora[0]
    assert _list_numbers(after) == pytest.approx(_list_numbers(before), abs=1e-9)
    old = np.array([before.lt_mm, before.head_mm, before.origin_mm])
    new = np.array([after.lt_mm, after.head_mm, after.origin_mm])
    assert not np.allclose(old, new, atol=5)
    assert np.linalg.norm(np.diff(new, axis=0), axis=1) == pytest.approx(
        np.linalg.norm(np.diff(old, axis=0), axis=1)
    )


def test_angles_follow_from_the_directions(quiet: PhantomResult) -> None:
    truth = quiet.truth.femora[0]
    up, medial, posterior, neck, line = (
        np.array(getattr(truth, name))
        for name in ("up", "medial", "posterior", "neck_axis", "condylar_medial")
    )
    assert np.degrees(np.arccos(-neck @ up)) == pytest.approx(truth.neck_shaft_angle_deg)
    across = neck - (neck @ up) * up
    across /= np.linalg.norm(across)
    assert across == pytest.approx(medial)
    # Anteversion: the neck points more to the front than the condylar line does.
    torsion = np.degrees(np.arctan2(-(line @ -posterior), line @ medial))
    assert torsion == pytest.approx(truth.torsion_deg)
    assert posterior[1] > 0.8
    head = np.array(truth.head_mm) - np.array(truth.origin_mm)
    offset = np.linalg.norm(head - (head @ up) * up)
    assert offset == pytest.approx(truth.femoral_offset_mm)
    lt = np.array(truth.lt_mm) - np.array(truth.origin_mm)
    assert lt @ up == pytest.approx(0.0, abs=1e-9)
    assert lt @ posterior > 5
    assert lt @ medial > 5


def test_indices_are_identities_of_the_sections(quiet: PhantomResult) -> None:
    truth = quiet.truth.femora[0]
    i, named = truth.indices, truth.named_sections
    assert i["cfi_ml"] == pytest.approx(i["mcfi_ml"] * i["dcfi_ml"])
    assert i["cbr_ml_lt_minus100"] == pytest.approx(1 - i["cti_ml_lt_minus100"])
    widths = [s["canal_ml_mm"] for s in truth.sections if s["level_mm"] < -40]
    assert named["isthmus"]["canal_ml_mm"] <= min(widths) + 1e-3
    assert truth.isthmus_inscribed_mm == pytest.approx(
        named["isthmus"]["canal_inscribed_mm"], abs=0.01
    )


def test_ml_width_is_continuous_where_the_head_begins() -> None:
    low = make_shape(head_height_mm=42.0, head_radius_mm=23.0, neck_shaft_angle_deg=118.0)
    solid, _ = solve_solid(low)
    begins = low.head_height_mm - low.head_radius_mm
    assert head_limit_mm(low, begins - 1e-3) == float("inf")
    levels = begins + np.arange(-0.2, 4.0, 0.2)
    widths = [measure_section(solid, s)["canal_ml_mm"] for s in levels]
    # The circle's border moves by sqrt(2 R dz) at first: 3 mm in the first 0.2 mm; it limits only
    # once it passes the neck's own border.
    assert np.abs(np.diff(widths)).max() < 3.1
    whole = [measure_section(solid, s)["canal_ml_whole_mm"] for s in levels]
    assert widths[-1] < whole[-1]
    assert widths[0] == whole[0]


@pytest.mark.parametrize("profile", [CAUCASIAN, CHINESE], ids=["caucasian", "chinese"])
def test_published_profile_is_met(profile: PublishedProfile) -> None:
    """Canal ML widths of 508 Caucasian and 141 Chinese femora on CT, LT+20 to LT-80, means."""
    solid, top = solve_solid(make_published_shape(profile))
    for level, width in profile.canal_ml_mm:
        found = measure_section(solid, level + float(top.point_mm[2]))["canal_ml_mm"]
        # The published means have one decimal.
        assert found == pytest.approx(width, abs=0.1), level


def test_truth_is_plain_data(small_pair: PhantomResult) -> None:
    text = json.dumps(small_pair.truth.to_dict(), allow_nan=False)
    back = json.loads(text)
    assert [femur["side"] for femur in back["femora"]] == ["right", "left"]
    assert back["femora"][0]["indices"] == small_pair.truth.femora[0].indices


def test_coverage_flags_follow_the_scan(quiet_spec: PhantomScan) -> None:
    whole = measure_scan(quiet_spec).femora[0]
    short = replace(quiet_spec, scanner=replace(quiet_spec.scanner, z_range_mm=(-120.0, 5.0)))
    cut = measure_scan(short).femora[0]
    assert whole.isthmus_in_volume
    assert whole.head_in_volume
    assert not cut.isthmus_in_volume
    assert not cut.head_in_volume
    assert cut.bottom_level_mm - whole.bottom_level_mm == pytest.approx(105.0 / whole.up[2])
    assert not whole.condyles_in_volume
