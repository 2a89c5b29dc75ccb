"""A real archive takes the objects, finds them in the scan's study and gives them back equal."""

import email
import io
import json
import os
import shutil
import socket
import subprocess
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from email.policy import HTTP
from pathlib import Path
from typing import Any

import pydicom
import pytest

from canalmorph.export.dicom_context import ObjectContext

#: Debian's place of servers is not on everybody's path.
SEARCH_PATH = f"{os.environ.get('PATH', '')}{os.pathsep}/usr/sbin"
PLUGIN = Path("/usr/share/orthanc/plugins/libOrthancDicomWeb.so")
#: A loaded machine starts it in a few seconds. [s]
LONGEST_START_S = 120.0

pytestmark = pytest.mark.archive


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

    def __init__(self, http_port: int, dicom_port: int) -> None:
        self.root, self._dicom_port = f"http://127.0.0.1:{http_port}", dicom_port

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

    def send(self, *paths: Path) -> None:
        # -R: propose what is sent and no more, since its list of usual classes is short.
        options = ["-R", "-xd", "-aec", "ARCHIVE", "127.0.0.1"]
        subprocess.run(
            [find_program("storescu"), *options, str(self._dicom_port), *map(str, paths)],
            check=True,
            capture_output=True,
            timeout=120,
        )


@pytest.fixture
def archive(tmp_path: Path) -> Iterator[Archive]:
    program = find_program("Orthanc")
    http_port, dicom_port = find_free_port(), find_free_port()
    settings = {
        "HttpPort": http_port,
        "DicomPort": dicom_port,
        "DicomAet": "ARCHIVE",
        "DefaultEncoding": "Utf8",
        "RemoteAccessAllowed": False,
        "StorageDirectory": str(tmp_path / "archive"),
        "IndexDirectory": str(tmp_path / "archive"),
        "Plugins": [str(PLUGIN)],
        "DicomWeb": {"Enable": True, "Root": "/dicom-web/"},
    }
    (tmp_path / "archive.json").write_text(json.dumps(settings), "utf-8")
    with (
        (tmp_path / "archive.log").open("wb") as log,
        subprocess.Popen(
            [program, str(tmp_path / "archive.json")], stdout=log, stderr=subprocess.STDOUT
        ) as process,
    ):
        try:
            peer = Archive(http_port, dicom_port)
            wait_until_ready(peer, process)
            yield peer
        finally:
            process.terminate()
            process.wait(120)


def wait_until_ready(peer: Archive, process: "subprocess.Popen[bytes]") -> None:
    end = time.monotonic() + LONGEST_START_S
    while process.poll() is None and time.monotonic() < end:
        try:
            peer.get("/system", accept="application/json")
        except (urllib.error.URLError, OSError):
            time.sleep(0.2)
        else:
            return
    pytest.fail("The archive did not start.")


def test_objects_survive_the_archive_and_a_resend_multiplies_nothing(
    archive: Archive, context: ObjectContext, written: dict[str, Path]
) -> None:
    archive.send(*written.values())
    archive.send(*written.values())
    study = f"studies/{context.source.study_uid}"
    series = archive.query(f"{study}/series")
    assert sorted(one["00080060"]["Value"][0] for one in series) == ["DOC", "SEG", "SR"]
    instances = archive.query(f"{study}/instances")
    assert len(instances) == 3
    for path in written.values():
        ours = pydicom.dcmread(path)
        place = f"{study}/series/{ours.SeriesInstanceUID}/instances/{ours.SOPInstanceUID}"
        # Every element: numbers, units, sides, texts in three alphabets, mask and PDF.
        assert archive.retrieve(place) == ours
    (patient,) = archive.query("studies?PatientID=PX-552317&includefield=00100010")
    assert patient["00100010"]["Value"][0]["Ideographic"] == "山田^花子"
