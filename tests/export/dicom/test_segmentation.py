"""The segmentation, read back with the plain reader and set into patient space."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest

from canalmorph.export.dicom_context import ObjectContext

GRIDS = ("supine", "prone_feet_first", "coronal", "oblique")


@pytest.mark.parametrize("grid", GRIDS)
def test_the_mask_comes_back_in_patient_space(
    kit: Any, grid: str, context: ObjectContext, tmp_path: Path
) -> None:
    labels = kit.make_labels(1, 2, 3, 4)
    context = replace(context, sources=(kit.make_source(grid),))
    masks = kit.read_mask(kit.write_mask(context, labels, tmp_path), kit.make_affine(grid))
    expected = {
        "Right femur, cortex": 1,
        "Right femur, canal": 2,
        "Left femur, cortex": 3,
        "Left femur, canal": 4,
    }
    assert masks.keys() == expected.keys()
    for name, value in expected.items():
        np.testing.assert_array_equal(masks[name], labels == value)


def test_one_side_alone_is_numbered_from_one(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    labels = kit.make_labels(3, 4)
    path = kit.write_mask(context, labels, tmp_path)
    masks = kit.read_mask(path, kit.make_affine("supine"))
    np.testing.assert_array_equal(masks["Left femur, canal"], labels == 4)
    dataset = pydicom.dcmread(path)
    assert [item.SegmentNumber for item in dataset.SegmentSequence] == [1, 2]
    for item in dataset.SegmentSequence:
        region = item.AnatomicRegionSequence[0]
        assert region.CodeValue == "71341001"
        assert region.AnatomicRegionModifierSequence[0].CodeMeaning == "Left"
    # 7 planes of the 9 have a label, for 2 segments.
    assert dataset.NumberOfFrames == 14


def test_frames_of_a_multi_frame_scan_are_named(
    kit: Any, context: ObjectContext, tmp_path: Path
) -> None:
    source = kit.make_source("oblique", enhanced=True)
    context = replace(context, sources=(source,))
    labels = kit.make_labels(1)
    path = kit.write_mask(context, labels, tmp_path)
    segmentation = pydicom.dcmread(path)
    found = [
        (str(item.ReferencedSOPInstanceUID), int(item.ReferencedFrameNumber))
        for frame in segmentation.PerFrameFunctionalGroupsSequence
        for item in frame.DerivationImageSequence[0].SourceImageSequence
    ]
    used = [source.images[k] for k in (1, 2, 3, 5, 6, 7, 8)]
    assert sorted(found) == sorted((image.sop_instance_uid, image.frame) for image in used)
    instances = segmentation.ReferencedSeriesSequence[0].ReferencedInstanceSequence
    assert [str(item.ReferencedSOPClassUID) for item in instances] == [kit.enhanced_ct] * 2
    masks = kit.read_mask(path, kit.make_affine("oblique"))
    np.testing.assert_array_equal(masks["Right femur, cortex"], labels == 1)
