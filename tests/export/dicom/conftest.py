"""Sources, labels and a writer for the DICOM objects of a hand-made case."""

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.dataset import Dataset

from canalmorph.export.dicom_context import ObjectContext, mark_object
from canalmorph.export.dicom_pdf import make_pdf_object
from canalmorph.export.dicom_seg import make_segmentation
from canalmorph.export.dicom_sr import make_report_document
from canalmorph.model.dicom_source import DicomSource, SourceImage
from canalmorph.model.results import CaseResult
from canalmorph.quiet import keep_libraries_quiet

CT, ENHANCED_CT = "1.2.840.10008.5.1.4.1.1.2", "1.2.840.10008.5.1.4.1.1.2.1"
SHAPE = (9, 14, 11)
SPACING_MM = np.array([2.5, 0.8, 0.7])
#: Columns: the patient direction of the k, j and i axes.
GRIDS = {
    "supine": np.array([[0, 0, 1.0], [0, 1, 0], [1, 0, 0]]).T,
    "prone_feet_first": np.array([[0, 0, -1.0], [0, -1, 0], [1, 0, 0]]).T,
    "coronal": np.array([[0, 1.0, 0], [0, 0, -1], [1, 0, 0]]).T,
    "oblique": np.linalg.qr(np.array([[0.1, 0.2, 1.0], [0.0, 1.0, -0.2], [1.0, 0.1, 0.0]]).T)[0],
}
#: A patient's text in three alphabets, and everything that must not be left without identity.
TAGS = {
    "PatientName": "Quill^Rosalind=山田^花子=やまだ^はなこ",
    "PatientID": "PX-552317",
    "PatientBirthDate": "19440229",
    "PatientSex": "F",
    "AccessionNumber": "ACC-90210",
    "StudyID": "ST-77",
    "StudyDate": "20240511",
    "StudyTime": "101112.5",
    "StudyDescription": "Hüfte beidseits für Quill",
    "ReferringPhysicianName": "Måns^Öberg",
}
PDF = b"%PDF-1.7 abc"


def _make_affine(grid: str) -> NDArray[np.float64]:
    affine = np.eye(4)
    affine[:3, :3] = GRIDS[grid] * SPACING_MM
    affine[:3, 3] = [-31.5, 12.25, -205.0]
    return affine


def _make_source(grid: str, *, enhanced: bool = False) -> DicomSource:
    affine = _make_affine(grid)
    axes = affine[:3, :3] / SPACING_MM
    places = [affine[:3, 3] + k * affine[:3, 0] for k in range(SHAPE[0])]
    return DicomSource(
        study_uid="1.2.826.0.1.10",
        series_uid="1.2.826.0.1.11",
        frame_of_reference_uid="1.2.826.0.1.12",
        orientation=(*axes[:, 2].tolist(), *axes[:, 1].tolist()),
        pixel_spacing_mm=(0.8, 0.7),
        images=tuple(
            SourceImage(
                sop_class_uid=ENHANCED_CT if enhanced else CT,
                sop_instance_uid=f"1.2.826.0.1.13.{k // 5 if enhanced else k}",
                frame=k % 5 + 1 if enhanced else 0,
                position_mm=(float(place[0]), float(place[1]), float(place[2])),
            )
            for k, place in enumerate(places)
        ),
        places=tuple(range(SHAPE[0])),
        tags=TAGS,
    )


def _make_labels(*values: int) -> NDArray[np.uint8]:
    """Return scattered labels that no symmetry maps onto themselves, with two empty planes."""
    labels = np.random.default_rng(7).choice([0, *values], size=SHAPE).astype(np.uint8)
    labels[[0, 4]] = 0
    return labels


def _save(dataset: Dataset, folder: Path, name: str) -> Path:
    path = folder / f"{name}.dcm"
    with keep_libraries_quiet():
        dataset.save_as(path, enforce_file_format=True)
    return path


def _write_mask(context: ObjectContext, labels: NDArray[np.uint8], folder: Path) -> Path:
    with keep_libraries_quiet():
        segmentation = make_segmentation(context, labels, SPACING_MM[0])
    assert segmentation is not None
    return _save(mark_object(segmentation, context), folder, "seg")


def _write(
    context: ObjectContext,
    labels: NDArray[np.uint8],
    folder: Path,
    spacing_mm: float = SPACING_MM[0],
) -> dict[str, Path]:
    with keep_libraries_quiet():
        segmentation = make_segmentation(context, labels, spacing_mm)
        objects: dict[str, Dataset | None] = {
            "seg": segmentation,
            "sr": make_report_document(context, labels, segmentation),
            "pdf": make_pdf_object(context, PDF),
        }
    return {
        name: _save(mark_object(each, context), folder, name)
        for name, each in objects.items()
        if each is not None
    }


def _read_mask(
    path: Path, affine: NDArray[np.float64], shape: tuple[int, ...] = SHAPE
) -> dict[str, NDArray[np.bool_]]:
    """Return each segment on the scan's grid, by its label, from the frames' own places alone."""
    dataset = pydicom.dcmread(path)
    names = {item.SegmentNumber: item.SegmentLabel for item in dataset.SegmentSequence}
    masks = {name: np.zeros(shape, dtype=bool) for name in names.values()}
    shared = dataset.SharedFunctionalGroupsSequence[0]
    cosines = np.array(shared.PlaneOrientationSequence[0].ImageOrientationPatient, dtype=float)
    rows_mm, columns_mm = shared.PixelMeasuresSequence[0].PixelSpacing
    for frame, pixels in zip(
        dataset.PerFrameFunctionalGroupsSequence, dataset.pixel_array, strict=True
    ):
        position = np.array(frame.PlanePositionSequence[0].ImagePositionPatient, dtype=float)
        j, i = np.nonzero(pixels)
        points = (
            position + np.outer(i * columns_mm, cosines[:3]) + np.outer(j * rows_mm, cosines[3:])
        )
        index = (points - affine[:3, 3]) @ np.linalg.inv(affine[:3, :3]).T
        # DICOM's decimal strings have 16 characters: 1e-6 mm at these sizes.
        np.testing.assert_allclose(index, np.round(index), atol=1e-4)
        # A single segment is said once for all frames.
        (segment,) = (
            group.SegmentIdentificationSequence[0].ReferencedSegmentNumber
            for group in (frame, shared)
            if "SegmentIdentificationSequence" in group
        )
        masks[names[segment]][tuple(np.round(index).astype(int).T)] = True
    return masks


def _list_references(dataset: Dataset) -> set[str]:
    """Return every object that anything in a data set points to."""
    return {
        str(element.value)
        for element in dataset.iterall()
        if element.keyword == "ReferencedSOPInstanceUID"
    }


@pytest.fixture(scope="module")
def context(make_case: Callable[..., CaseResult]) -> ObjectContext:
    return ObjectContext(
        case=make_case(), sources=(_make_source("supine"),), moment=datetime(2026, 3, 4, 5, 6, 7)
    )


@pytest.fixture(scope="module")
def written(context: ObjectContext, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The objects of both femora on an upright grid, for tests that only look at them."""
    return _write(context, _make_labels(1, 2, 3, 4), tmp_path_factory.mktemp("objects"))


@pytest.fixture(scope="session")
def kit() -> SimpleNamespace:
    """What the tests of this folder share beside the fixtures."""
    return SimpleNamespace(
        enhanced_ct=ENHANCED_CT,
        shape=SHAPE,
        spacing_mm=SPACING_MM,
        tags=TAGS,
        pdf=PDF,
        make_affine=_make_affine,
        make_source=_make_source,
        make_labels=_make_labels,
        read_mask=_read_mask,
        list_references=_list_references,
        save=_save,
        write_mask=_write_mask,
        write=_write,
    )
