"""Studies fetched from an archive: found, chosen by the survey's rule, kept like received ones."""

from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import Protocol

from pydicom.dataset import Dataset

from canalmorph.batch.folder import hold_lock, settle_results_key
from canalmorph.network.choosing import SeriesChoice, choose_remote_series
from canalmorph.network.inbox import Inbox
from canalmorph.network.log import silence_libraries
from canalmorph.network.memory import NodeMemory, open_memory
from canalmorph.network.query import DimsePeer, KeepObject
from canalmorph.network.settings import Archive, NodeSettings
from canalmorph.network.web import WebPeer
from canalmorph.quiet import keep_libraries_quiet
from canalmorph.read.settings import ReadSettings
from canalmorph.results_errors import FetchBusyError, PeerRefusedError, ResultsNotWritableError

#: What an accession number or a patient's number is called.
ACCESSION, PATIENT = "AccessionNumber", "PatientID"
#: Would have an archive answer with other studies than the one that is meant.
_WILDCARDS = "*?\\"


class Peer(Protocol):
    """An archive that can be asked."""

    def find_studies(self, **words: str) -> list[str]:
        """Return the UIDs of the studies that have these values."""

    def list_headers(self, study_uid: str) -> list[Dataset]:
        """Return what the archive tells of each CT image of a study."""

    def fetch_series(self, study_uid: str, series_uid: str, keep: KeepObject) -> None:
        """Have the images of a series given to `keep`, or sent to the node."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FetchedStudy:
    """What became of one study that was asked for; it names nobody.

    Attributes
    ----------
    number : int
        Of the word that was asked for, from 1.
    study : str
        Name of its folder; empty where there is no such study.
    n_series, n_images : int
        That were fetched, or had been.
    reasons : tuple of str
        Codes of the series that were not.
    certain : bool
        False where the archive tells too little to choose a series.
    problem : str
        Why it is not there; empty if it is.
    """

    number: int
    study: str = ""
    n_series: int = 0
    n_images: int = 0
    reasons: tuple[str, ...] = ()
    certain: bool = True
    problem: str = ""


def fetch_studies(
    settings: NodeSettings,
    archive: Archive,
    words: Sequence[str],
    *,
    kind: str = ACCESSION,
    out: Path | None = None,
    read: ReadSettings | None = None,
) -> Iterator[FetchedStudy]:
    """Fetch the studies with these accession or patient numbers, and yield what became of each.

    Parameters
    ----------
    settings : NodeSettings
        Of the node.
    archive : Archive
        Where they are.
    words : sequence of str
        The numbers.
    kind : str
        `ACCESSION` or `PATIENT`.
    out : Path, optional
        Folder for the images; by default the node's own inbox, from which they are measured.
    read : ReadSettings, optional
        Of the survey whose rule chooses the series.

    Raises
    ------
    ValueError
        If a number is empty or has a wildcard, or the archive can only send to the node.
    PeerUnreachableError
        If the archive cannot be reached.
    FetchBusyError
        If another fetch writes to the folder.
    ResultsNotWritableError
        If the folder cannot be written.
    """
    for word in words:
        if not word.strip() or any(letter in word for letter in _WILDCARDS):
            raise ValueError("A number to fetch must be whole, without any of * ? and backslash.")
    if archive.fetch == "move" and out is not None:
        raise ValueError("An archive that moves images sends them to the node; leave out --out.")
    silence_libraries()
    peer: Peer = WebPeer(archive) if archive.fetch == "web" else DimsePeer(settings, archive)
    with keep_libraries_quiet(), _open_store(settings, out) as store:
        for number, word in enumerate(words, start=1):
            yield from _Fetch(peer, store, number, read).take({kind: word.strip()})


@dataclass(frozen=True, slots=True)
class _Store:
    """Where images go: into a folder, or by way of one into the inbox, when a study is whole.

    The node would take a study whose images come slowly for a complete one.
    """

    arrived: Inbox
    inbox: Inbox | None = None
    memory: NodeMemory | None = None

    def count(self, study: str, series_uid: str) -> int:
        """Return how many images of a series are there already."""
        places = [each for each in (self.arrived, self.inbox) if each is not None]
        return max(each.count(study, series_uid) for each in places)

    def end_study(self, study: str) -> None:
        """Hand a study that is whole over to the node."""
        if self.inbox is None or self.memory is None:
            return
        if (self.arrived.path / study).is_dir():
            # Noted first: a kill in between leaves nothing unnoted. And last: what a measuring
            # that began in between did not see is measured again.
            self.memory.note_received(study, whole=True)
            self.inbox.take_over(self.arrived, study)
            self.memory.note_received(study, whole=True)


@contextmanager
def _open_store(settings: NodeSettings, out: Path | None) -> Iterator[_Store]:
    # The node may be measuring: only the key is needed of its results.
    key = settle_results_key(settings.results, settings.measure.case_key)
    arrived = Inbox(out or settings.folder / "fetched", key)
    with ExitStack() as stack:
        try:
            settings.folder.mkdir(parents=True, exist_ok=True)
            lock = settings.folder / _name_lock(arrived.path)
            stack.enter_context(hold_lock(lock, FetchBusyError(folder=str(arrived.path))))
            arrived.prepare()
        except OSError as error:
            raise ResultsNotWritableError(folder=str(arrived.path)) from error
        if out is not None:
            yield _Store(arrived)
        else:
            inbox = Inbox(settings.inbox, key)
            yield _Store(arrived, inbox, stack.enter_context(open_memory(settings.folder)))


def _name_lock(folder: Path) -> str:
    """Return the name of the lock of a folder, which lies where no survey of it meets it."""
    place = str(folder.resolve()).encode("utf-8", "surrogateescape")
    return f".fetch-{sha256(place).hexdigest()[:16]}.lock"


class _Fetch:
    """The studies of one word."""

    def __init__(self, peer: Peer, store: _Store, number: int, read: ReadSettings | None) -> None:
        self._peer, self._store, self._number, self._read = peer, store, number, read

    def take(self, words: dict[str, str]) -> Iterator[FetchedStudy]:
        """Find and fetch them."""
        try:
            found = self._peer.find_studies(**words)
        except PeerRefusedError as error:
            yield FetchedStudy(number=self._number, problem=str(error))
            return
        if not found:
            yield FetchedStudy(number=self._number, problem="The archive has no such study.")
        for study_uid in found:
            yield self._fetch(study_uid)

    def _fetch(self, study_uid: str) -> FetchedStudy:
        study = self._store.arrived.name_study(study_uid)
        told = partial(FetchedStudy, number=self._number, study=study)
        try:
            choice = choose_remote_series(self._peer.list_headers(study_uid), self._read)
            if not choice.images:
                return told(reasons=choice.reasons, problem="It has no CT that could be measured.")
            self._fetch_series(study_uid, study, choice)
        except PeerRefusedError as error:
            return told(problem=str(error))
        except OSError as error:
            raise ResultsNotWritableError(folder=str(self._store.arrived.path)) from error
        return told(
            n_series=len(choice.images),
            n_images=sum(choice.images.values()),
            reasons=choice.reasons,
            certain=choice.certain,
        )

    def _fetch_series(self, study_uid: str, study: str, choice: SeriesChoice) -> None:
        keep = partial(self._store.arrived.keep, study=study)
        for series_uid, n_images in choice.images.items():
            if self._store.count(study, series_uid) < n_images:
                self._peer.fetch_series(study_uid, series_uid, keep)
        self._store.end_study(study)
