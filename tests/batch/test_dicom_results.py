"""DICOM objects in a results folder: written when asked for, found again, and never in the way."""

import csv
import shutil
from pathlib import Path

import nibabel
import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.uid import RLELossless

from canalmorph.batch.outcomes import BatchOptions, BatchResult, MeasureScan
from canalmorph.batch.redraw import FOLLOWED_NAME, follow_review
from canalmorph.batch.reviews import ReviewAction, open_reviews
from canalmorph.batch.run import measure_inputs
from canalmorph.measure.rods import put_off_rods
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.model.femur import Plane, Side
from canalmorph.pipeline import Settings
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_nifti

NAMES = ["measurements.dcm", "report.dcm", "segmentation.dcm"]


def run(
    scans: Path, out: Path, measure: MeasureScan, *, dicom: bool = True, deidentify: bool = False
) -> BatchResult:
    options = BatchOptions(dicom=dicom, deidentify=deidentify)
    return measure_inputs([scans], out, Settings(), options=options, measure=measure)


def list_objects(result: BatchResult) -> list[Path]:
    return sorted(result.folder.glob("cases/*/dicom/*"))


def test_objects_are_written_when_asked_for_and_a_resend_is_the_same(
    small_dicom: Path, tmp_path: Path, known_measure: MeasureScan
) -> None:
    out = tmp_path / "results"
    assert list_objects(run(small_dicom, out, known_measure, dicom=False)) == []
    # The case is known and lacks its objects: it is measured again; then it is whole.
    first = run(small_dicom, out, known_measure)
    assert [path.name for path in list_objects(first)] == NAMES
    assert not first.outcomes[0].kept
    uids = [pydicom.dcmread(path).SOPInstanceUID for path in list_objects(first)]
    assert run(small_dicom, out, known_measure).outcomes[0].kept
    other = run(small_dicom, tmp_path / "other", known_measure)
    assert [pydicom.dcmread(path).SOPInstanceUID for path in list_objects(other)] == uids
    source = pydicom.dcmread(next(iter(sorted(small_dicom.iterdir()))))
    for path in list_objects(first):
        dataset = pydicom.dcmread(path)
        assert dataset.PatientID == "PX-552317"
        assert dataset.StudyInstanceUID == source.StudyInstanceUID
    assert pydicom.dcmread(list_objects(first)[2]).FrameOfReferenceUID == source.FrameOfReferenceUID


def test_without_identity_the_objects_have_the_cases_name(
    small_dicom: Path, tmp_path: Path, known_measure: MeasureScan
) -> None:
    result = run(small_dicom, tmp_path / "results", known_measure, deidentify=True)
    for path in list_objects(result):
        dataset = pydicom.dcmread(path)
        assert dataset.PatientID == result.outcomes[0].case_id
        assert b"Quill" not in path.read_bytes()


def test_a_scan_of_another_format_is_measured_without_objects(
    small_result: PhantomResult, tmp_path: Path, known_measure: MeasureScan
) -> None:
    scan = write_nifti(small_result, tmp_path / "scan.nii.gz")
    result = run(scan, tmp_path / "results", known_measure)
    assert len(result.measured) == 1
    assert list_objects(result) == []
    assert run(scan, tmp_path / "results", known_measure).outcomes[0].kept


@pytest.mark.parametrize("keyword", ["FrameOfReferenceUID", "StudyInstanceUID"])
def test_a_scan_without_a_uid_to_refer_to_is_measured_with_a_warning(
    keyword: str, small_dicom: Path, tmp_path: Path, known_measure: MeasureScan
) -> None:
    folder = tmp_path / "scan"
    folder.mkdir()
    for path in small_dicom.iterdir():
        dataset = pydicom.dcmread(path)
        delattr(dataset, keyword)
        dataset.save_as(folder / path.name)
    result = run(folder, tmp_path / "results", known_measure)
    (femur,) = result.outcomes[0].femora
    assert "no-dicom-results" in str(femur["warnings"]).split(";")
    assert list_objects(result) == []
    assert run(folder, tmp_path / "results", known_measure).outcomes[0].kept


def test_slices_that_are_missing_have_no_frame_and_shift_no_other(
    small_dicom: Path, tmp_path: Path, known_measure: MeasureScan
) -> None:
    folder = tmp_path / "scan"
    folder.mkdir()
    paths = sorted(small_dicom.iterdir())
    middle = len(paths) // 2
    for path in (*paths[1:middle], *paths[middle + 2 :]):
        shutil.copy(path, folder)
    spoilt = pydicom.dcmread(paths[0])
    spoilt.compress(RLELossless, generate_instance_uid=False)
    spoilt.save_as(folder / "spoilt.dcm")
    data = bytearray((folder / "spoilt.dcm").read_bytes())
    place = data.rindex(b"\xfe\xff\x00\xe0") + 8
    data[place : place + 64] = b"\xff" * 64
    (folder / "spoilt.dcm").write_bytes(data)
    result = run(folder, tmp_path / "results", known_measure)
    # The file that cannot be decoded has a row of its own, beside the femur that was measured.
    with (result.folder / "refusals.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    assert (row["file"], row["reason_code"]) == ("scan/spoilt.dcm", "corrupt-file")
    assert row["case_id"] == result.outcomes[0].case_id
    dataset = pydicom.dcmread(list_objects(result)[2])
    heights = {
        str(each.SOPInstanceUID): float(each.ImagePositionPatient[2])
        for each in (pydicom.dcmread(path, stop_before_pixels=True) for path in folder.iterdir())
    }
    drawn: dict[float, NDArray[np.uint8]] = {}
    for frame, pixels in zip(
        dataset.PerFrameFunctionalGroupsSequence, dataset.pixel_array, strict=True
    ):
        (image,) = frame.DerivationImageSequence[0].SourceImageSequence
        height = float(frame.PlanePositionSequence[0].ImagePositionPatient[2])
        assert height == pytest.approx(heights[image.ReferencedSOPInstanceUID], abs=1e-6)
        segment = frame.SegmentIdentificationSequence[0].ReferencedSegmentNumber
        drawn.setdefault(height, np.zeros(pixels.shape, np.uint8))[pixels > 0] = segment
    masks = nibabel.nifti1.Nifti1Image.from_filename(
        result.folder / "cases" / result.outcomes[0].case_id / "masks.nii.gz"
    )
    labels = np.asanyarray(masks.dataobj).transpose(2, 1, 0)
    assert masks.affine is not None
    filled = {
        float(masks.affine[2, 2] * k + masks.affine[2, 3]): labels[k]
        for k in np.flatnonzero(labels.any(axis=(1, 2)))
    }
    present = {z: plane for z, plane in filled.items() if np.isclose(z, [*heights.values()]).any()}
    # The femur runs through both missing slices.
    assert len(present) == len(filled) - 2
    assert sorted(drawn) == pytest.approx(sorted(present), abs=1e-3)
    for one, other in zip(sorted(drawn), sorted(present), strict=True):
        np.testing.assert_array_equal(drawn[one], present[other])


def read_objects(case_folder: Path) -> dict[str, pydicom.Dataset]:
    return {path.name: pydicom.dcmread(path) for path in (case_folder / "dicom").iterdir()}


def list_texts(dataset: pydicom.Dataset) -> list[str]:
    """Return every text and name of a document."""
    found = [str(dataset[name].value) for name in ("TextValue", "PersonName") if name in dataset]
    for item in dataset.get("ContentSequence", ()):
        found += list_texts(item)
    return found


def list_predecessors(document: pydicom.Dataset) -> set[str]:
    return {
        str(item.ReferencedSOPInstanceUID)
        for study in document.get("PredecessorDocumentsSequence", ())
        for series in study.ReferencedSeriesSequence
        for item in series.ReferencedSOPSequence
    }


@pytest.mark.parametrize("deidentify", [False, pytest.param(True, marks=pytest.mark.slow)])
def test_what_a_person_set_and_signed_takes_the_place_of_the_objects(
    small_dicom: Path,
    tmp_path: Path,
    known_measure: MeasureScan,
    monkeypatch: pytest.MonkeyPatch,
    deidentify: bool,
) -> None:
    # Pages and rods take most of the time, and are tested elsewhere.
    monkeypatch.setattr("canalmorph.batch.redraw.draw_reviewed", lambda *args: None)
    monkeypatch.setattr("canalmorph.measure.facts.measure_rods", lambda *args: put_off_rods())
    result = run(small_dicom, tmp_path / "results", known_measure, deidentify=deidentify)
    case_folder = result.folder / "cases" / result.outcomes[0].case_id
    stages = [read_objects(case_folder)]
    said = {"by": "M. Okoro", "reason": "", "measured_with": ""}
    mark = Correction(kind=CorrectionKind.PLANE, side=Side.RIGHT, plane=Plane.SCANNER)
    with open_reviews(result.folder) as reviews:
        corrected = reviews.correct(reviews.get(case_folder.name), mark, **said)
        assert follow_review(case_folder, corrected)
        stages.append(read_objects(case_folder))
        signed = reviews.say(corrected, ReviewAction.SIGN, **said)
        assert follow_review(case_folder, signed)
        stages.append(read_objects(case_folder))
    assert not follow_review(case_folder, signed)
    for name in NAMES:
        uids = [str(stage[name].SOPInstanceUID) for stage in stages]
        assert len(set(uids)) == 3
        assert len({str(stage[name].SeriesInstanceUID) for stage in stages}) == 1
        assert [int(stage[name].InstanceNumber) for stage in stages] == [1, 2, 3]
    documents = [stage["measurements.dcm"] for stage in stages]
    first, second, third = (str(document.SOPInstanceUID) for document in documents)
    assert [list_predecessors(one) for one in documents] == [set(), {first}, {first, second}]
    assert third not in {first, second}
    assert [one.VerificationFlag for one in documents] == ["UNVERIFIED"] * 3
    texts = [" ".join(list_texts(one)) for one in documents]
    assert ["read by nobody yet" in text for text in texts] == [True, False, False]
    assert ["Set by hand: plane of ML and AP (right)" in text for text in texts] == [
        False,
        True,
        True,
    ]
    assert ["Reviewed: signed" in text for text in texts] == [False, False, True]
    assert ["M. Okoro" in text for text in texts] == [False, not deidentify, not deidentify]
    # Made again they are the same; nobody but the owner reads what they are made from.
    (case_folder / FOLLOWED_NAME).unlink()
    assert follow_review(case_folder, signed)
    again = read_objects(case_folder)
    assert {name: one.SOPInstanceUID for name, one in again.items()} == {
        name: one.SOPInstanceUID for name, one in stages[2].items()
    }
    assert list_predecessors(again["measurements.dcm"]) == {first, second}
    source = case_folder / "dicom_source.json"
    assert source.stat().st_mode & 0o077 == 0
    assert (b"Quill" in source.read_bytes()) is not deidentify
