"""What all tests share: the outside data, and the promise that a CI skips none of them."""

import email
import io
import json
import os
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from email.policy import HTTP
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

# One thread for compiled loops: two test processes share two cores. Set before numba is imported.
# Compiled code is kept in the __pycache__ beside its module (numba's default), so that only the
# first run on a new machine pays for the compiling; to start cold, remove those folders.
os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("MPLBACKEND", "Agg")
os.environ.setdefault("NUMPY_MADVISE_HUGEPAGE", "0")  # As the command line sets it.
# Started in the background of a shell, tests and all that they start would be deaf to Ctrl+C.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

import numpy as np
import pydicom
import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser

    from canalmorph.batch.outcomes import MeasureScan
    from canalmorph.model.femur import AlignedFemur, Cortex, Femur
    from canalmorph.model.results import CanalIndices, CanalProfile
    from canalmorph.model.volume import CtVolume
    from canalmorph.pipeline import ScanMeasurement
    from canalmorph_phantoms.build import PhantomResult
    from canalmorph_phantoms.tubes import Tube

#: Markers of tests that need something beside the project; each is skipped with its reason
#: where that is missing, and fails for it where CANALMORPH_NO_SKIP is set, as .ci/run does.
NEEDS_SOMETHING = ("outside_data", "browser", "dicom_tools", "archive")
#: What a browser would do of its own accord is left out.
BROWSER_FLAGS = (
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    marked = any(item.get_closest_marker(name) for name in NEEDS_SOMETHING)
    if report.skipped and marked and os.environ.get("CANALMORPH_NO_SKIP") == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"Skipped although CANALMORPH_NO_SKIP is set. {reason}"
    return report


@pytest.fixture(scope="session")
def project_folder() -> Path:
    """Return the folder of ``pyproject.toml``."""
    return Path(__file__).resolve().parent.parent


@pytest.fixture(scope="module")
def browser() -> Iterator["Browser"]:
    """Return a headless Chromium that asks for nothing by itself, or skip the test."""
    playwright = pytest.importorskip("playwright.sync_api")
    found = shutil.which("chromium")
    if found is None:
        pytest.skip("No program called chromium is installed.")
    with playwright.sync_playwright() as session:
        launched = session.chromium.launch(
            executable_path=found, chromium_sandbox=False, args=list(BROWSER_FLAGS)
        )
        yield launched
        launched.close()


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """Return the folder of the shared material, or skip the test with the reason."""
    named = os.environ.get("CANALMORPH_SHARED", "")
    if not named:
        pytest.skip("CANALMORPH_SHARED names no folder with the shared data.")
    folder = Path(named)
    if not folder.is_dir():
        pytest.skip("The folder that CANALMORPH_SHARED names does not exist.")
    return folder


@pytest.fixture(scope="session")
def shared_data(shared_folder: Path) -> Path:
    """Return the folder of real CT that no one here made, or skip the test with the reason."""
    return _subfolder(shared_folder, "data")


@pytest.fixture(scope="session")
def virtual_ct(shared_folder: Path) -> Path:
    """Return the folder of the maker of virtual scans, or skip the test with the reason."""
    return _subfolder(shared_folder, "virtual_ct")


def _subfolder(folder: Path, name: str) -> Path:
    if not (folder / name).is_dir():
        pytest.skip(f"The shared folder holds no {name}.")
    return folder / name


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stages:
    """What each stage made of a scan with one femur, with the default settings."""

    volume: "CtVolume"
    femur: "Femur"
    cortex: "Cortex"
    aligned: "AlignedFemur"
    profile: "CanalProfile"
    indices: "CanalIndices"


def run_stages(volume: "CtVolume") -> Stages:
    """Take a scan with one femur through the stages that measure."""
    from canalmorph.align.femur import align_femur
    from canalmorph.align.settings import AlignSettings
    from canalmorph.indices.compute import compute_indices
    from canalmorph.locate.femora import locate_femurs
    from canalmorph.locate.settings import LocateSettings
    from canalmorph.measure.canal import measure_canal
    from canalmorph.measure.settings import MeasureSettings
    from canalmorph.segment.cortex import segment_cortex
    from canalmorph.segment.settings import SegmentSettings

    (femur,) = locate_femurs(volume, LocateSettings())
    cortex = segment_cortex(femur, SegmentSettings())
    aligned = align_femur(cortex, AlignSettings())
    profile = measure_canal(aligned, MeasureSettings())
    return Stages(
        volume=volume,
        femur=femur,
        cortex=cortex,
        aligned=aligned,
        profile=profile,
        indices=compute_indices(profile),
    )


@pytest.fixture(scope="session")
def measure_stages() -> "Callable[[CtVolume], Stages]":
    """Return the function that takes a scan with one femur through the stages that measure."""
    return run_stages


@pytest.fixture(scope="session")
def small_right() -> "PhantomResult":
    """Return a scan of one right femur in coarse voxels, and its truth."""
    from canalmorph_phantoms.build import build_scan
    from canalmorph_phantoms.catalogue import SMALL

    return build_scan(SMALL["small_right"])


@pytest.fixture(scope="session")
def right_stages(small_right: "PhantomResult") -> Stages:
    """Return every stage of that scan."""
    return run_stages(small_right.volume)


@pytest.fixture(scope="session")
def mirrored_stages(small_right: "PhantomResult") -> Stages:
    """Return every stage of the same voxels seen in a mirror: a left femur, noise and all."""
    from dataclasses import replace

    affine = small_right.volume.index_to_lps_mm.copy()
    affine[0] *= -1.0
    return run_stages(replace(small_right.volume, index_to_lps_mm=affine))


def cut_volume(volume: "CtVolume", low_mm: float, high_mm: float) -> "CtVolume":
    """Return the slices of an upright scan between two heights."""
    from dataclasses import replace

    affine = volume.index_to_lps_mm
    heights = affine[2, 3] + affine[2, 0] * np.arange(volume.voxels_hu.shape[0])
    kept = np.flatnonzero((heights >= low_mm) & (heights <= high_mm))
    moved = affine.copy()
    moved[:3, 3] += kept[0] * affine[:3, 0]
    return replace(volume, voxels_hu=volume.voxels_hu[kept].copy(), index_to_lps_mm=moved)


@pytest.fixture(scope="session")
def cut_between() -> "Callable[[CtVolume, float, float], CtVolume]":
    """Return the function that cuts an upright scan between two heights [mm]."""
    return cut_volume


@pytest.fixture(scope="session")
def write_block() -> "Callable[..., list[Path]]":
    """Return a function that writes a part of a scan as one series of its study and frame."""
    import pydicom

    from canalmorph_phantoms.write import make_uid, write_dicom

    def write(
        whole: "PhantomResult", folder: Path, name: str, low_mm: float, high_mm: float
    ) -> list[Path]:
        from dataclasses import replace

        block = replace(whole, volume=cut_volume(whole.volume, low_mm, high_mm))
        paths = write_dicom(block, folder / name, patient_id="PX-552318", series_tag=name)
        for path in paths:
            ds = pydicom.dcmread(path)
            ds.StudyInstanceUID, ds.FrameOfReferenceUID = make_uid("study"), make_uid("frame")
            ds.save_as(path)
        return paths

    return write


@pytest.fixture(scope="session")
def segment_tube() -> "Callable[[Tube], Cortex]":
    """Return a function that segments a tube as if it were the shaft of a right femur.

    0.7 mm pixels, 1 mm slices, no noise, blur of 0.5 mm in plane; nothing stands for the head.
    """
    from canalmorph.model.femur import Femur, HeadSphere, Side
    from canalmorph.segment.cortex import segment_cortex
    from canalmorph.segment.settings import SegmentSettings
    from canalmorph_phantoms.spec import Scanner
    from canalmorph_phantoms.tubes import build_tube

    scanner = Scanner(
        pixel_mm=0.7,
        x_range_mm=(-28.0, 28.0),
        y_range_mm=(-19.0, 19.0),
        z_range_mm=(-58.0, 44.0),
        noise_sd_hu=0.0,
        blur_in_plane_mm=0.5,
    )

    @lru_cache(maxsize=8)
    def segment(tube: "Tube") -> "Cortex":
        heights = np.arange(-54.0, 41.0, 2.0)[:, None]
        head = HeadSphere(
            centre_lps_mm=np.array([42.0, 0.0, 40.0]),
            radius_mm=23.0,
            centre_u_mm=0.1,
            radius_u_mm=0.1,
            inlier_share=0.9,
        )
        femur = Femur(
            side=Side.RIGHT,
            crop=build_tube(tube, scanner),
            shaft_path_lps_mm=heights * tube.axis() / tube.axis()[2],
            head=head,
            shaft_leaves_scan=True,
        )
        return segment_cortex(femur, SegmentSettings())

    return segment


@pytest.fixture
def without_reports(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave out pages and papers, which take most of the time where measures are known."""
    for module in ("case_files", "redraw"):
        monkeypatch.setattr(f"canalmorph.batch.{module}.write_reports", lambda *args: None)


@pytest.fixture(scope="session")
def small_result(small_right: "PhantomResult") -> "PhantomResult":
    return small_right


@pytest.fixture(scope="session")
def measurement(small_result: "PhantomResult") -> "ScanMeasurement":
    """A small scan measured once by the real stages, so that what stands on them need not wait."""
    from canalmorph.pipeline import Settings, measure_scan

    return measure_scan(small_result.volume, Settings(), case_id="unnamed")


@pytest.fixture(scope="session")
def small_dicom(small_result: "PhantomResult", tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one DICOM series of an invented patient."""
    from canalmorph_phantoms.write import write_dicom

    folder = tmp_path_factory.mktemp("scans") / "quill_rosalind"
    write_dicom(small_result, folder, patient_name="Quill^Rosalind", patient_id="PX-552317")
    return folder


@pytest.fixture(scope="session")
def known_measure(measurement: "ScanMeasurement") -> "MeasureScan":
    """Give the measures that are known already, under the name and source that are asked for."""
    from dataclasses import replace

    def measure(volume, settings, *, case_id, progress=lambda stage: None, knees=None):
        progress("measure right")
        case = replace(measurement.case, case_id=case_id, scan=volume.facts, patient=volume.patient)
        return replace(measurement, case=case)

    return measure


#: Debian's own programs come first: Python packages bring some of the same names.
SEARCH_PATH = os.pathsep.join(("/usr/bin", "/usr/sbin", os.environ.get("PATH", "")))
PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")
#: A loaded machine starts it in a few seconds. [s]
LONGEST_START_S = 120.0


def find_program(name: str) -> str:
    path = shutil.which(name, path=SEARCH_PATH)
    if path is None or not PLUGIN.exists():
        pytest.skip("Debian's orthanc, orthanc-dicomweb and dcmtk are not installed.")
    return path


def find_free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Archive:
    """The archive on this machine alone, and what is asked of it."""

    def __init__(self, folder: Path) -> None:
        self._program, self._folder = find_program("Orthanc"), folder
        http_port, self.dicom_port = find_free_port(), find_free_port()
        self.root = f"http://127.0.0.1:{http_port}"
        #: Where it looks for the node that it is told of.
        self.node_port = find_free_port()
        settings = {
            "HttpPort": http_port,
            "DicomPort": self.dicom_port,
            "DicomAet": "ARCHIVE",
            "DefaultEncoding": "Utf8",
            "RemoteAccessAllowed": False,
            "DicomModalities": {"node": ["CANALMORPH", "127.0.0.1", self.node_port]},
            "StorageDirectory": str(folder / "archive"),
            "IndexDirectory": str(folder / "archive"),
            "Plugins": [str(PLUGIN)],
            "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
        }
        (folder / "archive.json").write_text(json.dumps(settings), "utf-8")

    def start(self) -> None:
        with (self._folder / "archive.log").open("ab") as log:
            command = [self._program, str(self._folder / "archive.json")]
            self._process = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
        end = time.monotonic() + LONGEST_START_S
        while self._process.poll() is None and time.monotonic() < end:
            try:
                self.get("/system", accept="application/json")
            except (urllib.error.URLError, OSError):
                time.sleep(0.2)
            else:
                return
        pytest.fail("The archive did not start.")

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(120)

    def restart(self) -> None:
        """Kill it, and start it again on what it left."""
        self._process.kill()
        self._process.wait(120)
        self.start()

    def get(self, place: str, accept: str = "application/dicom+json") -> tuple[bytes, str]:
        request = urllib.request.Request(f"{self.root}{place}", headers={"Accept": accept})
        with urllib.request.urlopen(request, timeout=120) as answer:
            return answer.read(), answer.headers.get("Content-Type", "")

    def query(self, place: str) -> list[dict[str, Any]]:
        found: list[dict[str, Any]] = json.loads(self.get(f"/dicom-web/{place}")[0])
        return found

    def retrieve(self, place: str) -> pydicom.FileDataset:
        kind = "multipart/related; type=application/dicom; transfer-syntax=*"
        content, told = self.get(f"/dicom-web/{place}", accept=kind)
        head = f"Content-Type: {told}\r\n\r\n".encode()
        (part,) = email.message_from_bytes(head + content, policy=HTTP).iter_parts()
        payload = part.get_payload(decode=True)
        assert isinstance(payload, bytes)
        return pydicom.dcmread(io.BytesIO(payload))

    def send(self, *paths: Path, title: str = "ARCHIVE", port: int = 0) -> None:
        # -R: propose what is sent and no more, since its list of usual classes is short.
        options = ["-R", "-xd", "-aec", title, "127.0.0.1", str(port or self.dicom_port)]
        self.run("storescu", *options, *map(str, paths))

    def run(self, program: str, *words: str) -> None:
        """Run one of dcmtk's programs."""
        command = [find_program(program), *words]
        subprocess.run(command, check=True, capture_output=True, timeout=240)


@pytest.fixture
def list_object_errors(tmp_path: Path) -> "Callable[[pydicom.FileDataset], list[str]]":
    """What the standard's validator finds wrong in an object; it must know what the object is."""
    if shutil.which("dciodvfy", path=SEARCH_PATH) is None:
        pytest.skip("The validator dciodvfy (Debian: dicom3tools) is not installed.")

    def list_errors(dataset: pydicom.FileDataset) -> list[str]:
        # The validator cannot inflate.
        plain = tmp_path / "validated.dcm"
        dataset.file_meta.TransferSyntaxUID = pydicom.uid.ExplicitVRLittleEndian
        dataset.save_as(plain, enforce_file_format=True)
        command = ["dciodvfy", "-new", str(plain)]
        told = subprocess.run(command, capture_output=True, text=True, check=False)
        lines = (told.stdout + told.stderr).splitlines()
        assert any(name in " ".join(lines) for name in ("Segmentation", "SR", "EncapsulatedPDF"))
        return [line for line in lines if line.startswith("Error")]

    return list_errors


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    """A real archive on this machine alone."""
    made = Archive(tmp_path)
    try:
        made.start()
        yield made
    finally:
        made.stop()
