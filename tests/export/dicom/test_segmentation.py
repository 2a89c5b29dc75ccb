"""The segmentation, read back with the plain reader and set into patient space."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray

from canalmorph.export.dicom_context import ObjectContext

GRIDS = ("supine", "prone_feet_first", "coronal", "oblique")


def _read_mask(kit: Any, path: Path, affine: NDArray[np.float64]) -> dict[str, NDArray[np.bool_]]:
    """Return each segment on the scan's grid, by its label, from the frames' own places alone."""
    dataset = pydicom.dcmread(path)
    names = {item.SegmentNumber: item.SegmentLabel for item in dataset.SegmentSequence}
    masks = {name: np.zeros(kit.shape, dtype=bool) for name in names.values()}
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


@pytest.mark.parametrize("grid", GRIDS)
def test_the_mask_comes_back_in_patient_space(
    kit: Any, grid: str, context: ObjectContext, tmp_path: Path
) -> None:
    labels = kit.make_labels(1, 2, 3, 4)
    context = replace(context, sources=(kit.make_source(grid),))
    masks = _read_mask(kit, kit.write_mask(context, labels, tmp_path), kit.make_affine(grid))
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
    masks = _read_mask(kit, path, kit.make_affine("supine"))
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
    masks = _read_mask(kit, path, kit.make_affine("oblique"))
    np.testing.assert_array_equal(masks["Right femur, cortex"], labels == 1)
