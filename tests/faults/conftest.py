"""What faults are made of: two phantoms, their writers, and what a right reading of them is.

`bench` has a drawing of two legs in 24 slices, quick to write and to read, for what is told by
voxels and their places. `whole_pair` has P, two whole femora that differ in every number, which
the real stages measure: for what is told by numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from math import hypot
from pathlib import Path
from typing import Any

import numpy as np
import pydicom
import pytest
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import CTImageStorage, ExplicitVRLittleEndian

from canalmorph.geometry.grids import turn_towards_patient
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import read_series, survey_scans
from canalmorph.segment.settings import SegmentSettings
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.shapes import CanalDesign, make_shape
from canalmorph_phantoms.spec import PhantomScan, PlacedFemur
from canalmorph_phantoms.write import write_dicom


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

    @property
    def volume(self) -> CtVolume:
        """What a right reading of it is, as far as numbers hang on it."""
        facts = ScanFacts(
            source="",
            file_format="dicom",
            series_key="",
            input_sha256="",
            slice_thickness_mm=self.spacing_mm[0],
        )
        return CtVolume(voxels_hu=self.voxels_hu, index_to_lps_mm=self.index_to_lps_mm, facts=facts)

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


#: Of a scan's facts, those on which a number hangs; `test_equal` finds them in the stages.
MEASURED_FACTS = ("slice_thickness_mm",)


def assert_equal_volumes(
    one: CtVolume,
    other: CtVolume,
    *,
    tolerance_hu: float = 0.0,
    tolerance_mm: float = 1e-4,
    but: Collection[str] = (),
) -> None:
    """Compare all that a measured number hangs on: where it is equal, so is every column.

    Parameters
    ----------
    one, other : CtVolume
        Rows, columns and slices in any order: measuring turns them towards the patient first.
    tolerance_hu, tolerance_mm : float
        What rounding leaves.
    but : collection of str
        Facts that may differ, as formats leave them out.
    """
    voxels, affine = turn_towards_patient(one.voxels_hu, one.index_to_lps_mm)
    others, other_affine = turn_towards_patient(other.voxels_hu, other.index_to_lps_mm)
    assert voxels.shape == others.shape
    assert np.allclose(affine, other_affine, atol=tolerance_mm)
    assert np.abs(voxels.astype(int) - others).max() <= tolerance_hu
    assert one.gaps == other.gaps
    for name in set(MEASURED_FACTS) - set(but):
        assert getattr(one.facts, name) == getattr(other.facts, name), name


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
    measured_facts = MEASURED_FACTS

    def __init__(self, folder: Path) -> None:
        self.folder, self.phantom = folder, Phantom()

    def write(self, datasets: Sequence[Dataset], **how: object) -> list[Path]:
        return write_datasets(self.folder, datasets, **how)

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

    def assert_same_as_p(self, volume: CtVolume, **allowed: Any) -> None:
        """Compare with the phantom all that a number hangs on; `allowed` as there."""
        if volume.facts.file_format != "dicom":
            allowed["but"] = MEASURED_FACTS  # no other format states a thickness
        assert_equal_volumes(volume, self.phantom.volume, **allowed)

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


#: P: whole femora in coarse voxels; right and left differ in every number of their shape.
P = PhantomScan(
    name="whole_pair",
    purpose="Both femora from head to condyles, different in every number, for faults.",
    femora=(
        PlacedFemur(
            side="right",
            head_lateral_mm=90.0,
            shape=make_shape(
                CanalDesign(isthmus_level_mm=-104.0, length_mm=430.0),
                head_radius_mm=24.0,
                neck_shaft_angle_deg=125.0,
                torsion_deg=10.0,
                bow_radius_mm=900.0,
                epicondyle_proud_mm=4.0,
            ),
        ),
        PlacedFemur(
            side="left",
            head_posterior_mm=4.0,
            head_superior_mm=9.0,
            adduction_deg=5.0,
            internal_rotation_deg=4.0,
            shape=make_shape(
                CanalDesign(
                    isthmus_mm=8.5,
                    isthmus_level_mm=-136.0,
                    at_minus20_mm=19.3,
                    at_lt_mm=26.0,
                    tube_top_mm=32.0,
                    wall_mm=9.1,
                    length_mm=440.0,
                ),
                head_radius_mm=26.0,
                head_height_mm=54.0,
                head_medial_mm=38.0,
                neck_shaft_angle_deg=130.0,
                torsion_deg=20.0,
                trochanter_tip_mm=9.0,
                wall_posterior_factor=1.1,
                bow_radius_mm=1100.0,
                epicondyle_proud_mm=5.0,
            ),
        ),
    ),
    tissue=SMALL["small_pair"].tissue,
    scanner=replace(
        SMALL["small_pair"].scanner,
        pixel_mm=1.0,
        slice_spacing_mm=2.0,
        slice_thickness_mm=2.0,
        x_range_mm=(-171.0, 171.0),
        y_range_mm=(-75.0, 87.0),
        z_range_mm=(-462.0, 48.0),
        noise_sd_hu=0.0,
    ),
)
#: The real stages with half the rays: a femur of P takes 10 s of computing, not 20 s.
QUICK = Settings(segment=SegmentSettings(rays_per_ring=60))
#: Two readings of one femur differ by less than this many of their joint standard uncertainties.
COVERAGE = 3.0
#: Makes the fault: gets a slice's number, from the knees up, and its data set, and returns what is
#: written, or None to leave the slice out.
Edit = Callable[[int, Dataset], Dataset | None]


class WholePair:
    """P as voxels, as DICOM with edits, and measured; and what "same as P" means.

    Where a fault leaves voxels and their places as they are, `assert_same_voxels` is the whole
    proof, and quick: measuring is a function of nothing else. Where it does not, measure one leg
    (`cut_leg`) if one will do.
    """

    settings = QUICK

    def __init__(self, result: PhantomResult, clean: Path) -> None:
        self.result, self.volume = result, result.volume
        self._clean = clean

    def datasets(self) -> list[Dataset]:
        """Return one fresh CT data set a slice, from the knees up, 2 mm apart."""
        return [pydicom.dcmread(path) for path in sorted(self._clean.iterdir())]

    def write(self, folder: Path, edit: Edit = lambda k, ds: ds) -> Path:
        """Write P as DICOM, each slice changed by `edit`, and return the folder."""
        edited = [edit(k, ds) for k, ds in enumerate(self.datasets())]
        write_datasets(folder, [ds for ds in edited if ds is not None])
        return folder

    def read(self, path: Path) -> CtVolume:
        """Return the volume of the only series that is chosen."""
        (found,) = [series for series in survey_scans(path) if series.chosen]
        return read_series(found)

    def cut_leg(self, volume: CtVolume, side: str) -> CtVolume:
        """Return the half of an upright scan that holds one femur."""
        half = volume.voxels_hu.shape[2] // 2
        kept = slice(0, half) if side == "right" else slice(half, None)
        affine = volume.index_to_lps_mm.copy()
        affine[:3, 3] += (kept.start or 0) * affine[:3, 2]
        voxels = volume.voxels_hu[:, :, kept].copy()
        return replace(volume, voxels_hu=voxels, index_to_lps_mm=affine)

    def measure(self, volume: CtVolume, knees: CtVolume | None = None) -> CaseResult:
        """Return what the real stages find, with the settings with which P was measured."""
        return measure_scan(volume, QUICK, case_id="fault", knees=knees).case

    @cached_property
    def case(self) -> CaseResult:
        """P, measured once; 20 s at its first use."""
        return self.measure(self.volume)

    def get_femur(self, side: str) -> FemurResult:
        """Return one femur of P."""
        (femur,) = [femur for femur in self.case.femora if femur.side == side]
        return femur

    def list_far(self, femur: FemurResult) -> dict[str, str]:
        """Return the columns, known here and in P, that differ by more than they may."""
        return list_far(self.get_femur(femur.side), femur)

    def assert_same_voxels(self, volume: CtVolume, *, tolerance_hu: float = 0) -> None:
        """Compare with P all that a number hangs on."""
        assert_equal_volumes(volume, self.volume, tolerance_hu=tolerance_hu)

    def assert_same_as_p(
        self,
        case: CaseResult,
        *,
        sides: Collection[str] = ("right", "left"),
        blank: Collection[str] = (),
    ) -> None:
        """Compare every measured column of these sides, and nothing else may have been found.

        Parameters
        ----------
        case : CaseResult
            From `measure`.
        sides : collection of str
            The femora that must be there.
        blank : collection of str
            Columns that must be blank; all others must have their number.
        """
        assert {femur.side.value for femur in case.femora} == set(sides)
        for femur in case.femora:
            same = self.get_femur(femur.side)
            expected = {name for name, value in same.indices.values.items() if value.known}
            assert expected >= set(blank)
            known = {name for name, value in femur.indices.values.items() if value.known}
            assert known == expected - set(blank)
            assert not self.list_far(femur)
            if "cfi_ml" in known:
                assert femur.canal_type.shape == same.canal_type.shape


def list_far(one: FemurResult, other: FemurResult) -> dict[str, str]:
    """Return the columns, known in both, that differ by more than their uncertainty allows."""
    far = {}
    for name, first in one.indices.values.items():
        second = other.indices.values[name]
        if first.value is None or second.value is None:
            continue
        allowed = COVERAGE * hypot(first.u or 0.0, second.u or 0.0)
        if abs(first.value - second.value) > allowed + 1e-9:
            far[name] = f"{first.value:.3f} and {second.value:.3f}, {allowed:.3f} allowed"
    return far


@pytest.fixture(scope="session")
def whole_pair(tmp_path_factory: pytest.TempPathFactory) -> WholePair:
    """Return P; making it takes 10 s, its first measurement 20 s more."""
    result = build_scan(P)
    clean = tmp_path_factory.mktemp("p")
    write_dicom(result, clean)
    return WholePair(result, clean)
