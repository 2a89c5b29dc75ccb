"""How often each case was begun, told by files: they outlive a process that is killed."""

import os
import secrets
import shutil
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import psutil

from canalmorph.batch.folder import UNFINISHED_PREFIX

#: A case is begun once more after it took its process with it, and no more.
MOST_ATTEMPTS = 2
#: Share of its memory that a process may fill before it gives up by itself, so that the reason is
#: known; a killer from outside leaves none.
MEMORY_SHARE = 0.9
#: Pause between two looks at the memory. [s]
MEMORY_LOOK_S = 0.1
_BEGUN, _MEMORY = b"b", b"m"


@dataclass(frozen=True, slots=True, kw_only=True)
class Attempts:
    """The attempts of one run at its cases.

    Attributes
    ----------
    folder : Path
        Seen by all workers under this path; removed at the end, or by the next run.
    """

    folder: Path

    def begin(self, work_id: str) -> int:
        """Note that a process begins with a case; return how many did, this one included."""
        self._append(work_id, _BEGUN)
        return self.count(work_id)

    def count(self, work_id: str) -> int:
        """Return how many processes began with a case."""
        return self._read(work_id).count(_BEGUN)

    def lacked_memory(self, work_id: str) -> bool:
        """Return whether the memory did not suffice for a case."""
        return _MEMORY in self._read(work_id)

    def note_memory(self, work_id: str) -> None:
        """Note that the memory does not suffice."""
        self._append(work_id, _MEMORY)

    def _append(self, work_id: str, mark: bytes) -> None:
        descriptor = os.open(self.folder / work_id, os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
        try:
            os.write(descriptor, mark)
        finally:
            os.close(descriptor)

    def _read(self, work_id: str) -> bytes:
        try:
            return (self.folder / work_id).read_bytes()
        except FileNotFoundError:
            return b""


@contextmanager
def open_attempts(cases: Path) -> Iterator[Attempts]:
    """Give the attempts of a run that begins."""
    folder = cases / f"{UNFINISHED_PREFIX}attempts-{secrets.token_hex(4)}"
    folder.mkdir()
    try:
        yield Attempts(folder=folder)
    finally:
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def watch_memory(attempts: Attempts, work_id: str, limit_bytes: int) -> Iterator[None]:
    """End this process, with the reason noted, when it fills its memory; 0 for no limit."""
    ended = threading.Event()

    def watch() -> None:
        process = psutil.Process()
        while not ended.wait(MEMORY_LOOK_S):
            if process.memory_info().rss > MEMORY_SHARE * limit_bytes:
                attempts.note_memory(work_id)
                os._exit(1)

    if limit_bytes:
        threading.Thread(target=watch, daemon=True).start()
    try:
        yield
    finally:
        ended.set()
