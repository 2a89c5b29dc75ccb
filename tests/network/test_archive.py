"""From a real sender through the node to a real archive and back: equal to the tables."""

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import nibabel
import numpy as np
import pydicom
import pytest
from highdicom.sr.utils import find_content_items
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from canalmorph.batch.engine import InProcessEngine
from canalmorph.batch.outcomes import MeasureScan
from canalmorph.export.dicom_codes import UNITS
from canalmorph.network.peers import check_peers
from canalmorph.network.settings import Archive, NodeSettings, Sender

pytestmark = pytest.mark.archive
#: The calling title of dcmtk's storescu.
STORESCU = "STORESCU"


def read_name(item: Dataset) -> str:
    code = item.ConceptNameCodeSequence[0]
    return str(code.get("CodeValue") or code.LongCodeValue)


def read_numbers(document: Dataset) -> dict[str, tuple[float, str]]:
    """Return every number of a report on one femur with its unit."""
    found = {}
    for item in find_content_items(document, recursive=True):
        if item.ValueType == "NUM":
            (value,) = item.MeasuredValueSequence
            unit = str(value.MeasurementUnitsCodeSequence[0].CodeValue)
            found[read_name(item)] = (float(value.NumericValue), unit)
            for child in item.get("ContentSequence", ()):
                if read_name(child) == "standard_uncertainty":
                    (value,) = child.MeasuredValueSequence
                    found[f"{read_name(item)}_u"] = (float(value.NumericValue), unit)
    found.pop("standard_uncertainty", None)
    return found


def read_table(results: Path) -> tuple[dict[str, str], dict[str, str]]:
    """Return the one row of the femora's table, and the units of its columns."""
    (row,) = csv.DictReader(io.StringIO((results / "femurs.csv").read_text("utf-8")))
    with (results / "columns.csv").open(encoding="utf-8", newline="") as stream:
        units = {each["name"]: each["unit"] for each in csv.DictReader(stream)}
    return row, units


def read_mask(results: Path) -> dict[float, NDArray[Any]]:
    """Return the planes of the case's mask that hold any of it, by their height [mm]."""
    (file,) = results.glob("cases/*/masks.nii.gz")
    masks = nibabel.nifti1.Nifti1Image.from_filename(file)
    labels, affine = np.asanyarray(masks.dataobj).transpose(2, 1, 0), masks.affine
    assert affine is not None
    heights = affine[2, 2] * np.arange(len(labels)) + affine[2, 3]
    pairs = zip(heights, labels, strict=True)
    return {round(float(z), 3): plane for z, plane in pairs if plane.any()}


def read_frames(dataset: Dataset) -> dict[float, NDArray[Any]]:
    """Return the planes of a segmentation, by their height [mm]."""
    planes: dict[float, NDArray[Any]] = {}
    frames = zip(dataset.PerFrameFunctionalGroupsSequence, dataset.pixel_array, strict=True)
    for frame, pixels in frames:
        height = round(float(frame.PlanePositionSequence[0].ImagePositionPatient[2]), 3)
        number = frame.SegmentIdentificationSequence[0].ReferencedSegmentNumber
        planes.setdefault(height, np.zeros(pixels.shape, np.uint8))[pixels > 0] = number
    return planes


@pytest.mark.dicom_tools
def test_a_study_comes_back_with_its_results(
    archive: Any,
    make_settings: Callable[..., NodeSettings],
    kit: SimpleNamespace,
    small_dicom: Path,
    known_measure: MeasureScan,
    list_object_errors: Callable[[pydicom.FileDataset], list[str]],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    # The page in HTML is sent nowhere.
    monkeypatch.setattr("canalmorph.batch.case_files.write_page", lambda *args: None)
    pacs = Archive(name="pacs", ae_title="ARCHIVE", host="127.0.0.1", port=archive.dicom_port)
    web = Archive(name="web", url=f"{archive.root}/dicom-web", fetch="web")
    settings = make_settings(
        port=archive.node_port, senders=(Sender(ae_title=STORESCU),), archives=(pacs, web)
    )
    assert check_peers(settings) == []
    images = sorted(small_dicom.iterdir())
    first = pydicom.dcmread(images[0])
    archive.send(*images[:2])
    with kit.run_node(settings, InProcessEngine(), measure=known_measure) as running:
        archive.send(*images, title=kit.node, port=running.node.port)
        # Both ways: stored over the web, and kept by its own word (a real commitment).
        kit.wait_until(lambda: running.count_kept() == 6, longest_s=240.0)
    study = f"studies/{first.StudyInstanceUID}"
    series = archive.query(f"{study}/series")
    assert sorted(one["00080060"]["Value"][0] for one in series) == ["CT", "DOC", "SEG", "SR"]
    assert len(archive.query(f"{study}/instances")) == 2 + 3
    back = {}
    for path in settings.results.glob("cases/*/dicom/*.dcm"):
        ours = pydicom.dcmread(path)
        place = f"{study}/series/{ours.SeriesInstanceUID}/instances/{ours.SOPInstanceUID}"
        back[ours.Modality] = archive.retrieve(place)
        # Whatever a way of sending re-encodes, no element changes.
        assert back[ours.Modality] == ours
    row, units = read_table(settings.results)
    expected = {
        name: (float(cell), UNITS[units[name]][0])
        for name, cell in row.items()
        if cell and units.get(name)
    }
    assert len(expected) > 200
    assert read_numbers(back["SR"]) == expected
    sides = {
        item.ConceptCodeSequence[0].CodeMeaning.lower()
        for item in find_content_items(back["SR"], recursive=True)
        if item.ValueType == "CODE" and read_name(item) == "272741003"
    }
    assert sides == {row["side"]}
    drawn, mask = read_frames(back["SEG"]), read_mask(settings.results)
    assert drawn.keys() == mask.keys()
    for height, plane in mask.items():
        np.testing.assert_array_equal(drawn[height], plane)
    (paper,) = settings.results.glob("cases/*/report.pdf")
    assert back["DOC"].EncapsulatedDocument.startswith(paper.read_bytes())
    case = json.loads(next(settings.results.glob("cases/*/result.json")).read_text("utf-8"))
    said = [
        str(item.TextValue)
        for item in find_content_items(back["SR"], recursive=True)
        if item.ValueType == "TEXT"
    ]
    (cautions,) = (femur["advice"]["cautions"] for femur in case["femora"])
    assert cautions
    assert set(cautions) <= set(said)
    assert [text for text in said if "not a diagnosis" in text and "Not a medical device" in text]
    for path in settings.results.glob("cases/*/dicom/*.dcm"):
        archive.run("dcm2json", str(path), str(tmp_path / "read.json"))
    for dataset in back.values():
        assert list_object_errors(dataset) == [], dataset.Modality


def test_the_node_is_held_up_by_no_archive_that_is_away(
    archive: Any, make_settings: Callable[..., NodeSettings]
) -> None:
    pacs = Archive(name="pacs", ae_title="ARCHIVE", host="127.0.0.1", port=archive.dicom_port)
    web = Archive(name="web", url=f"{archive.root}/dicom-web", fetch="web")
    away = (
        replace(pacs, name="away", port=9),
        replace(web, name="web-away", url="http://127.0.0.1:9/dicom-web"),
        replace(web, name="web-else", url=f"{archive.root}/nowhere"),
    )
    failures = check_peers(make_settings(archives=away))
    assert [each.split(":")[0] for each in failures] == [
        "Archive away",
        "Archive web-away",
        "Archive web-else",
    ]
    assert "HTTP status 404" in failures[2]
