"""An identity planted in every text, file name and folder: where it may stand, and nowhere else."""

from __future__ import annotations

import base64
import gzip
import io
import logging
import re
import zipfile
import zlib
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pydicom
import pytest
from pydicom.datadict import dictionary_VR
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pypdf import PdfReader

import canalmorph.batch.run as batch_run
from canalmorph.pipeline import ScanMeasurement, Settings, measure_scan
from canalmorph.segment.settings import SegmentSettings
from canalmorph_cli.main import run_command
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_dicom, write_nifti

#: A quarter of the rays: a femur takes 4 s of computing.
QUICK = Settings(segment=SegmentSettings(ring_step_mm=2.0, rays_per_ring=60))
#: In the header's texts, and in the names of files and folders.
TAG, PATH, BORN = b"ZZTAG", b"ZZPATH", b"19330405"
#: Kinds of values that hold free text, with the longest that each takes.
TEXT_KINDS = {"PN": 60, "LO": 60, "SH": 16, "ST": 200, "LT": 200, "UT": 200, "UC": 60}
#: What names a person, a place or a visit, and what people type.
KEYWORDS = [
    "PatientName", "PatientID", "OtherPatientNames", "PatientBirthName", "PatientMotherBirthName",
    "PatientAddress", "PatientTelephoneNumbers", "Occupation", "PatientComments",
    "AdditionalPatientHistory", "EthnicGroup", "MedicalRecordLocator", "InstitutionName",
    "InstitutionAddress", "InstitutionalDepartmentName", "ReferringPhysicianName",
    "PerformingPhysicianName", "OperatorsName", "NameOfPhysiciansReadingStudy",
    "RequestingPhysician", "AccessionNumber", "StudyID", "StudyDescription", "SeriesDescription",
    "ProtocolName", "StationName", "DeviceSerialNumber", "ImageComments",
    "RequestedProcedureDescription", "RequestedProcedureID", "PerformedProcedureStepDescription",
    "ManufacturerModelName", "SoftwareVersions", "DerivationDescription",
]  # fmt: skip
#: Where a clinic needs the patient, in results that are not de-identified.
OF_THE_PATIENT = {"report.html", "report.pdf", "clinic.json", "measurements.dcm", "report.dcm"}
OF_THE_PATIENT |= {"segmentation.dcm"}


def plant_texts(path: Path) -> None:
    """Write the identity into every text of a DICOM file, into a sequence and a private tag."""
    ds = pydicom.dcmread(path)
    ds.PatientBirthDate = BORN.decode()
    for number, keyword in enumerate(KEYWORDS):
        setattr(ds, keyword, f"{TAG.decode()}{number}^A"[: TEXT_KINDS[dictionary_VR(keyword)]])
    item = Dataset()
    item.RequestedProcedureDescription, item.ScheduledProcedureStepID = f"{TAG.decode()}90", "1"
    ds.RequestAttributesSequence = Sequence([item])
    block = ds.private_block(0x0029, f"{TAG.decode()}91", create=True)
    block.add_new(1, "LO", f"{TAG.decode()}92")
    ds.save_as(path)


@pytest.fixture(scope="module")
def planted(small_right: PhantomResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a good scan, one that meets a bug, and faults of several kinds."""
    day = tmp_path_factory.mktemp("day") / "ZZPATH0 Ärztin 股関節 \N{GRINNING FACE}"
    good = day / "ZZPATH1^A=1"
    for number, path in enumerate(write_dicom(small_right, good)):
        plant_texts(path)
        path.rename(good / f"ZZPATH2 {number:04d}.dcm")
    slices = sorted(good.iterdir())
    # A slice of a second series without its pixel size, one cut in its header, one in its pixels.
    bad = day / "ZZPATH3"
    bad.mkdir()
    for path in slices[:40]:
        ds = pydicom.dcmread(path)
        ds.StudyInstanceUID, ds.SeriesInstanceUID = "1.2.3", "1.2.4"
        ds.SOPInstanceUID = ds.file_meta.MediaStorageSOPInstanceUID = f"1.2.5.{ds.InstanceNumber}"
        del ds.PixelSpacing
        ds.save_as(bad / path.name)
    slices[-1].write_bytes(slices[-1].read_bytes()[:-3000])
    (bad / "ZZPATH4.dcm").write_bytes(slices[3].read_bytes()[:700])
    (bad / "ZZPATH5.nii").write_bytes(TAG * 200)
    with zipfile.ZipFile(day / "ZZPATH6.zip", "w") as archive:
        archive.writestr("../ZZPATH7.dcm", TAG)
    write_nifti(small_right, day / "ZZPATH8.nii.gz")
    return day


def measure_or_stumble(volume, settings, **others) -> ScanMeasurement:
    """Measure quickly; a NIfTI meets a bug whose text, and whose cause's, quote everything."""
    if volume.facts.file_format == "nifti":
        text = (TAG + PATH).decode()
        try:
            raise KeyError(f"{text} of {volume.facts.source}")
        except KeyError as error:
            raise RuntimeError(text) from error
    return measure_scan(volume, QUICK, **others)


@pytest.fixture
def measure(
    planted: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch, caplog
) -> Callable[..., tuple[Path, bytes]]:
    """Return a function that measures the folder and returns the results and what was said."""

    def run(*words: str) -> tuple[Path, bytes]:
        caplog.set_level(logging.DEBUG)
        plain = batch_run.measure_inputs

        def measure_here(*args, engine, **others):
            return plain(*args, **others, measure=measure_or_stumble)

        monkeypatch.setattr(batch_run, "measure_inputs", measure_here)
        out = tmp_path / "out"
        inputs = [str(planted), str(planted.parent / "ZZPATH9")]
        assert run_command(["measure", *inputs, "--out", str(out), "--dicom", *words]) == 1
        said = capsys.readouterr()
        return out, (said.out + said.err + caplog.text).encode()

    return run


def unpack(data: bytes) -> Iterator[bytes]:
    """Yield the content and whatever is packed in it, so that nothing hides by being packed."""
    yield data
    if data[:2] == b"\x1f\x8b":
        yield gzip.decompress(data)
    if data[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            for name in archive.namelist():
                yield name.encode()
                yield from unpack(archive.read(name))
    if data[:4] == b"%PDF":
        reader = PdfReader(io.BytesIO(data))
        yield "".join(page.extract_text() for page in reader.pages).encode()
        for stream in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
            with suppress(zlib.error):
                yield zlib.decompress(stream)
    if data[128:132] == b"DICM":
        ds = pydicom.dcmread(io.BytesIO(data))
        yield str(ds).encode()
        yield from unpack(ds.get("EncapsulatedDocument", b""))
    for picture in re.findall(rb"data:[a-z/+;-]+base64,([A-Za-z0-9+/=]+)", data):
        yield base64.b64decode(picture)


def holds(path: Path, *secrets: bytes) -> bool:
    return any(secret in part for part in unpack(path.read_bytes()) for secret in secrets)


def list_files(folder: Path) -> list[Path]:
    return [path for path in folder.rglob("*") if path.is_file()]


def test_g62_the_search_finds_what_is_packed(planted: Path, tmp_path: Path) -> None:
    """A search that found nothing anywhere would prove nothing."""
    assert holds(sorted((planted / "ZZPATH1^A=1").iterdir())[0], TAG)
    packed = tmp_path / "a.zip"
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("x.gz", gzip.compress(b"... ZZTAG ..."))
    assert holds(packed, TAG)


def test_g62_without_identity_nothing_holds_it(measure: Callable[..., tuple[Path, bytes]]) -> None:
    out, said = measure("--deidentify", "--debug")
    assert b"RuntimeError" in said
    secrets = (TAG, PATH, BORN, b"1933-04-05")
    assert not [secret for secret in secrets if secret in said]
    assert not [path.name for path in list_files(out) if holds(path, *secrets)]
    assert not [path for path in out.rglob("*") if "ZZ" in str(path.relative_to(out))]
    assert list(out.rglob("measurements.dcm"))


@pytest.mark.slow
def test_g62_the_patient_is_on_page_paper_and_records_for_the_clinic_alone(
    measure: Callable[..., tuple[Path, bytes]],
) -> None:
    out, said = measure()
    assert TAG not in said
    assert BORN not in said
    named = {path.name for path in list_files(out) if holds(path, TAG, BORN)}
    assert named == OF_THE_PATIENT
    # Files are named where the technician looks for a scan that failed, and for the owner.
    files = {path.name for path in list_files(out) if holds(path, PATH)}
    assert files <= OF_THE_PATIENT | {"refusals.csv", "cohort.html", "ledger.sqlite"}
    assert not [path for path in out.rglob("*") if "ZZ" in str(path.relative_to(out))]
