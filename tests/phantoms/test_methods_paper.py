"""The worked example: its tables and plots, made of a handful; stopped, it goes on where it was."""

import importlib.util
import json
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.pipeline import ScanMeasurement
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.spec import PhantomScan

TABLES = ("table_1_people", "table_2_measures", "table_3_errors", "table_4_kernels")
FIGURES = ("figure_1_indices", "figure_2_profiles", "figure_3_kernels")


@pytest.fixture
def study(project_folder: Path) -> ModuleType:
    path = project_folder / "phantoms/scenarios/methods_paper.py"
    spec = importlib.util.spec_from_file_location("methods_paper", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def fail(*_: object, **__: object) -> Any:
    raise AssertionError("It was done before.")


def test_a_handful_makes_the_paper_once(
    study: ModuleType,
    small_result: PhantomResult,
    known_measure: MeasureScan,
    measurement: ScanMeasurement,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Every scan is the same small one, under the name of its person, whose numbers are known."""
    monkeypatch.setattr("canalmorph.batch.case_files.write_reports", lambda *args: None)
    fine = small_result.volume
    # Nothing is measured on it.
    coarse = replace(
        fine,
        voxels_hu=np.ascontiguousarray(fine.voxels_hu[::3, ::3, ::3]),
        index_to_lps_mm=fine.index_to_lps_mm @ np.diag([3.0, 3.0, 3.0, 1.0]),
    )
    built: list[str] = []

    def build(scan: PhantomScan) -> PhantomResult:
        built.append(scan.name)
        if len(built) == 3:
            raise KeyboardInterrupt
        spec = replace(small_result.spec, name=scan.name, scanner=scan.scanner)
        return replace(small_result, spec=spec, volume=coarse)

    monkeypatch.setattr(study, "build_scan", build)
    run = partial(study.run_study, tmp_path, 3)
    with pytest.raises(KeyboardInterrupt):
        run(measure=known_measure)
    paper = run(measure=known_measure)
    assert sorted(built) == sorted(
        [f"shapes_{n:02d}_{kernel}" for n in range(3) for kernel in ("soft", "bone")]
        + ["shapes_02_soft"]
    )
    frames = {name: pd.read_csv(paper / f"{name}.csv") for name in TABLES}
    assert frames["table_1_people"]["femora"].sum() == 3
    measures = frames["table_2_measures"]
    assert set(measures["measure"]) == set(study.MEASURES)
    (femur,) = measurement.case.femora
    flare = femur.indices.values["cfi_ml"].value
    assert measures[measures["measure"] == "cfi_ml"]["mean"].tolist() == pytest.approx(
        [flare] * 3, rel=1e-4
    )
    truth = json.loads((tmp_path / "truth_first/shapes_00.json").read_text("utf-8"))
    errors = frames["table_3_errors"]
    (bias,) = errors[errors["measure"] == "cfi_ml"]["bias"]
    # The results have four decimals.
    assert bias == pytest.approx(flare - truth["cfi_ml"], abs=1e-4)
    # The same numbers twice.
    kernels = frames["table_4_kernels"]
    assert kernels["n"].tolist() == [3] * len(study.MEASURES)
    assert kernels["bias_value"].abs().max() == 0.0
    for name in FIGURES:
        assert (paper / f"{name}.svg").read_text("utf-8").startswith("<svg"), name
    before = {path: path.read_bytes() for path in paper.rglob("*.*")}
    assert {path.name for path in before} >= {"paper.md", "methods.txt", "methods.bib"}
    # Again: nothing is made anew, and the paper is the same.
    monkeypatch.setattr(study, "build_scan", fail)
    run(measure=fail)
    assert {path: path.read_bytes() for path in paper.rglob("*.*")} == before
