"""Errors on virtual scans made from real femur surfaces, an instrument that shares no assumption.

The scans are made by hand, outside the project, by ``make_set.sh`` of the shared folder; the
variable CANALMORPH_VIRTUAL_SCANS then names their folder. ``-m slow -s`` prints the table.
"""

import json
import os
from pathlib import Path

import pytest

from canalmorph.read.scans import read_series, survey_scans
from canalmorph_cli.acceptance.judging import Standing, judge_promise
from canalmorph_cli.acceptance.promises import PROMISES, VIRTUAL_PROMISES
from canalmorph_cli.acceptance.records import collect_known
from canalmorph_cli.acceptance.summaries import format_summaries, summarise_columns
from canalmorph_cli.acceptance.truths import KnownFemur

#: Bars of the project: canal width at LT-100, worst [mm]; CFI, relative.
CANAL_MM, CFI_SHARE = 0.3, 0.08
SECTIONS = {"lt_plus20": "LT+20", "lt": "LT", "lt_minus20": "LT-20", "lt_minus100": "LT-100"}


@pytest.fixture
def scans_folder() -> Path:
    named = os.environ.get("CANALMORPH_VIRTUAL_SCANS", "")
    if not named or not list(Path(named).glob("*_truth.json")):
        pytest.skip("CANALMORPH_VIRTUAL_SCANS names no folder of virtual scans.")
    return Path(named)


def read_truth(femur) -> KnownFemur:
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
    return KnownFemur(
        side={"L": "left", "R": "right"}[femur["side"]],
        values={name: value for name, value in values.items() if value is not None},
        lt_mm=tuple(femur["lt_point"]),
        up=tuple(femur["shaft_axis_dir_up"]),
        head_mm=tuple(femur["head_centre"]),
        cfi_bound_only=femur["truncated_surface"],
    )


@pytest.mark.slow
def test_virtual_scans_hold_the_bars(scans_folder, capsys):
    records = []
    for truth_file in sorted(scans_folder.glob("*_truth.json")):
        truth = json.loads(truth_file.read_text())
        name = truth_file.name.removesuffix("_truth.json")
        (scan,) = [
            p for p in scans_folder.iterdir() if p.name in (f"{name}_dicom", f"{name}.nii.gz")
        ]
        (found,) = [series for series in survey_scans(scan) if series.chosen]
        femora = [read_truth(femur) for femur in truth["femora"] if "error" not in femur]
        records += collect_known(name, read_series(found), femora)
    with capsys.disabled():
        print(f"\nVirtual scans\n{format_summaries(summarise_columns(records))}")
    femora_promise = next(promise for promise in PROMISES if promise.key == "femora")
    for promise in (femora_promise, *VIRTUAL_PROMISES):
        judgement = judge_promise(promise, records)
        assert judgement.standing is Standing.HELD, judgement.checks
    canal = [one.error for one in records if one.column == "canal_ml_lt_minus100_mm"]
    assert max(abs(error) for error in canal if error is not None) <= CANAL_MM
    shares = [one.error / one.true for one in records if one.column == "cfi_ml" and one.measured]
    assert max(abs(share) for share in shares) <= CFI_SHARE
