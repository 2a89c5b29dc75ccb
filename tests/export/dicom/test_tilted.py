"""A scan of a tilted gantry: objects lie on the upright planes and name the tilted images."""

from dataclasses import replace
from math import cos, radians, sin
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from canalmorph.export.dicom_context import ObjectContext
from canalmorph.model.dicom_source import DicomSource
from canalmorph.model.volume import CtVolume
from canalmorph.read.dicom_source import read_dicom_source
from canalmorph.read.scans import read_series, survey_scans

N_SLICES, N_ROWS, N_COLUMNS, PIXEL_MM, TABLE_MM = 24, 64, 96, 1.0, 4.0
#: Rows drift by one pixel a slice.
WHOLE_PIXEL_DEG = float(np.degrees(np.arcsin(PIXEL_MM / TABLE_MM)))
#: Right and left, each with its centre (x, y, z) and radius [mm]: what is labelled.
BALLS = {1: ((-22.0, 2.0, 40.0), 9.0), 4: ((20.0, -3.0, 52.0), 12.0)}


def hu_at(points: NDArray[np.float64]) -> NDArray[np.int16]:
    """Return values at (..., 3) LPS points that are alike in no two places: two legs in air."""
    x, y, z = np.moveaxis(points, -1, 0)
    hu = np.full(x.shape, -1000.0)
    for centre in (-22.0, 20.0):
        r = np.hypot(x - centre, y)
        hu[r < 20], hu[r < 12], hu[r < 5] = 55.0, 1200.0, -60.0
    return np.round(hu + 7 * np.sin(0.31 * x + 1.7 * y) + 3 * np.cos(0.9 * z) + z).astype(np.int16)


def place_pixels(ds: FileDataset) -> NDArray[np.float64]:
    """Return where each pixel of an image lies [mm]."""
    row, column = np.array(ds.ImageOrientationPatient, dtype=float).reshape(2, 3)
    i, j = np.meshgrid(np.arange(ds.Columns), np.arange(ds.Rows))
    first = np.array(ds.ImagePositionPatient, dtype=float)
    return first + PIXEL_MM * (i[..., None] * row + j[..., None] * column)


def make_image(k: int, tilt_deg: float) -> FileDataset:
    """Return a slice of a gantry that is tilted, on a table that moves along z."""
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID, meta.TransferSyntaxUID = CTImageStorage, ExplicitVRLittleEndian
    ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    ds.SOPClassUID, ds.SOPInstanceUID = CTImageStorage, f"2.25.77{k:03d}"
    meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
    ds.StudyInstanceUID, ds.SeriesInstanceUID, ds.FrameOfReferenceUID = "2.25.1", "2.25.2", "2.25.3"
    ds.ImageType, ds.Modality, ds.PatientPosition = ["ORIGINAL", "PRIMARY", "AXIAL"], "CT", "HFS"
    ds.InstanceNumber, ds.GantryDetectorTilt = k + 1, f"{tilt_deg:.6f}"
    turned = radians(tilt_deg)
    ds.ImageOrientationPatient = [1, 0, 0, 0, f"{cos(turned):.10g}", f"{-sin(turned):.10g}"]
    ds.ImagePositionPatient = [-47.5, -31.5, f"{TABLE_MM * k:.6g}"]
    ds.PixelSpacing, ds.SliceThickness = [PIXEL_MM, PIXEL_MM], "4"
    ds.Rows, ds.Columns, ds.SamplesPerPixel = N_ROWS, N_COLUMNS, 1
    ds.PhotometricInterpretation, ds.PixelRepresentation = "MONOCHROME2", 0
    ds.BitsAllocated, ds.BitsStored, ds.HighBit = 16, 12, 11
    ds.RescaleIntercept, ds.RescaleSlope = "-1024", "1"
    ds.PixelData = (hu_at(place_pixels(ds)).astype(np.int32) + 1024).astype("<u2").tobytes()
    return ds


def read_tilted(
    kit: Any, folder: Path, tilt_deg: float, lost: int | None
) -> tuple[CtVolume, DicomSource, dict[str, FileDataset]]:
    """Write and read a scan; return it, its source, and its images by UID."""
    folder.mkdir()
    images = [make_image(k, tilt_deg) for k in range(N_SLICES) if k != lost]
    for image in images:
        kit.save(image, folder, str(image.SOPInstanceUID))
    (found,) = [series for series in survey_scans(folder) if series.chosen]
    volume = read_series(found)
    assert "tilt-undone" in volume.facts.warnings
    source = read_dicom_source(found, volume)
    return volume, source, {str(image.SOPInstanceUID): image for image in images}


def label_balls(volume: CtVolume) -> NDArray[np.uint8]:
    index = np.stack(np.indices(volume.voxels_hu.shape), axis=-1).astype(float)
    points = index @ volume.index_to_lps_mm[:3, :3].T + volume.index_to_lps_mm[:3, 3]
    labels = np.zeros(volume.voxels_hu.shape, dtype=np.uint8)
    for label, (centre, radius) in BALLS.items():
        labels[np.linalg.norm(points - centre, axis=-1) < radius] = label
    return labels


@pytest.mark.parametrize(
    ("tilt_deg", "lost"),
    [(-WHOLE_PIXEL_DEG, 10), (11.0, None)],
    ids=["backward_with_a_slice_lost", "forward_by_parts_of_pixels"],
)
def test_objects_of_a_tilted_scan(
    kit: Any, context: ObjectContext, tilt_deg: float, lost: int | None, tmp_path: Path
) -> None:
    volume, source, images = read_tilted(kit, tmp_path / "scan", tilt_deg, lost)
    labels = label_balls(volume)
    seen = labels[list(source.places)]
    context = replace(context, sources=(source,))
    affine = volume.index_to_lps_mm
    paths = kit.write(context, seen, tmp_path, float(volume.spacing_mm[0]))
    # What is read back from the frames' own places is what was labelled in patient space.
    masks = kit.read_mask(paths["seg"], affine, volume.voxels_hu.shape)
    there = np.isin(np.arange(len(labels)), source.places)
    assert there.sum() == N_SLICES - (lost is not None)
    for name, label in (("Right femur, cortex", 1), ("Left femur, canal", 4)):
        expected = (labels == label) & there[:, None, None]
        np.testing.assert_array_equal(masks[name], expected)
        centre, radius = BALLS[label]
        points = np.argwhere(masks[name]) @ affine[:3, :3].T + affine[:3, 3]
        assert np.linalg.norm(points - centre, axis=-1).max() < radius
        ball_mm3 = 4 / 3 * np.pi * radius**3
        # Of a ball 18 mm high in slices of 4 mm: within 7 % by counting, less the lost slice.
        share = expected.sum() * abs(np.linalg.det(affine[:3, :3])) / ball_mm3
        assert share == pytest.approx(1.0, abs=0.07 if lost is None else 0.3)
    used = {uid for k, uid in enumerate(images) if seen[k].any()}
    assert_frames_show_their_images(paths["seg"], volume, images, used, whole=tilt_deg != 11.0)
    content = Dataset()
    content.ContentSequence = pydicom.dcmread(paths["sr"]).ContentSequence
    assert kit.list_references(content) & set(images) == used


def assert_frames_show_their_images(
    path: Path, volume: CtVolume, images: dict[str, FileDataset], used: set[str], *, whole: bool
) -> None:
    """Each frame lies in the plane of the image it names, which holds what the volume has there."""
    segmentation = pydicom.dcmread(path)
    (shared,) = segmentation.SharedFunctionalGroupsSequence
    cosines = np.array(shared.PlaneOrientationSequence[0].ImageOrientationPatient, dtype=float)
    row, column = cosines.reshape(2, 3)
    lps_to_index = np.linalg.inv(volume.index_to_lps_mm)
    named = set()
    frames = zip(
        segmentation.PerFrameFunctionalGroupsSequence, segmentation.pixel_array, strict=True
    )
    for frame, pixels in frames:
        (item,) = frame.DerivationImageSequence[0].SourceImageSequence
        image = images[str(item.ReferencedSOPInstanceUID)]
        named.add(str(item.ReferencedSOPInstanceUID))
        np.testing.assert_allclose(image.ImageOrientationPatient, cosines, atol=1e-7)
        first = np.array(frame.PlanePositionSequence[0].ImagePositionPatient, dtype=float)
        image_first = np.array(image.ImagePositionPatient, dtype=float)
        assert (first - image_first) @ np.cross(row, column) == pytest.approx(0.0, abs=1e-3)
        j, i = np.nonzero(pixels)
        points = first + PIXEL_MM * (i[:, None] * row + j[:, None] * column)
        if whole:
            # Its own pixel at each place of the mask has the volume's value there.
            own = (points - image_first) @ np.stack([column, row], axis=1) / PIXEL_MM
            np.testing.assert_allclose(own, np.round(own), atol=1e-3)
            stored = image.pixel_array[tuple(np.round(own).astype(int).T)].astype(int) - 1024
            index = points @ lps_to_index[:3, :3].T + lps_to_index[:3, 3]
            voxels = volume.voxels_hu[tuple(np.round(index).astype(int).T)]
            np.testing.assert_array_equal(stored, voxels)
    assert named == used
