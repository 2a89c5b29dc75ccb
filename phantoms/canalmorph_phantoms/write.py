"""Write a phantom as a classic CT series, as NIfTI, and its truth as JSON.

UIDs are made from name and seed, so that the same phantom is the same series anywhere.
"""

import hashlib
import json
from pathlib import Path

import nibabel as nib
import numpy as np
from numpy.typing import NDArray
from pydicom.dataset import Dataset, FileMetaDataset
from pydicom.uid import UID, CTImageStorage, ExplicitVRLittleEndian

from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import PhantomResult

#: Root for UIDs made from a UUID-like number, open to anyone.
_UID_ROOT = "2.25."
_RESCALE_INTERCEPT = -1024.0
_IMPLEMENTATION_UID = "2.25.208415726350413629716283957014276935481"


def make_uid(*parts: object) -> str:
    """Return a UID that is the same for the same parts.

    Examples
    --------
    >>> make_uid("a", 1) == make_uid("a", 1) != make_uid("a", 2)
    True
    """
    digest = hashlib.sha256("|".join(str(part) for part in parts).encode()).digest()
    return _UID_ROOT + str(int.from_bytes(digest[:15], "big") + (1 << 119))


def _describe_patient(
    ds: Dataset, name: str, identifier: str, birth_date: str, sex: str, age_years: int
) -> None:
    ds.PatientName, ds.PatientID = name, identifier
    ds.PatientBirthDate, ds.PatientSex = birth_date, sex
    ds.PatientAge = f"{age_years:03d}Y"


def _describe_series(ds: Dataset, result: PhantomResult, patient_position: str, tag: str) -> None:
    spec, scanner = result.spec, result.spec.scanner
    ds.SpecificCharacterSet = "ISO_IR 192"
    ds.ImageType = ["DERIVED", "PRIMARY", "AXIAL"]
    ds.SOPClassUID = CTImageStorage
    ds.StudyDate = ds.SeriesDate = ds.AcquisitionDate = ds.ContentDate = "20250311"
    ds.StudyTime = ds.SeriesTime = ds.AcquisitionTime = ds.ContentTime = "093000"
    ds.AccessionNumber, ds.ReferringPhysicianName = "", ""
    ds.Modality, ds.Manufacturer = "CT", "canalmorph phantom"
    ds.InstitutionName = "Fennmoor Teaching Clinic (invented)"
    ds.ManufacturerModelName = "Digital femur"
    ds.StationName = "PHANTOM"
    ds.StudyDescription = "Digital phantom, hips and thighs"
    ds.SeriesDescription = spec.name
    ds.BodyPartExamined = "HIP"
    ds.PatientPosition = patient_position
    ds.StudyInstanceUID = make_uid("study", spec.name, result.seed, tag)
    ds.SeriesInstanceUID = make_uid("series", spec.name, result.seed, tag)
    ds.FrameOfReferenceUID = make_uid("frame", spec.name, result.seed, tag)
    ds.PositionReferenceIndicator = ""
    ds.StudyID, ds.SeriesNumber, ds.AcquisitionNumber = "1", 2, 1
    ds.KVP, ds.ConvolutionKernel = scanner.kvp, scanner.kernel
    ds.XRayTubeCurrent, ds.ExposureTime = 200, 500
    ds.SliceThickness = f"{scanner.slice_thickness_mm:g}"
    ds.SpacingBetweenSlices = f"{result.volume.spacing_mm[0]:.6g}"
    ds.GantryDetectorTilt = 0.0
    ds.SamplesPerPixel, ds.PhotometricInterpretation = 1, "MONOCHROME2"
    ds.BitsAllocated, ds.BitsStored, ds.HighBit, ds.PixelRepresentation = 16, 12, 11, 0
    ds.RescaleIntercept, ds.RescaleSlope, ds.RescaleType = _RESCALE_INTERCEPT, 1.0, "HU"
    ds.WindowCenter, ds.WindowWidth = 400, 2000


def _format_numbers(values: NDArray[np.float64]) -> list[str]:
    """Return decimal strings of at most 16 characters, as DICOM demands."""
    return [f"{value:.10g}"[:16] for value in (np.asarray(values) + 0.0).tolist()]


def _place_slice(ds: Dataset, volume: CtVolume, k: int) -> None:
    affine = volume.index_to_lps_mm
    down, across = affine[:3, 1], affine[:3, 2]
    spacing = np.linalg.norm(down), np.linalg.norm(across)
    position = affine[:3, 3] + k * affine[:3, 0]
    cosines = np.concatenate([across / spacing[1], down / spacing[0]])
    ds.ImagePositionPatient = _format_numbers(np.round(position, 6))
    ds.ImageOrientationPatient = _format_numbers(np.round(cosines, 10))
    ds.PixelSpacing = _format_numbers(np.array(spacing))
    normal = np.cross(cosines[:3], cosines[3:])
    ds.SliceLocation = f"{float(position @ normal):.6g}"


def write_dicom(
    result: PhantomResult,
    folder: Path,
    *,
    patient_name: str = "Phantom^Digital",
    patient_id: str | None = None,
    patient_birth_date: str = "19600229",
    patient_sex: str = "O",
    patient_age_years: int = 65,
    patient_position: str = "HFS",
    series_tag: str = "",
) -> list[Path]:
    """Write a phantom as CT Image Storage, one file a slice, and return the files in k order.

    Parameters
    ----------
    result : PhantomResult
        The phantom; its volume may have any orientation.
    folder : path
        Made where missing.
    patient_name, patient_id, patient_birth_date, patient_sex, patient_age_years
        Invented identity.
    patient_position : str
        As written; for grids turned by `canalmorph_phantoms.transform` give their own.
    series_tag : str
        Told apart from other series of the same phantom by this text in their UIDs.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    files = []
    identifier = patient_id or f"PHANTOM-{result.seed:08d}"
    for k, plane in enumerate(result.volume.voxels_hu):
        ds = Dataset()
        _describe_patient(
            ds, patient_name, identifier, patient_birth_date, patient_sex, patient_age_years
        )
        _describe_series(ds, result, patient_position, series_tag)
        _place_slice(ds, result.volume, k)
        ds.SOPInstanceUID = UID(make_uid("image", result.spec.name, result.seed, series_tag, k))
        ds.InstanceNumber = k + 1
        ds.Rows, ds.Columns = plane.shape
        stored = np.clip(plane.astype(np.int32) - int(_RESCALE_INTERCEPT), 0, 4095)
        ds.PixelData = stored.astype("<u2").tobytes()
        meta = FileMetaDataset()
        meta.MediaStorageSOPClassUID = CTImageStorage
        meta.MediaStorageSOPInstanceUID = ds.SOPInstanceUID
        meta.TransferSyntaxUID = ExplicitVRLittleEndian
        meta.ImplementationClassUID = UID(_IMPLEMENTATION_UID)
        ds.file_meta = meta
        path = folder / f"image_{k + 1:04d}.dcm"
        ds.save_as(path, enforce_file_format=True)
        files.append(path)
    return files


def write_nifti(result: PhantomResult, path: Path) -> Path:
    """Write a phantom as NIfTI (RAS+, voxel order i, j, k) and return the path."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    lps_to_ras = np.diag([-1.0, -1.0, 1.0, 1.0])
    affine = lps_to_ras @ result.volume.index_to_lps_mm[:, [2, 1, 0, 3]]
    voxels = np.transpose(result.volume.voxels_hu, (2, 1, 0))
    image = nib.nifti1.Nifti1Image(voxels, affine)
    image.header.set_xyzt_units("mm")
    nib.save(image, path)
    return path


def write_truth(result: PhantomResult, path: Path) -> Path:
    """Write a phantom's truth as JSON and return the path."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    text = json.dumps({"seed": result.seed, **result.truth.to_dict()}, indent=1, allow_nan=False)
    path.write_text(text + "\n", encoding="utf-8")
    return path
