"""A coarse two-legged phantom and its writers; every fault starts from its clean DICOM series."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from canalmorph.model.volume import CtVolume
from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import read_series, survey_scans


def hu_at(points: NDArray[np.float64]) -> NDArray[np.int16]:
    """Return the phantom's value at (..., 3) LPS points [mm]: legs that differ in every number."""
    x, y, z = np.moveaxis(points, -1, 0)
    hu = np.full(x.shape, -1000.0)
    for centre_x, radius, canal, slope in ((-36.0, 15.0, 7.0, 0.05), (33.0, 17.0, 5.0, -0.03)):
        r = np.hypot(x - centre_x - slope * z, y - 4.0)
        hu[r < radius + 14] = -90.0
        hu[r < radius + 9] = 55.0
        hu[r < radius] = 1200.0 + z[r < radius]
        hu[r < canal] = -60.0
    # A grain that depends on the place, so that no two voxels of a slice order are alike.
    grain = np.round(7 * np.sin(0.31 * x + 1.7 * y) + 5 * np.cos(0.9 * z + 0.2 * x))
    return np.round(hu + grain).astype(np.int16)


@dataclass(frozen=True, kw_only=True)
class Phantom:
    """The phantom on one grid; the default is P of these tests."""

    shape: tuple[int, int, int] = (24, 32, 48)
    spacing_mm: tuple[float, float, float] = (3.0, 3.0, 3.0)
    orientation: tuple[float, ...] = (1, 0, 0, 0, 1, 0)
    origin_mm: tuple[float, float, float] = (-70.5, -46.5, -34.5)

    @property
    def index_to_lps_mm(self) -> NDArray[np.float64]:
        row, column = np.array(self.orientation[:3]), np.array(self.orientation[3:])
        matrix = np.eye(4)
        axes = (np.cross(row, column), column, row)
        for place, (axis, step) in enumerate(zip(axes, self.spacing_mm, strict=True)):
            matrix[:3, place] = axis * step
        matrix[:3, 3] = self.origin_mm
        return matrix

    @property
    def voxels_hu(self) -> NDArray[np.int16]:
        index = np.stack(np.indices(self.shape), axis=-1).astype(float)
        matrix = self.index_to_lps_mm
        return hu_at(index @ matrix[:3, :3].T + matrix[:3, 3])

    def datasets(self, **tags: object) -> list[Dataset]:
        """Return one clean CT data set a slice, stored values = HU + 1024."""
        matrix, voxels = self.index_to_lps_mm, self.voxels_hu
        return [
            self._dataset(k, matrix[:3, 3] + k * matrix[:3, 0], voxels[k], tags)
            for k in range(self.shape[0])
        ]

    def _dataset(
        self, k: int, position: NDArray[np.float64], hu: NDArray[np.int16], tags: dict[str, object]
    ) -> Dataset:
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = f"1.2.826.0.1.3680043.8.498.4.{k + 1}"
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        ds = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
        ds.SOPClassUID, ds.SOPInstanceUID = CTImageStorage, meta.MediaStorageSOPInstanceUID
        ds.ImageType, ds.Modality = ["ORIGINAL", "PRIMARY", "AXIAL"], "CT"
        ds.PatientName, ds.PatientID, ds.PatientBirthDate = "Doe^Jo", "P1", "19500102"
        ds.PatientSex, ds.StudyDate, ds.ContentTime = "F", "20200101", f"1200{k:02d}"
        ds.AcquisitionNumber, ds.AcquisitionTime = 1, "120000"
        ds.ConvolutionKernel, ds.KVP, ds.SliceThickness = "BONE", "120", str(self.spacing_mm[0])
        ds.StudyInstanceUID = "1.2.826.0.1.3680043.8.498.1"
        ds.SeriesInstanceUID = "1.2.826.0.1.3680043.8.498.2"
        ds.FrameOfReferenceUID = "1.2.826.0.1.3680043.8.498.3"
        ds.InstanceNumber, ds.PatientPosition = k + 1, "HFS"
        ds.ImagePositionPatient = [f"{value:.6g}" for value in position]
        ds.ImageOrientationPatient = [f"{value:.10g}" for value in self.orientation]
        ds.PixelSpacing = [str(self.spacing_mm[1]), str(self.spacing_mm[2])]
        ds.Rows, ds.Columns = hu.shape
        ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
        ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
        ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = "-1024", "1", "HU"
        set_stored(ds, hu.astype(np.int32) + 1024)
        for keyword, value in tags.items():
            setattr(ds, keyword, value)
        return ds


def set_stored(ds: Dataset, stored: NDArray[np.integer]) -> None:
    """Set the pixels to these stored values."""
    ds.PixelData = (stored & 0xFFFF).astype("<u2").tobytes()


def get_stored(ds: Dataset) -> NDArray[np.uint16]:
    """Return the stored 16 bits."""
    return np.frombuffer(ds.PixelData, "<u2").reshape(ds.Rows, ds.Columns)


def write_datasets(
    folder: Path, datasets: Sequence[Dataset], name: str = "IM{:04d}", start: int = 0
) -> list[Path]:
    """Write one file a data set and return the paths."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = []
    for number, ds in enumerate(datasets, start=start):
        paths.append(folder / name.format(number))
        ds.save_as(paths[-1], enforce_file_format=True)
    return paths


class Bench:
    """What a fault test needs: the phantom, writers, and readers that return what matters."""

    make_phantom = Phantom
    hu_at = staticmethod(hu_at)
    set_stored = staticmethod(set_stored)
    get_stored = staticmethod(get_stored)

    def __init__(self, folder: Path) -> None:
        self.folder, self.phantom = folder, Phantom()

    def write(self, datasets: Sequence[Dataset], **how: object) -> list[Path]:
        return write_datasets(self.folder, datasets, **how)  # type: ignore[arg-type]

    def survey(self, path: Path | None = None) -> tuple[SeriesFound, ...]:
        return survey_scans(path or self.folder)

    def chosen(self, path: Path | None = None) -> SeriesFound:
        """Return the only series that is chosen."""
        (found,) = [series for series in self.survey(path) if series.chosen]
        return found

    def read(self, path: Path | None = None) -> CtVolume:
        return read_series(self.chosen(path))

    def refusal(self, path: Path | None = None) -> SeriesFound:
        """Return the only refusal, having made sure that nothing is measured."""
        found = self.survey(path)
        assert not [series for series in found if series.chosen]
        (refused,) = [series for series in found if series.status == "refused"]
        assert refused.code
        assert refused.file
        assert refused.error is not None
        # An identity never reaches a message.
        assert "Doe" not in refused.message
        return refused

    def assert_same_as_p(self, volume: CtVolume, *, tolerance_hu: float = 0) -> None:
        """Compare every voxel and the place of every voxel with the phantom's."""
        assert np.allclose(volume.index_to_lps_mm, self.phantom.index_to_lps_mm, atol=1e-5)
        difference = np.abs(volume.voxels_hu.astype(int) - self.phantom.voxels_hu)
        assert difference.max() <= tolerance_hu

    def assert_true_places(self, volume: CtVolume, *, tolerance_hu: float = 0) -> None:
        """Compare every voxel with the phantom's value at the place where it claims to lie."""
        index = np.stack(np.indices(volume.voxels_hu.shape), axis=-1).astype(float)
        points = index @ volume.index_to_lps_mm[:3, :3].T + volume.index_to_lps_mm[:3, 3]
        # Rounded to a micrometre: on an edge the last bit would decide.
        expected = hu_at(np.round(points, 3))
        assert np.abs(volume.voxels_hu.astype(int) - expected).max() <= tolerance_hu


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "scan")
