"""Errors on virtual scans made from real femur surfaces, an instrument that shares no assumption.

The scans are made by hand, outside the project, by ``make_set.sh`` of the shared folder; the
variable CANALMORPH_VIRTUAL_SCANS then names their folder. ``-m slow -s`` prints the table.
"""

import json
import os
from pathlib import Path

import numpy as np
import pytest

from canalmorph.read.scans import read_series, survey_scans

#: Bars of the project: LT level and canal width at LT-100, worst [mm]; CFI, relative.
LT_LEVEL_MM, CANAL_MM, CFI_SHARE = 3.0, 0.3, 0.08
SECTIONS = {"lt_plus20": "LT+20", "lt": "LT", "lt_minus20": "LT-20", "lt_minus100": "LT-100"}


@pytest.fixture
def scans_folder() -> Path:
    named = os.environ.get("CANALMORPH_VIRTUAL_SCANS", "")
    if not named or not list(Path(named).glob("*_truth.json")):
        pytest.skip("CANALMORPH_VIRTUAL_SCANS names no folder of virtual scans.")
    return Path(named)


def read_truth(femur, make_truth):
    sections = femur["named_sections"]
    values = {}
    for level, key in SECTIONS.items():
        if sections[key] is not None:
            values[f"canal_ml_{level}_mm"] = sections[key]["inner_ml_nohead"]
            values[f"outer_ml_{level}_mm"] = sections[key]["outer_ml_nohead"]
    values |= {"cfi_ml": femur["CFI_nohead"], "mcfi_ml": femur["MCFI_nohead"]}
    values |= {"isthmus_canal_ml_mm": femur["isthmus_ml"]}
    if femur["CTI_LT100_ml"]:
        values["cti_ml_lt_minus100"] = femur["CTI_LT100_ml"]
    return make_truth(
        side={"L": "left", "R": "right"}[femur["side"]],
        values=values,
        lt_mm=tuple(femur["lt_point"]),
        up=tuple(femur["shaft_axis_dir_up"]),
        head_mm=tuple(femur["head_centre"]),
        cfi_bound_only=femur["truncated_surface"],
    )


@pytest.mark.slow
def test_virtual_scans_hold_the_bars(error_table, make_truth, scans_folder, capsys):
    relative = []
    for truth_file in sorted(scans_folder.glob("*_truth.json")):
        truth = json.loads(truth_file.read_text())
        name = truth_file.name.removesuffix("_truth.json")
        (scan,) = [
            p for p in scans_folder.iterdir() if p.name in (f"{name}_dicom", f"{name}.nii.gz")
        ]
        (found,) = [series for series in survey_scans(scan) if series.chosen]
        femora = [femur for femur in truth["femora"] if "error" not in femur]
        error_table.add_scan(
            name, read_series(found), [read_truth(femur, make_truth) for femur in femora]
        )
        relative += [femur["CFI_nohead"] for femur in femora if not femur["truncated_surface"]]
    with capsys.disabled():
        print(f"\nVirtual scans\n{error_table.as_text()}")
    assert not error_table.missed
    assert error_table.worst("lt_level_mm") <= LT_LEVEL_MM
    assert error_table.worst("canal_ml_lt_minus100_mm") <= CANAL_MM
    shares = np.abs(error_table.errors["cfi_ml"]) / np.min(relative)
    assert shares.max() <= CFI_SHARE
