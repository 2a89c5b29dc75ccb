"""What the node asks of archives over DICOMweb: store, find, retrieve."""

import contextlib
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import pydicom
import requests
from dicomweb_client.api import DICOMwebClient
from pydicom.uid import ExplicitVRLittleEndian

from canalmorph.network.dimse import Stored
from canalmorph.network.settings import Archive
from canalmorph.results_errors import PeerRefusedError, PeerUnreachableError

#: Longest wait for an archive to connect and to answer. [s]
CONNECT_S, ANSWER_S = 20.0, 300.0


@contextlib.contextmanager
def open_web(archive: Archive) -> Iterator[DICOMwebClient]:
    """Give a client of an archive's DICOMweb service, its errors named.

    Raises
    ------
    PeerUnreachableError
        If the archive cannot be reached.
    PeerRefusedError
        If it answers with an error.
    """
    session = _WebSession()
    if archive.authorities is not None:
        session.verify = str(archive.authorities)
    if archive.token_file is not None:
        token = archive.token_file.read_text("utf-8").strip()
        session.headers["Authorization"] = f"Bearer {token}"
    with session:
        try:
            client = DICOMwebClient(archive.url, session=session)
            client.set_http_retry_params(retry=False)
            yield client
        except requests.HTTPError as error:
            status = 0 if error.response is None else error.response.status_code
            detail = f"It answers with HTTP status {status}."
            raise PeerRefusedError(archive=archive.name, detail=detail) from error
        except requests.RequestException as error:
            detail = f"There is no connection ({type(error).__name__})."
            raise PeerUnreachableError(archive=archive.name, detail=detail) from error


def store_by_web(archive: Archive, files: Iterable[tuple[str, str, Path]]) -> Stored:
    """Send objects, each named by its class, its UID and its file, one request each.

    Raises
    ------
    PeerError
        If the archive cannot be reached, or refuses the first of them.
    """
    stored = Stored()
    for _, uid, file in files:
        try:
            with open_web(archive) as client:
                client.store_instances([_read_plain(file)])
        except PeerRefusedError as error:
            stored.refused[uid] = error.code
        else:
            stored.uids.append(uid)
    return stored


def _read_plain(file: Path) -> pydicom.FileDataset:
    """Return an object in the one form that every web archive must take."""
    dataset = pydicom.dcmread(file)
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return dataset


class _WebSession(requests.Session):
    """Waits for no answer forever."""

    def request(self, *args: Any, **kwargs: Any) -> requests.Response:
        """Send a request."""
        kwargs["timeout"] = (CONNECT_S, ANSWER_S)
        return super().request(*args, **kwargs)
