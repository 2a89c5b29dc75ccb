"""The kinds of faults that real input has, and where each is tested.

A test of a kind bears its letter and number (``test_a12_...``); those that stand with the part that
they test are named below. A kind without a test fails here.
"""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

KINDS = {
    "a1": "slices missing within a series",
    "a3": "one file cut in transfer",
    "a4": "two phases at the same positions under one series UID",
    "a6": "exact copies of some slices; one UID with two contents",
    "a7": "two overlapping blocks under one series UID",
    "a8": "one slice of another orientation in the series",
    "a10": "scout, thin, thick, derived series and a report in one folder",
    "a11": "two patients under one series UID",
    "a12": "a tilted gantry",
    "a14": "names and instance numbers that have nothing to do with space",
    "a15": "junk, directories of media, deep folders",
    "b16": "head or feet first, supine or prone",
    "b18": "coordinates that contradict the anatomy",
    "c19": "slope and intercept of each slice",
    "c20": "padding outside the circle, with and without its tag",
    "c22": "metal cut off at the highest value",
    "c24": "transfer syntaxes",
    "c26": "stray high bits",
    "c27": "no rescale tags",
    "c29": "enhanced multi-frame with a rescale of each frame",
    "c31": "classic multi-frame without positions",
    "d32": "no preamble, no file meta information",
    "d33": "no pixel spacing",
    "d35": "decimal commas",
    "d37": "pixels that are not square",
    "d38": "character sets, and folders with any letters",
    "e40": "sform and qform that disagree",
    "e42": "a sheared sform",
    "e44": "units of length",
    "e46": "slope 0 or NaN; unsigned values with an intercept",
    "e47": "a truncated file",
    "e49": "other types, NaN, a fourth axis",
    "e50": "every order of axes, NRRD spaces",
    "f52": "a field of view that cuts",
    "f54": "a hip prosthesis on one side",
    "f56": "a filled artery that touches bone",
    "f57": "table, rods and a cast under the leg",
    "f58": "a displaced fracture",
    "f60": "thick, overlapping, soft and sharp slices",
    "f61": "a narrow or fused joint",
    "g62": "identities in every text and name",
    "g64": "objects that must fit their source",
    "g66": "an encapsulated PDF of odd length",
    "h67": "formulas in texts",
    "h69": "identifiers that look like numbers, control characters",
    "h70": "markup in names",
    "i71": "a case that kills its worker or never ends",
    "i73": "a kill in the midst of writing, then going on",
    "i75": "two runs into one results folder",
    "i76": "memory over many cases",
    "i78": "a run that is stopped",
    "i79": "names that no file may have",
    "i80": "zips that climb out or explode",
    "i82": "a declared size beyond the file",
    "c1": "control: orientations that jitter",
    "c2": "control: an acquisition number of each slice",
    "c3": "control: a thickness and a declared spacing that are not the slices' distance",
    "c4": "control: positions with rounding noise and long decimals",
    "c5": "control: a series UID of each slice",
    "c6": "control: two legs as two series",
}
#: Tests of a kind that do not bear its name.
ELSEWHERE = {
    "b18": [
        "locate/test_upright.py::test_heads_below_the_knees_are_refused",
        "locate/test_upright.py::test_a_table_on_the_wrong_side_is_a_warning",
        "align/test_front_and_back.py::test_a_trochanter_in_front_is_refused",
    ],
    "f54": [
        "faults/test_metal.py::test_the_native_side_beside_a_prosthesis_keeps_its_true_numbers",
        "faults/test_metal.py::test_the_side_with_the_prosthesis_is_refused_for_its_metal",
    ],
    "f58": ["locate/test_continuity.py::test_a_broken_shaft_ends_above_its_break"],
    "g64": [
        "export/dicom/test_objects.py::test_every_reference_is_in_the_evidence",
        "export/dicom/test_objects.py::test_patient_and_study_are_those_of_the_scan",
        "export/dicom/test_objects.py::test_a_validator_finds_no_error",
        "export/dicom/test_segmentation.py::test_the_mask_comes_back_in_patient_space",
    ],
    "g66": ["export/dicom/test_objects.py::test_a_pdf_of_odd_length_keeps_its_length"],
    "h67": [
        "export/test_tables.py::test_text_is_never_a_formula_and_stays_readable",
        "export/test_tables.py::test_negative_numbers_stay_numbers",
        "cohort/test_writing.py::test_a_workbook_has_text_as_text_and_numbers_as_numbers",
    ],
    "h69": [
        "cohort/test_writing.py::test_one_bad_cell_loses_no_workbook",
        "cohort/test_writing.py::test_a_german_csv_reads_back",
    ],
    "h70": [
        "report/test_page.py::test_every_text_of_the_file_is_escaped",
        "report/test_page.py::test_nothing_is_loaded_from_elsewhere",
        "report/test_in_browser.py::test_texts_of_the_file_are_shown_as_they_are",
    ],
    "i71": [
        "batch/test_cluster.py::test_a_case_that_ends_its_worker_fails_alone",
        "batch/test_cluster.py::test_a_case_that_takes_too_long_fails_alone",
    ],
    "i73": [
        "batch/test_cluster.py::test_a_fault_at_any_moment_changes_no_table",
        "batch/test_resuming.py::test_a_run_killed_at_the_ledger_is_taken_up_without_measuring_twice",
    ],
    "i75": [
        "batch/test_folder.py::test_a_second_run_at_the_same_time_is_refused_and_a_later_one_not"
    ],
    "i78": ["batch/test_cluster.py::test_a_run_that_is_stopped_leaves_no_process_and_is_taken_up"],
}


@pytest.fixture(scope="module")
def tests() -> set[str]:
    """Return every test function, as file and name."""
    top = Path(__file__).parents[1]
    return {
        f"{path.relative_to(top).as_posix()}::{node.name}"
        for path in top.rglob("test_*.py")
        for node in ast.parse(path.read_text("utf-8")).body
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_fault_has_a_test(tests: set[str], kind: str) -> None:
    named = {test for test in tests if test.split("::")[1].startswith(f"test_{kind}_")}
    elsewhere = set(ELSEWHERE.get(kind, ()))
    assert elsewhere <= tests, "a test that is named here is gone"
    assert named | elsewhere, KINDS[kind]


def test_no_test_speaks_of_a_kind_that_is_not_listed(tests: set[str]) -> None:
    found = (re.search(r"::test_([a-i]\d+)_", test) for test in tests)
    assert {match[1] for match in found if match is not None} <= set(KINDS)
    assert set(ELSEWHERE) <= set(KINDS)
