"""Results on their way to the archives: each is sent until its archive has it.

An object's file lies in the outbox from before its line in the node's memory says that it must be
sent until every archive has it. A thread for each archive sends; one that is down holds up no
other.
"""

import contextlib
import hashlib
import os
import secrets
import shutil
import threading
import time
from collections.abc import Sequence
from pathlib import Path

import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import generate_uid

from canalmorph.batch.mishaps import name_place
from canalmorph.export.dicom_objects import PDF_NAME, REPORT_NAME, SEGMENTATION_NAME
from canalmorph.model.naming import name_by_hash
from canalmorph.network.dimse import Stored, ask_commitment, store_objects
from canalmorph.network.inbox import sync_folder
from canalmorph.network.log import NodeLog
from canalmorph.network.memory import NodeMemory, QueuedObject
from canalmorph.network.provider import read_report
from canalmorph.network.settings import Archive, NodeSettings
from canalmorph.network.web import store_by_web
from canalmorph.results_errors import PeerError

#: Pause after a failure, doubled by each further one up to the longest. [s]
FIRST_PAUSE_S, LONGEST_PAUSE_S = 5.0, 3600.0
#: An archive that did not say within this time whether it keeps an object is sent it again. [s]
COMMITMENT_S = 900.0
#: Objects sent over one association.
MOST_AT_A_TIME = 60
#: Pause between two looks at what is due, where nobody tells. [s]
LOOK_S = 5.0
_ORDER = (SEGMENTATION_NAME, REPORT_NAME, PDF_NAME)
_NAME_DIGITS = 24


class Outbox:
    """The files that are to be sent."""

    def __init__(self, settings: NodeSettings, memory: NodeMemory) -> None:
        self.path, self._memory = settings.outbox, memory
        self._archives = [each for each in settings.archives if each.send]
        self._seen: dict[Path, tuple[int, int]] = {}
        # A file that is being queued for one more archive is not cleared for the others' sake.
        self._lock = threading.Lock()

    def prepare(self) -> None:
        """Make the folder; remove what is not whole, or not needed any more.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        self.path.mkdir(parents=True, exist_ok=True)
        self.path.chmod(0o700)
        for leftover in self.path.glob(".*"):
            leftover.unlink()
        self.clear()

    def queue_case(self, case_id: str, folder: Path) -> int:
        """Queue the objects of a case that were not queued before; return how many."""
        files = [path for path in _list_objects(folder) if self._is_new(path)]
        queued = [self._queue(case_id, path) for path in files]
        for path in files:
            self._seen[path] = _mark(path)
        return sum(queued)

    def clear(self) -> None:
        """Remove the files that every archive has."""
        with self._lock:
            lying = list(self.path.glob("*.dcm"))
            finished = set(self._memory.list_finished()) if lying else set()
            for path in lying:
                if path.stem in finished:
                    path.unlink()

    def _is_new(self, path: Path) -> bool:
        return self._seen.get(path) != _mark(path)

    def _queue(self, case_id: str, path: Path) -> int:
        header = pydicom.dcmread(path, stop_before_pixels=True, specific_tags=["SOPInstanceUID"])
        uid = str(header.SOPInstanceUID)
        name = name_by_hash(hashlib.sha256(uid.encode()).hexdigest(), _NAME_DIGITS)
        wanting = [each for each in self._archives if not self._memory.knows_object(each.name, uid)]
        if not wanting:
            return 0
        sop_class = str(header.file_meta.MediaStorageSOPClassUID)
        with self._lock:
            self._copy(path, self.path / f"{name}.dcm")
            return self._memory.queue(
                QueuedObject(
                    archive=archive.name, uid=uid, sop_class=sop_class, name=name, case_id=case_id
                )
                for archive in wanting
            )

    def _copy(self, source: Path, target: Path) -> None:
        """Put a file into the outbox, whole; a link where the disk is the same."""
        unfinished = self.path / f".{secrets.token_hex(8)}"
        try:
            os.link(source, unfinished)
        except OSError:
            shutil.copyfile(source, unfinished)
            with unfinished.open("rb+") as stream:
                os.fsync(stream.fileno())
        os.replace(unfinished, target)
        # A link over itself is left where it was.
        unfinished.unlink(missing_ok=True)
        sync_folder(self.path)


class Courier:
    """Brings objects to one archive, in a thread of its own."""

    def __init__(
        self,
        settings: NodeSettings,
        archive: Archive,
        memory: NodeMemory,
        outbox: Outbox,
        log: NodeLog,
    ) -> None:
        self._settings, self._archive, self._memory, self._log = settings, archive, memory, log
        self._outbox = outbox
        self._n_failures = 0
        self.wake = threading.Event()
        self._stopping = False
        self._thread = threading.Thread(target=self._run, daemon=True)

    def start(self) -> None:
        """Begin to send."""
        self._thread.start()

    def stop(self, wait_s: float = 10.0) -> None:
        """End after the object that is being sent."""
        self._stopping = True
        self.wake.set()
        self._thread.join(wait_s)

    def _run(self) -> None:
        while not self._stopping:
            try:
                pause_s = self._deliver_due()
                self._outbox.clear()
            except Exception as error:  # nothing more would be sent by a thread that has ended
                self._log.tell("not_sent", archive=self._archive.name, reason=name_place(error))
                pause_s = FIRST_PAUSE_S
            if pause_s:
                self.wake.wait(pause_s)
                self.wake.clear()

    def _deliver_due(self) -> float:
        """Send what is due, and return how long to wait for more [s]."""
        due = self._memory.list_due(
            self._archive.name, most=MOST_AT_A_TIME, asked_before=time.time() - COMMITMENT_S
        )
        if not due:
            return LOOK_S
        try:
            stored = self._send(due)
        except PeerError as error:
            self._n_failures += 1
            self._log.tell("not_sent", archive=self._archive.name, reason=error.code)
            return compute_pause_s(self._n_failures)
        self._n_failures = 0
        self._note_refused([each for each in due if each.uid in stored.refused], stored)
        self._note_taken([each for each in due if each.uid in set(stored.uids)])
        self._log.tell(
            "sent",
            archive=self._archive.name,
            objects=len(stored.uids),
            refused=len(stored.refused),
        )
        return 0.0

    def _send(self, due: Sequence[QueuedObject]) -> Stored:
        files = [
            (each.sop_class, each.uid, self._settings.outbox / f"{each.name}.dcm") for each in due
        ]
        if self._archive.ae_title:
            return store_objects(self._settings, self._archive, files)
        return store_by_web(self._archive, files)

    def _note_refused(self, refused: Sequence[QueuedObject], stored: Stored) -> None:
        for each in refused:
            due, reason = time.time() + compute_pause_s(each.attempts + 1), stored.refused[each.uid]
            self._memory.note_unsent(self._archive.name, each.uid, reason=reason, due=due)
            self._log.tell("refused", archive=self._archive.name, case=each.case_id, reason=reason)

    def _note_taken(self, taken: Sequence[QueuedObject]) -> None:
        """Note that the archive has objects, or ask it whether it will keep them."""
        uids = [each.uid for each in taken]
        if not taken:
            return
        if not (self._archive.commitment and self._archive.ae_title):
            self._memory.note_kept(self._archive.name, uids)
            return
        asked_as = str(generate_uid(prefix=None))
        # Before it is asked: the answer may be faster.
        self._memory.note_asked(self._archive.name, uids, asked_as)
        with contextlib.suppress(PeerError):
            offered = ask_commitment(
                self._settings,
                self._archive,
                [(each.sop_class, each.uid) for each in taken],
                asked_as,
                self._take_prompt_report,
            )
            if not offered:
                self._memory.note_kept(self._archive.name, uids, asked_as=asked_as)

    def _take_prompt_report(self, information: Dataset) -> None:
        note_report(self._memory, self._archive, *read_report(information))


def note_report(
    memory: NodeMemory, archive: Archive, asked_as: str, kept: list[str], lost: list[str]
) -> None:
    """Note what an archive says that it keeps; what it lost is sent again."""
    memory.note_kept(archive.name, kept, asked_as=asked_as)
    for uid in lost:
        due = time.time() + FIRST_PAUSE_S
        memory.note_unsent(archive.name, uid, reason="not-kept", due=due, asked_as=asked_as)


def compute_pause_s(n_failures: int) -> float:
    """Return how long to wait after so many failures [s].

    Examples
    --------
    >>> [compute_pause_s(n) for n in (1, 2, 3, 40)]
    [5.0, 10.0, 20.0, 3600.0]
    """
    return float(min(FIRST_PAUSE_S * 2 ** min(n_failures - 1, 30), LONGEST_PAUSE_S))


def _list_objects(folder: Path) -> list[Path]:
    """Return a case's objects in the order in which they should be sent."""
    found = sorted(folder.glob("*.dcm"))
    order = {name: number for number, name in enumerate(_ORDER)}
    return sorted(found, key=lambda path: order.get(path.name, len(order)))


def _mark(path: Path) -> tuple[int, int]:
    status = path.stat()
    return status.st_mtime_ns, status.st_ino
