"""A joint that hides the head takes nothing from the canal."""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph.pipeline import Settings, measure_scan
from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.spec import PhantomScan


def test_bone_on_bone_blanks_head_and_neck_with_a_flag(right_spec: PhantomScan) -> None:
    joint = replace(right_spec.femora[0], joint_gap_mm=0.0)
    result = build_scan(replace(right_spec, name="bone_on_bone", femora=(joint,)))
    (femur,) = measure_scan(result.volume, Settings(), case_id="joint").case.femora
    truth = result.truth.femora[0]
    values, reasons = femur.indices.values, femur.indices.reasons
    if "head_not_separated" in femur.warnings:
        for name in ("head_diameter_mm", "neck_shaft_angle_deg", "femoral_offset_mm"):
            assert not values[name].known
            assert "could not be told apart" in reasons[name]
        assert femur.profile.frame.plane == "scanner"
        section = truth.named_sections["lt_minus100"]["canal_ml_scanner_mm"]
    else:
        centre = [values[f"head_{axis}_mm"].value for axis in "xyz"]
        assert np.linalg.norm(np.subtract(centre, truth.head_mm)) < 1.5
        assert abs(values["head_diameter_mm"].value - truth.head_diameter_mm) < 1.5
        section = truth.named_sections["lt_minus100"]["canal_ml_mm"]
    # Voxels of 1 x 1.5 mm: half of one.
    assert values["canal_ml_lt_minus100_mm"].value == pytest.approx(section, abs=0.6)
    assert values["lt_z_mm"].value == pytest.approx(truth.lt_mm[2], abs=1.5)
