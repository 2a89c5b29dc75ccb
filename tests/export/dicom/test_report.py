"""The Structured Report, compared with the table number by number."""

import csv
import io
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
from highdicom.sr.utils import find_content_items
from pydicom.dataset import Dataset

from canalmorph.export.dicom_codes import PRIVATE_MEANINGS, SCHEME, UNITS, describe_name
from canalmorph.export.dicom_context import ObjectContext
from canalmorph.export.rows import make_case_rows
from canalmorph.export.tables import format_case
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.femur import Side


def _code_of(item: Dataset) -> str:
    code = item.ConceptNameCodeSequence[0]
    return str(code.get("CodeValue") or code.LongCodeValue)


def _find(item: Dataset, name: str) -> list[Dataset]:
    return [child for child in item.get("ContentSequence", ()) if _code_of(child) == name]


def _list_groups(document: Dataset) -> dict[str, Dataset]:
    """Return the groups that have numbers, by side."""
    (container,) = _find(document, "126010")
    groups = {}
    for group in _find(container, "125007"):
        (site,) = _find(group, "363698007")
        (side,) = _find(site, "272741003")
        if any(child.ValueType == "NUM" for child in group.ContentSequence):
            groups[side.ConceptCodeSequence[0].CodeMeaning.lower()] = group
    return groups


def _read_number(item: Dataset) -> tuple[float, str]:
    measured = item.MeasuredValueSequence[0]
    unit = measured.MeasurementUnitsCodeSequence[0]
    assert unit.CodingSchemeDesignator == "UCUM"
    # Readers take either: both must be the number.
    assert float(measured.NumericValue) == measured.FloatingPointValue
    return measured.FloatingPointValue, str(unit.CodeValue)


def test_every_number_is_that_of_the_table(
    context: ObjectContext, written: dict[str, Path]
) -> None:
    document = pydicom.dcmread(written["sr"])
    text = format_case(make_case_rows(context.case))["femurs.csv"]
    names = [
        name
        for column in FEMUR_COLUMNS
        for name in (column.name, *([f"{column.name}_u"] if column.measured else []))
    ]
    rows = [dict(zip(names, cells, strict=True)) for cells in csv.reader(io.StringIO(text))]
    groups = _list_groups(document)
    assert set(groups) == {"left", "right"}
    units = {column.name: column.unit for column in FEMUR_COLUMNS}
    for row in rows:
        found = {}
        for item in groups[row["side"]].ContentSequence:
            if item.ValueType == "NUM":
                name = _code_of(item)
                found[name] = _read_number(item)
                for uncertainty in _find(item, "standard_uncertainty"):
                    found[f"{name}_u"] = _read_number(uncertainty)
        expected = {
            name: (float(cell), UNITS[units[name.removesuffix("_u")]][0])
            for name, cell in row.items()
            if cell and units[name.removesuffix("_u")]
        }
        assert found == expected
        assert len(found) > 200


def test_units_are_those_of_ucum() -> None:
    assert {name: code for name, (code, _) in UNITS.items()} == {
        "mm": "mm",
        "mm2": "mm2",
        "mm3": "mm3",
        "deg": "deg",
        "HU": "[hnsf'U]",
        "kV": "kV",
        "1": "{ratio}",
    }
    assert {column.unit for column in FEMUR_COLUMNS} - {""} <= UNITS.keys()


def test_sides_have_their_standard_codes(written: dict[str, Path]) -> None:
    document = pydicom.dcmread(written["sr"])
    for side, code in ((Side.RIGHT, "24028007"), (Side.LEFT, "7771000")):
        (site,) = _find(_list_groups(document)[side.value], "363698007")
        (laterality,) = _find(site, "272741003")
        assert laterality.ConceptCodeSequence[0].CodeValue == code


def test_the_words_say_what_it_is_and_of_which_side(written: dict[str, Path]) -> None:
    document = pydicom.dcmread(written["sr"])
    (container,) = _find(document, "C0034375")
    texts = [
        (_code_of(item), "".join(str(child.ConceptCodeSequence[0].CodeMeaning) for child in sides))
        for item in container.ContentSequence
        for sides in [_find(item, "272741003")]
    ]
    (standing,) = _find(container, "standing")
    assert "not a diagnosis" in standing.TextValue
    assert "Not a medical device" in standing.TextValue
    for name in ("caution", "reason_for", "unknown", "not_measurable"):
        assert {(name, "Right"), (name, "Left")} <= set(texts)
    # Nothing that speaks of a femur is without its side; the scan's doubts are of both.
    assert {name for name, side in texts if not side} == {"standing", "doubt"}
    choices = [
        (_code_of(child), child.ConceptCodeSequence[0].CodeValue)
        for child in _list_groups(document)["left"].ContentSequence
        if child.ValueType == "CODE" and _code_of(child) in ("canal_shape", "fixation")
    ]
    assert choices == [("canal_shape", "normal"), ("fixation", "304367000")]
    assert document.CompletionFlag == "COMPLETE"
    assert document.VerificationFlag == "UNVERIFIED"


def test_a_case_without_a_mask_has_numbers_all_the_same(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    paths = kit.write(context, np.zeros(kit.shape, dtype=np.uint8), tmp_path)
    assert paths.keys() == {"sr", "pdf"}
    assert len(_list_groups(pydicom.dcmread(paths["sr"]))) == 2


def test_every_private_code_is_documented(written: dict[str, Path], project_folder: Path) -> None:
    columns = {column.name: column for column in FEMUR_COLUMNS}
    readme = (project_folder / "README.md").read_text("utf-8")
    seen = set()
    for path in written.values():
        dataset = pydicom.dcmread(path)
        for element in dataset.iterall():
            if element.keyword == "CodingSchemeDesignator" and element.value == SCHEME:
                seen.add(path.stem)
        if "ContentSequence" not in dataset:
            continue
        for item in find_content_items(dataset, recursive=True):
            for code in item.ConceptNameCodeSequence:
                if code.CodingSchemeDesignator == SCHEME:
                    name = str(code.get("CodeValue") or code.LongCodeValue)
                    meaning = PRIVATE_MEANINGS.get(name) or describe_name(columns[name].name)
                    assert code.CodeMeaning == meaning
    assert seen == {"seg", "sr"}
    assert SCHEME in readme
    assert [name for name in PRIVATE_MEANINGS if f"`{name}`" not in readme] == []
    # A meaning is at most 64 characters long, and no two are alike.
    meanings = [*PRIVATE_MEANINGS.values(), *map(describe_name, columns)]
    assert max(map(len, meanings)) <= 64
    assert len(set(meanings)) == len(meanings)


def test_source_images_of_a_multi_frame_scan_are_frames(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    context = replace(context, sources=(kit.make_source("oblique", enhanced=True),))
    paths = kit.write(context, kit.make_labels(1), tmp_path)
    group = _list_groups(pydicom.dcmread(paths["sr"]))["right"]
    pointed = [item.ReferencedSOPSequence[0] for item in _find(group, "121112")]
    frames = {str(item.ReferencedSOPInstanceUID): item.ReferencedFrameNumber for item in pointed}
    assert frames == {"1.2.826.0.1.13.0": [2, 3, 4], "1.2.826.0.1.13.1": [1, 2, 3, 4]}
