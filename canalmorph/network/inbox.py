"""What was received, as files: each whole under its final name, or not there.

Names are keyed hashes of the UIDs: a UID from outside is text, never a path.
"""

import hashlib
import hmac
import os
import secrets
import shutil
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

from canalmorph.model.naming import name_by_hash

#: Holds what is not whole yet, beside the studies.
ARRIVING = ".arriving"
#: Hexadecimal digits of a name: no two of a million images share it.
NAME_DIGITS = 24


class Inbox:
    """One folder a study, one a series in it, one file an object."""

    def __init__(self, path: Path, key: bytes) -> None:
        self.path, self._key = path, key
        self._arriving = path / ARRIVING

    def prepare(self) -> None:
        """Make the folder, and remove what an ended process left unfinished.

        Raises
        ------
        OSError
            If it cannot be written.
        """
        shutil.rmtree(self._arriving, ignore_errors=True)
        self._arriving.mkdir(parents=True)
        self.path.chmod(0o700)

    def name_study(self, study_uid: str) -> str:
        """Return the name of a study's folder."""
        return self._name("study", study_uid)

    def list_studies(self) -> list[str]:
        """Return the names of all studies that lie here."""
        return sorted(entry.name for entry in os.scandir(self.path) if entry.name[:1] != ".")

    def list_sources(self, study: str) -> Iterator[str]:
        """Yield the names by which a survey may call what lies in a study."""
        root = self.path / study
        yield study
        for entry in sorted(root.rglob("*")):
            yield f"{study}/{entry.relative_to(root).as_posix()}"

    def count(self, study: str, series_uid: str) -> int:
        """Return how many objects of a series lie here."""
        folder = self.path / study / self._name("series", series_uid)
        return len(list(folder.glob("*.dcm")))

    def keep(
        self, *parts: bytes | memoryview, study: str, series_uid: str, object_uid: str
    ) -> None:
        """Write one object; it is on the disk when this returns.

        Parameters
        ----------
        *parts : bytes
            Its content.
        study : str
            Name of its study.
        series_uid, object_uid : str
            As they were received.

        Raises
        ------
        OSError
            If the disk is full or cannot be written; nothing is left of the object then.
        """
        folder = self.path / study / self._name("series", series_uid)
        final = folder / f"{self._name('object', object_uid)}.dcm"
        unfinished = self._arriving / secrets.token_hex(16)
        try:
            descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
            with os.fdopen(descriptor, "wb") as stream:
                for part in parts:
                    stream.write(part)
                stream.flush()
                os.fsync(stream.fileno())
            if not folder.is_dir():
                folder.mkdir(parents=True, exist_ok=True)
                sync_folder(folder.parent)
                sync_folder(self.path)
            os.replace(unfinished, final)
            sync_folder(folder)
        except OSError:
            with suppress(OSError):
                unfinished.unlink(missing_ok=True)
            raise

    def take_over(self, other: "Inbox", study: str) -> None:
        """Move what another inbox of the same disk and key has of a study.

        Raises
        ------
        OSError
            If that cannot be done.
        """
        source, target = other.path / study, self.path / study
        for path in sorted(source.glob("*/*.dcm")):
            folder = target / path.parent.name
            folder.mkdir(parents=True, exist_ok=True)
            os.replace(path, folder / path.name)
        for folder in (*target.iterdir(), target, self.path):
            sync_folder(folder)
        shutil.rmtree(source)

    def measure_free(self) -> int:
        """Return the free space on the disk [bytes]."""
        return shutil.disk_usage(self.path).free

    def _name(self, kind: str, uid: str) -> str:
        text = f"{kind} {uid}".encode("utf-8", "surrogateescape")
        return name_by_hash(hmac.new(self._key, text, hashlib.sha256).hexdigest(), NAME_DIGITS)


def sync_folder(folder: Path) -> None:
    """Bring the entries of a folder to the disk; Windows opens no folders."""
    if os.name == "nt":
        return
    descriptor = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
