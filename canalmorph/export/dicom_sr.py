"""The numbers of a case as a Structured Report (TID 1500), equal to its rows of ``femurs.csv``."""

from collections.abc import Iterator, Sequence

import numpy as np
from highdicom.seg import Segmentation
from highdicom.sr import (
    AlgorithmIdentification,
    CodeContentItem,
    CodedConcept,
    ComprehensiveSR,
    ContainerContentItem,
    ContentItem,
    ContentSequence,
    DeviceObserverIdentifyingAttributes,
    FindingSite,
    Measurement,
    MeasurementReport,
    MeasurementsAndQualitativeEvaluations,
    NumContentItem,
    ObservationContext,
    ObserverContext,
    PersonObserverIdentifyingAttributes,
    QualitativeEvaluation,
    ReferencedSegment,
    RelationshipTypeValues,
    SourceImageForMeasurementGroup,
    SourceSeriesForSegmentation,
    TextContentItem,
    TrackingIdentifier,
    VolumetricROIMeasurementsAndQualitativeEvaluations,
)
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sr.codedict import codes
from pydicom.uid import ExplicitVRLittleEndian

from canalmorph.export.dicom_codes import (
    LATERALITIES,
    find_quantity,
    make_choice_code,
    make_column_code,
    make_private_code,
    make_unit_code,
)
from canalmorph.export.dicom_context import MAKER, ObjectContext, list_evidence, make_uid
from canalmorph.export.dicom_seg import FEMUR, number_segments
from canalmorph.export.dicom_words import list_sentences
from canalmorph.export.masks import LABELS
from canalmorph.export.rows import Row, make_case_rows
from canalmorph.export.tables import format_cell
from canalmorph.model.column import Column
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.femur import Side
from canalmorph.model.results import FemurResult

KIND = "SR"
#: Texts of the table that are one of a few, and so codes.
CHOICES = ("plane", "canal_shape", "bone_letter", "fixation")
#: Texts of the table that stand elsewhere in the object.
_ELSEWHERE = ("case_id", "side", "warnings", *CHOICES)
_COMMENT = CodedConcept("121106", "DCM", "Comment")
_EVALUATIONS = CodedConcept("C0034375", "UMLS", "Qualitative Evaluations")
_Group = MeasurementsAndQualitativeEvaluations | VolumetricROIMeasurementsAndQualitativeEvaluations
#: A part of a name has so many signs at most, with its separator.
LONGEST_NAME = 63
_LATERALITY = CodedConcept("272741003", "SCT", "Laterality")


def make_report_document(
    context: ObjectContext,
    labels: NDArray[np.uint8],
    segmentation: Segmentation | None,
    predecessors: Sequence[Dataset] = (),
) -> ComprehensiveSR:
    """Return the numbers of a case as a Structured Report.

    Parameters
    ----------
    context : ObjectContext
        The case.
    labels : (n, j, i) uint8 array
        As in the segmentation: a femur's source images are the slices on which it has a label.
    segmentation : Segmentation or None
        Object of the labels.
    predecessors : sequence of Dataset
        Documents that this one takes the place of; itself among them is passed over.
    """
    rows = make_case_rows(context.case).femurs
    groups: list[_Group] = [
        _make_group(context, femur, row, labels)
        for femur, row in zip(context.case.femora, rows, strict=True)
    ]
    if segmentation is not None:
        groups += _make_segment_groups(context, segmentation, labels)
    report = MeasurementReport(
        observation_context=_describe_observer(context),
        procedure_reported=codes.LN.CTUnspecifiedBodyRegion,
        imaging_measurements=groups,
        title=codes.DCM.ImagingMeasurementReport,
    )
    report[0].ContentSequence.append(_make_evaluations(context, rows))
    described = context.describe_object(KIND, 9102, "Femoral canal measurements")
    earlier = [one for one in predecessors if one.SOPInstanceUID != described["sop_instance_uid"]]
    evidence = [item for source in context.sources for item in list_evidence(source)]
    return ComprehensiveSR(
        evidence=[*evidence, *([] if segmentation is None else [segmentation])],
        content=report[0],
        is_complete=True,
        is_final=False,
        is_verified=False,
        transfer_syntax_uid=ExplicitVRLittleEndian,
        previous_versions=earlier or None,
        **described,
    )


def _describe_observer(context: ObjectContext) -> ObservationContext:
    device = DeviceObserverIdentifyingAttributes(
        uid=make_uid("device", MAKER),
        name=MAKER,
        manufacturer_name=MAKER,
        model_name=f"{MAKER} {context.case.software_version}",
        serial_number=context.case.settings_hash,
    )
    reader = _name_reader(context)
    person = None
    if reader:
        person = ObserverContext(
            observer_type=codes.DCM.Person,
            observer_identifying_attributes=PersonObserverIdentifyingAttributes(name=reader),
        )
    return ObservationContext(
        observer_person_context=person,
        observer_device_context=ObserverContext(
            observer_type=codes.DCM.Device, observer_identifying_attributes=device
        ),
    )


def _name_reader(context: ObjectContext) -> str:
    """Return who signed, rejected or set marks, as a person's name in DICOM; empty for nobody.

    The name is as typed, which no authority vouches for: the document stays unverified.
    """
    review = context.case.review
    if review is None or context.deidentified:
        return ""
    typed = "".join(
        " " if sign in "^=\\" or not sign.isprintable() else sign
        for sign in review.by or review.marked_by
    )
    # A name of one part ends with its separator.
    return f"{typed.strip()[:LONGEST_NAME]}^" if typed.strip() else ""


def _make_group(
    context: ObjectContext, femur: FemurResult, row: Row, labels: NDArray[np.uint8]
) -> MeasurementsAndQualitativeEvaluations:
    """Return every number of one femur."""
    choices = [(name, row[name]) for name in CHOICES]
    return MeasurementsAndQualitativeEvaluations(
        tracking_identifier=TrackingIdentifier(
            uid=make_uid("femur", context.source.series_uid, femur.side.value),
            identifier=f"{context.case.case_id} {femur.side.value} femur",
        ),
        finding_type=FEMUR,
        finding_sites=[FindingSite(FEMUR, laterality=LATERALITIES[femur.side])],
        algorithm_id=_identify_algorithm(context),
        measurements=[
            _make_measurement(column, row)
            for column in FEMUR_COLUMNS
            if column.unit and row[column.name] is not None
        ],
        qualitative_evaluations=[
            QualitativeEvaluation(make_column_code(name), make_choice_code(value))
            for name, value in choices
            if isinstance(value, str) and value
        ],
        source_images=_list_source_images(context, labels, femur.side),
    )


def _identify_algorithm(context: ObjectContext) -> AlgorithmIdentification:
    return AlgorithmIdentification(
        name=MAKER,
        version=context.case.software_version,
        parameters=[f"settings {context.case.settings_hash}"],
    )


def _make_measurement(column: Column, row: Row) -> Measurement:
    """Return a number as the table has it, with its uncertainty, its kind and its method."""
    measurement = Measurement(
        name=make_column_code(column.name),
        value=_read_cell(row, column.name, column),
        unit=make_unit_code(column.unit),
    )
    children: list[ContentItem] = []
    quantity = find_quantity(column)
    if quantity is not None:
        children.append(
            CodeContentItem(
                make_private_code("quantity"), quantity, RelationshipTypeValues.HAS_CONCEPT_MOD
            )
        )
    uncertainty = f"{column.name}_u"
    if row.get(uncertainty) is not None:
        children.append(
            NumContentItem(
                name=make_private_code("standard_uncertainty"),
                value=_read_cell(row, uncertainty, column),
                unit=make_unit_code(column.unit),
                relationship_type=RelationshipTypeValues.HAS_PROPERTIES,
            )
        )
    children.append(
        TextContentItem(_COMMENT, column.definition, RelationshipTypeValues.HAS_PROPERTIES)
    )
    item = measurement[0]
    if "ContentSequence" not in item:
        item.ContentSequence = ContentSequence()
    item.ContentSequence.extend(children)
    return measurement


def _read_cell(row: Row, name: str, column: Column) -> float:
    """Return a number as finely as the table has it, so that both are equal."""
    return float(format_cell(row[name], column))


def _list_source_images(
    context: ObjectContext, labels: NDArray[np.uint8], side: Side
) -> list[SourceImageForMeasurementGroup]:
    """Return the slices on which a femur has a label; all where it has none."""
    here = [bool(np.isin(plane, LABELS[side]).any()) for plane in labels]
    images = context.source.images
    used = [image for image, seen in zip(images, here, strict=True) if seen or not any(here)]
    frames: dict[tuple[str, str], list[int]] = {}
    for image in used:
        frames.setdefault((image.sop_class_uid, image.sop_instance_uid), []).append(image.frame)
    return [
        SourceImageForMeasurementGroup(class_uid, instance_uid, numbers if numbers[0] else None)
        for (class_uid, instance_uid), numbers in frames.items()
    ]


def _make_segment_groups(
    context: ObjectContext, segmentation: Segmentation, labels: NDArray[np.uint8]
) -> Iterator[VolumetricROIMeasurementsAndQualitativeEvaluations]:
    """Yield a group that points to each segment; its numbers stand in its femur's group."""
    for (side, part), number in number_segments(labels).items():
        yield VolumetricROIMeasurementsAndQualitativeEvaluations(
            tracking_identifier=TrackingIdentifier(
                uid=make_uid("segment", context.source.series_uid, side.value, part),
                identifier=f"{context.case.case_id} {side.value} {part}",
            ),
            referenced_segment=ReferencedSegment(
                sop_class_uid=segmentation.SOPClassUID,
                sop_instance_uid=segmentation.SOPInstanceUID,
                segment_number=number,
                source_series=SourceSeriesForSegmentation(context.source.series_uid),
            ),
            finding_type=FEMUR,
            finding_sites=[FindingSite(FEMUR, laterality=LATERALITIES[side])],
            algorithm_id=_identify_algorithm(context),
        )


def _make_evaluations(context: ObjectContext, rows: Sequence[Row]) -> ContainerContentItem:
    """Return everything that is said in words; what speaks of one femur says which."""
    container = ContainerContentItem(
        name=_EVALUATIONS, relationship_type=RelationshipTypeValues.CONTAINS
    )
    container.ContentSequence = ContentSequence()
    for side, name, sentence in list_sentences(context.case, deidentified=context.deidentified):
        container.ContentSequence.append(_make_text(make_private_code(name), sentence, side))
    for femur, row in zip(context.case.femora, rows, strict=True):
        for column in FEMUR_COLUMNS:
            text = row[column.name]
            if not column.unit and column.name not in _ELSEWHERE and isinstance(text, str) and text:
                container.ContentSequence.append(
                    _make_text(make_column_code(column.name), text, femur.side)
                )
    return container


def _make_text(name: CodedConcept, text: str, side: Side | None) -> TextContentItem:
    item = TextContentItem(name, text, RelationshipTypeValues.CONTAINS)
    if side is not None:
        modifier = CodeContentItem(
            _LATERALITY, LATERALITIES[side], RelationshipTypeValues.HAS_CONCEPT_MOD
        )
        item.ContentSequence = ContentSequence([modifier])
    return item
