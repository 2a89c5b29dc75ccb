"""Equal volumes have equal numbers: what that rests on, and real measurements where they differ.

Most faults of files must leave P as it is. `assert_equal_volumes` compares all that a number hangs
on, so that every column is the same without measuring. The first tests hold the stages to that;
the others measure where voxels or their grid cannot be equal.
"""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from pydicom.dataset import Dataset

import canalmorph
from canalmorph.model.volume import CtVolume, ScanFacts

#: What becomes of a volume, up to its numbers.
STAGES = ("locate", "segment", "align", "measure", "indices", "classify", "advise", "geometry")
#: Facts that stand in words or warnings only.
IN_WORDS = {"source", "patient_position"}
#: Fields of a volume that are compared, and those that tell of its files.
COMPARED, OF_FILES = {"voxels_hu", "index_to_lps_mm", "gaps", "facts"}, {"patient", "unread"}


def list_attributes() -> Iterator[tuple[str, str]]:
    """Yield every attribute that a stage reads, with the name of what it reads it from."""
    root = Path(canalmorph.__file__).parent
    for stage in STAGES:
        for path in (root / stage).glob("*.py"):
            for node in ast.walk(ast.parse(path.read_text("utf-8"))):
                if isinstance(node, ast.Attribute):
                    yield getattr(node.value, "attr", getattr(node.value, "id", "")), node.attr


def test_every_field_of_a_volume_is_compared_or_of_its_files() -> None:
    assert {field.name for field in fields(CtVolume)} == COMPARED | OF_FILES
    volumes = {"volume", "crop", "block", "scan", "knees"}
    read = {attribute for owner, attribute in list_attributes() if owner in volumes}
    assert not read & OF_FILES


def test_numbers_hang_on_no_other_fact(bench) -> None:
    known = {field.name for field in fields(ScanFacts)}
    read = {attribute for owner, attribute in list_attributes() if owner == "facts"} & known
    assert read - IN_WORDS == set(bench.measured_facts)


def halve_rows(k: int, ds: Dataset, first: int = 0) -> Dataset:
    """Return the slice with pairs of rows averaged: pixels of 1 x 2 mm."""
    stored = np.frombuffer(ds.PixelData, "<u2").reshape(ds.Rows, ds.Columns).astype(float)[first:]
    pairs = stored[: len(stored) // 2 * 2].reshape(-1, 2, ds.Columns).mean(axis=1)
    ds.Rows, ds.PixelData = len(pairs), np.round(pairs).astype("<u2").tobytes()
    x, y, z = map(float, ds.ImagePositionPatient)
    ds.ImagePositionPatient, ds.PixelSpacing = [x, y + first + 0.5, z], [2.0, 1.0]
    return ds


def halve_other_rows(k: int, ds: Dataset) -> Dataset:
    """Return the slice with the other pairs averaged: edges lie elsewhere between pixels."""
    return halve_rows(k, ds, first=1)


def store_in_steps(k: int, ds: Dataset) -> Dataset:
    """Return the slice stored in steps of 0.75 HU, but for the first."""
    if k:
        stored = np.frombuffer(ds.PixelData, "<u2").astype(float)
        ds.PixelData, ds.RescaleSlope = np.round(stored / 0.75).astype("<u2").tobytes(), "0.75"
    return ds


def state_a_thickness(k: int, ds: Dataset) -> Dataset:
    """Return the slice with a thickness that it has not."""
    ds.SliceThickness = "5"
    return ds


@pytest.mark.slow
@pytest.mark.parametrize(
    "edit",
    [halve_rows, halve_other_rows, store_in_steps, state_a_thickness],
    ids=["d37", "d37 shifted", "c19", "c3"],
)
def test_what_is_not_equal_measures_as_p(whole_pair, tmp_path, edit) -> None:
    volume = whole_pair.read(whole_pair.write(tmp_path / "scan", edit))
    assert not volume.facts.warnings
    case = whole_pair.measure(whole_pair.cut_leg(volume, "right"))
    whole_pair.assert_same_as_p(case, sides=("right",))
