"""The statements for a methods section are those of the results, and the BibTeX is whole."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from canalmorph.cohort.methods import write_methods
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.published import BIBLIOGRAPHY


@pytest.fixture
def results(results_of: Callable[..., Path], tmp_path: Path) -> Path:
    facts = {"plane": "neck", "software_version": "0.1.0", "settings_hash": "g1", "kernel": "B60"}
    femurs = [
        {"case_id": f"g{case}", "side": side, "slice_spacing_mm": 0.5 + case / 4, **facts}
        for case in range(3)
        for side in ("right", "left")
    ]
    refusals = [{"reason_code": "metal", "message": "x"}, {"reason_code": "metal"}]
    return results_of(tmp_path / "results", femurs=femurs, refusals=refusals)


def test_the_material_is_counted(results: Path) -> None:
    text = " ".join(write_methods(results, version="0.1.0").text.split())
    assert "6 femora of 3 CT series were measured with canalmorph 0.1.0" in text
    assert "Distance between slices: 0.5 to 1 mm." in text
    assert "B60 (6)" in text
    assert "metal (2)" in text
    assert "never been validated on real femur CT" in text
    assert "Settings g1: no record of a case is at hand" in text


def test_what_persons_did_is_stated(
    results: Path, results_of: Callable[..., Path], tmp_path: Path
) -> None:
    assert "by hand" not in write_methods(results, version="0.1.0").text
    said = ("corrected;signed", "signed", "signed", "", "rejected", "corrected;rejected")
    femurs = [
        {"case_id": f"g{case}", "side": "left", "plane": "hand", "reviewed_by_hand": words}
        for case, words in enumerate(said)
    ]
    reviewed = results_of(tmp_path / "reviewed", femurs=femurs)
    text = " ".join(write_methods(reviewed, version="0.1.0").text.split())
    assert "4 femora of 4 CT series" in text
    assert "Reviewed by hand (femora): corrected and signed (1), signed (2)." in text
    assert "rejected, left out here: 2." in text


def test_every_reference_is_used_and_every_use_has_one(results: Path) -> None:
    stated = write_methods(results, version="0.1.0")
    keys = set(re.findall(r"^@misc\{(\w+),", stated.bibtex, re.MULTILINE))
    assert keys <= set(BIBLIOGRAPHY)
    flare = next(column for column in FEMUR_COLUMNS if column.name == "cfi_ml")
    assert flare.source in keys
    body, _, listed = stated.text.partition("References:")
    for key in keys:
        assert f"[{key}" in body, key
        assert f"[{key}]" in listed, key
    assert stated.bibtex.count("{") == stated.bibtex.count("}")


def test_only_the_columns_that_are_used_are_defined(results: Path) -> None:
    text = write_methods(results, version="0.1.0", columns=["torsion_deg"]).text
    assert "- torsion_deg [deg]: Turn about" in text
    assert "- cfi_ml" not in text
    with pytest.raises(ValueError, match="no column"):
        write_methods(results, version="0.1.0", columns=["torsion"])


def test_figures_of_another_version_are_said_to_be_so(results: Path) -> None:
    stated = write_methods(results, version="0.9.0", accuracy=["Widths: worst case 0.12."])
    text = " ".join(stated.text.split())
    assert "- Widths: worst case 0.12." in text
    assert "measured by 0.1.0: state that version's own figures" in text
