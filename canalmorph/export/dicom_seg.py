"""Cortex and canal of each femur as a DICOM Segmentation on the source's own planes."""

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from highdicom.content import AlgorithmIdentificationSequence, PixelMeasuresSequence
from highdicom.seg import Segmentation, SegmentDescription
from highdicom.sr import CodedConcept
from numpy.typing import NDArray
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence as Items
from pydicom.sr.codedict import codes
from pydicom.uid import DeflatedExplicitVRLittleEndian

from canalmorph.export.dicom_codes import LATERALITIES, make_private_code
from canalmorph.export.dicom_context import MAKER, ObjectContext, list_planes, make_uid, name_plane
from canalmorph.export.masks import LABELS
from canalmorph.flags import Quality
from canalmorph.model.dicom_source import DicomSource, SourceImage
from canalmorph.model.femur import Side

KIND = "SEG"
PARTS = ("cortex", "canal")
FEMUR = codes.SCT.Femur
#: What each part is: category, type and a colour (CIELab) that viewers may take.
_PROPERTIES = {
    "cortex": (codes.SCT.Tissue, codes.SCT.Bone, (57000, 31000, 36000)),
    "canal": (codes.SCT.AnatomicalStructure, make_private_code("canal"), (40000, 42000, 27000)),
}


def number_segments(labels: NDArray[np.uint8]) -> dict[tuple[Side, str], int]:
    """Return the number of each segment that has a voxel, from 1, by side and part."""
    present = set(np.unique(labels).tolist())
    found = [
        (side, part)
        for side, values in LABELS.items()
        for part, value in zip(PARTS, values, strict=True)
        if value in present
    ]
    return {place: number for number, place in enumerate(found, start=1)}


def make_segmentation(
    context: ObjectContext, labels: NDArray[np.uint8], spacing_mm: float
) -> Segmentation | None:
    """Return the labels of `canalmorph.export.masks.make_masks` as a Segmentation.

    Only planes on which a segment has a voxel are in it; the file is deflated, as most bits of a
    plane are zero.

    Parameters
    ----------
    context : ObjectContext
        The case.
    labels : (n, j, i) uint8 array
        Of the slices that the source's images are, in their order.
    spacing_mm : float
        Between slices. [mm]

    Returns
    -------
    Segmentation or None
        None where no voxel has a label.
    """
    numbers = number_segments(labels)
    if not numbers:
        return None
    source = context.source
    used = np.flatnonzero(labels.any(axis=(1, 2)))
    pixels = np.zeros((len(used), *labels.shape[1:]), dtype=np.uint8)
    for (side, part), number in numbers.items():
        pixels[labels[used] == LABELS[side][PARTS.index(part)]] = number
    planes = list_planes(source, labels.shape[1:], spacing_mm)
    segmentation = Segmentation(
        source_images=[planes[k] for k in used],
        pixel_array=pixels,
        segmentation_type="BINARY",
        segment_descriptions=[
            _describe_segment(context, side, part, number)
            for (side, part), number in numbers.items()
        ],
        pixel_measures=PixelMeasuresSequence(
            pixel_spacing=source.pixel_spacing_mm,
            slice_thickness=round(spacing_mm, 6),
            spacing_between_slices=round(spacing_mm, 6),
        ),
        content_label="FEMORAL_CANAL",
        content_description="Cortex and medullary canal of the femora",
        **context.describe_object(KIND, 9101, "Femoral cortex and canal"),
    )
    _refer_to_frames(segmentation, source)
    # The library draws one by lot, and the same results are the same object.
    dimensions = make_uid("dimensions", segmentation.SOPInstanceUID)
    for item in (*segmentation.DimensionOrganizationSequence, *segmentation.DimensionIndexSequence):
        item.DimensionOrganizationUID = dimensions
    segmentation.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    return segmentation


def _describe_segment(
    context: ObjectContext, side: Side, part: str, number: int
) -> SegmentDescription:
    category, kind, colour = _PROPERTIES[part]
    description = SegmentDescription(
        segment_number=number,
        segment_label=f"{side.value.capitalize()} femur, {part}",
        segmented_property_category=category,
        segmented_property_type=kind,
        algorithm_type="SEMIAUTOMATIC" if _is_hand_drawn(context, side) else "AUTOMATIC",
        algorithm_identification=AlgorithmIdentificationSequence(
            name=MAKER,
            family=codes.DCM.EdgeDetection,
            version=context.case.software_version,
        ),
        tracking_uid=make_uid("segment", context.source.series_uid, side.value, part),
        tracking_id=f"{context.case.case_id} {side.value} {part}",
        anatomic_regions=[FEMUR],
    )
    laterality = LATERALITIES[side]
    modifier = CodedConcept(laterality.value, laterality.scheme_designator, laterality.meaning)
    description.AnatomicRegionSequence[0].AnatomicRegionModifierSequence = [modifier]
    description.RecommendedDisplayCIELabValue = list(colour)
    return description


def _is_hand_drawn(context: ObjectContext, side: Side) -> bool:
    """Return whether a person drew an outline of a femur."""
    return any(
        femur.side is side and bool((femur.profile.quality & int(Quality.HAND_DRAWN)).any())
        for femur in context.case.femora
    )


def _refer_to_frames(segmentation: Segmentation, source: DicomSource) -> None:
    """Put multi-frame objects with their frames in the places of planes, in place."""
    if not source.images[0].frame:
        return
    by_name = {name_plane(k): image for k, image in enumerate(source.images)}
    for frame in segmentation.PerFrameFunctionalGroupsSequence:
        for derivation in frame.DerivationImageSequence:
            for item in derivation.SourceImageSequence:
                _refer_to_image(item, by_name, framed=True)
    for series in segmentation.ReferencedSeriesSequence:
        series.ReferencedInstanceSequence = _list_instances(
            series.ReferencedInstanceSequence, by_name
        )


def _list_instances(items: Sequence[Dataset], by_name: Mapping[str, SourceImage]) -> Any:
    """Return each object once."""
    unique: dict[str, Dataset] = {}
    for item in items:
        _refer_to_image(item, by_name, framed=False)
        unique.setdefault(item.ReferencedSOPInstanceUID, item)
    return Items(unique.values())


def _refer_to_image(item: Dataset, by_name: Mapping[str, SourceImage], *, framed: bool) -> None:
    image = by_name.get(item.ReferencedSOPInstanceUID)
    if image is None:  # The frames of several segments share their items: done already.
        return
    item.ReferencedSOPClassUID = image.sop_class_uid
    item.ReferencedSOPInstanceUID = image.sop_instance_uid
    if framed:
        item.ReferencedFrameNumber = image.frame
