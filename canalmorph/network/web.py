"""What the node asks of archives over DICOMweb: store, find, retrieve."""

import contextlib
import io
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import pydicom
import requests
from dicomweb_client.api import DICOMwebClient
from pydicom.dataset import Dataset
from pydicom.uid import ExplicitVRLittleEndian

from canalmorph.network.dimse import Stored
from canalmorph.network.settings import Archive
from canalmorph.results_errors import PeerRefusedError, PeerUnreachableError

#: Longest wait for an archive to connect and to answer. [s]
CONNECT_S, ANSWER_S = 20.0, 300.0
_ANY_FORM = (("application/dicom", "*"),)


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
    PeerUnreachableError
        If the archive cannot be reached, before it has any of them.
    """
    stored = Stored()
    for _, uid, file in files:
        try:
            dataset = _read_plain(file)
        except Exception:  # the library raises many kinds on a damaged file
            stored.refused[uid] = "file-unreadable"
            continue
        try:
            with open_web(archive) as client:
                client.store_instances([dataset])
        except PeerRefusedError as error:
            stored.refused[uid] = error.code
        except PeerUnreachableError:
            if not stored.uids:
                raise
            break
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


class WebPeer:
    """An archive that is asked over DICOMweb.

    Every method raises `PeerUnreachableError` where the archive cannot be reached, and
    `PeerRefusedError` where it does not do what it is asked.
    """

    def __init__(self, archive: Archive) -> None:
        self._archive = archive

    def find_studies(self, **words: str) -> list[str]:
        """Return the UIDs of the studies that have these values, such as an ``AccessionNumber``."""
        with open_web(self._archive) as client:
            found = client.search_for_studies(search_filters=words, get_remaining=True)
        return sorted({str(Dataset.from_json(each).StudyInstanceUID) for each in found})

    def list_headers(self, study_uid: str) -> list[Dataset]:
        """Return the header of each CT image of a study."""
        headers = []
        with open_web(self._archive) as client:
            for one in client.search_for_series(study_uid, get_remaining=True):
                series = Dataset.from_json(one)
                if str(series.get("Modality", "")) == "CT":
                    headers += client.retrieve_series_metadata(
                        study_uid, str(series.SeriesInstanceUID)
                    )
        return [Dataset.from_json(each, _skip_bulk_data) for each in headers]

    def fetch_series(self, study_uid: str, series_uid: str, keep: Callable[..., None]) -> None:
        """Give the images of a series to `keep`, in the form that the archive has them."""
        with open_web(self._archive) as client:
            images = client.iter_series(study_uid, series_uid, media_types=_ANY_FORM)
            for dataset in images:
                content = io.BytesIO()
                dataset.save_as(content, enforce_file_format=True)
                keep(
                    content.getbuffer(),
                    series_uid=series_uid,
                    object_uid=str(dataset.SOPInstanceUID),
                )


def _skip_bulk_data(*_: object) -> bytes:
    return b""
