"""What all objects of a case have in common: patient, study, references, UIDs, identity."""

import re
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from canalmorph.export.dicom_context import ObjectContext, deidentify_source
from canalmorph.export.dicom_pdf import make_pdf_object
from canalmorph.quiet import keep_libraries_quiet


def test_every_reference_is_in_the_evidence(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    knees = replace(
        kit.make_source("supine"),
        series_uid="1.2.826.0.1.21",
        images=(replace(kit.make_source("supine").images[0], sop_instance_uid="1.2.826.0.1.23"),),
    )
    context = replace(context, sources=(*context.sources, knees))
    paths = kit.write(context, kit.make_labels(1, 2, 3, 4), tmp_path)
    document, segmentation = pydicom.dcmread(paths["sr"]), pydicom.dcmread(paths["seg"])
    evidence = {
        str(instance.ReferencedSOPInstanceUID)
        for study in document.CurrentRequestedProcedureEvidenceSequence
        for series in study.ReferencedSeriesSequence
        for instance in series.ReferencedSOPSequence
    }
    images = {image.sop_instance_uid for source in context.sources for image in source.images}
    assert evidence == images | {segmentation.SOPInstanceUID}
    content = Dataset()
    content.ContentSequence = document.ContentSequence
    used = {str(context.source.images[k].sop_instance_uid) for k in (1, 2, 3, 5, 6, 7, 8)}
    assert kit.list_references(content) == used | {segmentation.SOPInstanceUID}
    assert kit.list_references(segmentation) == used
    assert kit.list_references(pydicom.dcmread(paths["pdf"])) == images


def test_patient_and_study_are_those_of_the_scan(
    kit: Any, context: ObjectContext, written: dict[str, Path]
) -> None:
    for path in written.values():
        dataset = pydicom.dcmread(path)
        assert {name: str(dataset.get(name)) for name in kit.tags} == kit.tags
        assert dataset.PatientName.ideographic == "山田^花子"
        assert dataset.SpecificCharacterSet == "ISO_IR 192"
        assert dataset.StudyInstanceUID == context.source.study_uid
        assert dataset.SeriesInstanceUID != context.source.series_uid
        if "FrameOfReferenceUID" in dataset:
            assert dataset.FrameOfReferenceUID == context.source.frame_of_reference_uid
    assert pydicom.dcmread(written["seg"]).FrameOfReferenceUID


def test_values_that_dicom_forbids_are_left_empty_and_never_stop_it(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    hostile = kit.tags | {
        "PatientBirthDate": "29.02.44",
        "StudyTime": "noon",
        "PatientSex": "weiblich",
        "PatientID": "7" * 90,
        "AccessionNumber": "A\\B",
        "PatientName": "A" * 80,
    }
    source = replace(context.source, tags=hostile, study_uid="1.2.../etc/passwd")
    for path in kit.write(
        replace(context, sources=(source,)), kit.make_labels(1), tmp_path
    ).values():
        with keep_libraries_quiet():
            dataset = pydicom.dcmread(path)
            assert [dataset[name].value or "" for name in ("PatientBirthDate", "StudyTime")] == [
                "",
                "",
            ]
            assert not dataset.PatientSex
            # Whose it is stays as the archive knows it.
            assert dataset.PatientID == "7" * 90


def _list_uids(paths: dict[str, Path]) -> dict[str, tuple[str, str]]:
    return {
        name: (str(dataset.SeriesInstanceUID), str(dataset.SOPInstanceUID))
        for name, path in paths.items()
        for dataset in [pydicom.dcmread(path)]
    }


def test_the_same_results_are_the_same_objects(
    kit: Any, context: ObjectContext, written: dict[str, Path], tmp_path: Path
) -> None:
    labels = kit.make_labels(1, 2, 3, 4)
    first = _list_uids(written)
    later = replace(context, moment=datetime(2027, 1, 1))
    again = kit.write(later, labels, tmp_path)
    assert _list_uids(again) == first
    # Within, too: none is drawn by lot.
    one, other = (pydicom.dcmread(paths["seg"]) for paths in (written, again))
    assert one.DimensionIndexSequence == other.DimensionIndexSequence
    assert one.DimensionOrganizationSequence == other.DimensionOrganizationSequence
    assert len({uid for pair in first.values() for uid in pair}) == 6
    other = replace(context, case=replace(context.case, settings_hash="h00000000000"))
    for kind in ("SEG", "SR", "DOC"):
        assert other.make_series_uid(kind) == context.make_series_uid(kind)
        assert other.make_object_uid(kind) != context.make_object_uid(kind)


def test_a_pdf_of_odd_length_keeps_its_length(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    for pdf in (kit.pdf, kit.pdf + b"\n"):
        path = kit.save(make_pdf_object(context, pdf), tmp_path, "pdf")
        dataset = pydicom.dcmread(path)
        assert len(dataset.EncapsulatedDocument) % 2 == 0
        assert dataset.EncapsulatedDocument[: dataset.EncapsulatedDocumentLength] == pdf
        assert dataset.Modality == "DOC"
        assert dataset.MIMETypeOfEncapsulatedDocument == "application/pdf"
        assert dataset.BurnedInAnnotation == "YES"


def test_without_identity_nothing_of_it_is_left(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    source = deidentify_source(context.source, case_id="kabc", key=b"0123456789abcdef")
    assert source == deidentify_source(context.source, case_id="kabc", key=b"0123456789abcdef")
    hidden = replace(context, sources=(source,), deidentified=True)
    parts = {
        part for text in kit.tags.values() for part in re.split(r"[\^= ]", text) if len(part) > 2
    }
    parts |= {"1.2.826.0.1.1", "quill_rosalind", "2026", "20260304"}
    for path in kit.write(hidden, kit.make_labels(1, 2, 3, 4), tmp_path).values():
        dataset = pydicom.dcmread(path)
        assert dataset.PatientIdentityRemoved == "YES"
        codes = [item.CodeValue for item in dataset.DeidentificationMethodCodeSequence]
        assert codes == ["113100", "113104", "113105"]
        assert dataset.PatientName == dataset.PatientID == "kabc"
        # Inflated, so that every text can be searched.
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
        content = kit.save(dataset, tmp_path, "plain").read_bytes()
        without_uids = re.sub(rb"2\.25\.\d+", b"", content)
        assert [part for part in parts if part.encode() in without_uids] == []
    assert pydicom.dcmread(tmp_path / "pdf.dcm").BurnedInAnnotation == "NO"


@pytest.mark.dicom_tools
@pytest.mark.parametrize(
    ("deidentified", "enhanced"), [(False, False), (True, True)], ids=["classic", "enhanced_hidden"]
)
def test_a_validator_finds_no_error(
    kit: Any,
    deidentified: bool,
    enhanced: bool,
    context: ObjectContext,
    list_object_errors: Callable[[pydicom.FileDataset], list[str]],
    tmp_path: Path,
) -> None:
    source = kit.make_source("supine", enhanced=enhanced)
    if deidentified:
        source = deidentify_source(source, case_id="kabc", key=b"0123456789abcdef")
    context = replace(context, sources=(source,), deidentified=deidentified)
    for path in kit.write(context, kit.make_labels(1, 2, 3, 4), tmp_path).values():
        assert list_object_errors(pydicom.dcmread(path)) == []
