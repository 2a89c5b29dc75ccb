"""The results folder: who may write to it, and the keyed names of what it holds."""

import hashlib
import hmac
import os
import secrets
import shutil
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from canalmorph.export.tables import CODEBOOK_NAME
from canalmorph.model.naming import name_by_hash
from canalmorph.results_errors import (
    CaseKeyUnusableError,
    ResultsBusyError,
    ResultsFolderError,
    ResultsForeignFolderError,
    ResultsInsideInputError,
    ResultsNotWritableError,
    ResultsOtherKeyError,
)

KEY_NAME = ".case_key"
KEY_CHECK_NAME = ".case_key_check"
LOCK_NAME = ".lock"
#: The ledger, and what SQLite lays beside it while it is open.
LEDGER_NAME = "ledger.sqlite"
LEDGER_NAMES = tuple(f"{LEDGER_NAME}{suffix}" for suffix in ("", "-wal", "-shm", "-journal"))
#: A copy of the ledger in an earlier form.
LEDGER_BACKUP_NAME = "ledger.form{form}.sqlite"
#: Random bytes of a new key: as many as the hash it keys.
KEY_BYTES = 32
#: A key shorter than this could be found by trying.
SHORTEST_KEY_BYTES = 16
#: Hexadecimal digits of a case's name: among a million cases two names are equal with a
#: probability of 1e12 / 2 / 16**12 = 0.2 %; sixteen would not be read aloud any more.
CASE_ID_DIGITS = 12
#: Begins the name of a case's folder that is being written or replaced.
UNFINISHED_PREFIX = ".unfinished-"
#: Ends the name of one that is being replaced.
OUTDATED_SUFFIX = "-outdated"


@dataclass(frozen=True, slots=True, kw_only=True)
class ResultsFolder:
    """A results folder that this process alone writes to.

    Attributes
    ----------
    path : Path
        The folder.
    key : bytes
        Secret of the case names; empty where it is kept elsewhere and was not given.
    """

    path: Path
    key: bytes

    @property
    def cases(self) -> Path:
        """Folder that holds one folder a case."""
        return self.path / "cases"

    def list_cases(self) -> list[str]:
        """Return the names of all cases that have a record, in order."""
        return sorted(path.parent.name for path in self.cases.glob("[!.]*/result.json"))

    def name_case(self, series_key: str) -> str:
        """Return the case's name: a keyed hash, the same for the same series and key."""
        return keyed_hash(self.key, f"series {series_key}")

    def name_unread(self, path_text: str) -> str:
        """Return the name of an input that has no series key, from where it lies."""
        return keyed_hash(self.key, f"path {path_text}")

    def name_reader(self, typed: str) -> str:
        """Return a keyed hash in place of the name that a person typed; empty without the key.

        A hash without a secret could be told from a list of the clinic's names.
        """
        return keyed_hash(self.key, f"reader {typed}") if typed and self.key else ""

    def hide_text(self, text: str) -> str:
        """Return a keyed hash in place of a file's name."""
        return keyed_hash(self.key, f"file {text}") if text else ""


def keyed_hash(key: bytes, text: str) -> str:
    """Return the first digits of the HMAC-SHA256 of a text, as a name.

    Examples
    --------
    >>> keyed_hash(b"0123456789abcdef", "series 1.2.3")
    'k7ccf4784783'
    """
    digest = hmac.new(key, text.encode("utf-8", "surrogateescape"), hashlib.sha256)
    return name_by_hash(digest.hexdigest(), CASE_ID_DIGITS)


@contextmanager
def open_results(
    path: Path, *, inputs: Sequence[Path], key_file: Path | None = None
) -> Iterator[ResultsFolder]:
    """Check, make and lock a results folder; free it at the end.

    Raises
    ------
    ResultsFolderError
        If the folder lies inside an input, holds something else, is used by another run, was
        made with another key, or cannot be written.
    CaseKeyUnusableError
        If `key_file` holds no key.
    """
    _check_place(path, inputs)
    given_key = None if key_file is None else _read_key(key_file)
    try:
        path.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsNotWritableError(folder=str(path)) from error
    with hold_results(path):
        yield _prepare(path, given_key)


@contextmanager
def hold_results(path: Path) -> Iterator[None]:
    """Lock a results folder, so that no other run changes it within the block.

    Raises
    ------
    ResultsBusyError
        If another run holds it.
    ResultsNotWritableError
        If it cannot be written.
    """
    with hold_lock(path / LOCK_NAME, ResultsBusyError(folder=str(path))):
        yield


@contextmanager
def hold_lock(file: Path, busy: ResultsFolderError) -> Iterator[None]:
    """Hold a lock within the block; raise `busy` where another has it.

    Raises
    ------
    ResultsNotWritableError
        If its folder cannot be written.
    """
    lock = FileLock(file, timeout=0)
    try:
        lock.acquire()
    except Timeout:
        raise busy from None
    except OSError as error:
        raise ResultsNotWritableError(folder=str(file.parent)) from error
    try:
        yield
    finally:
        lock.release()


def settle_results_key(path: Path, key_file: Path | None = None) -> bytes:
    """Return a results folder's key, also while a run holds the folder; make both if need be.

    Raises
    ------
    ResultsFolderError
        As `open_results`; that the folder is held only where it has no key yet.
    CaseKeyUnusableError
        If `key_file` holds no key.
    """
    if (path / KEY_CHECK_NAME).exists():
        # Settled: nothing is written.
        return _settle_key(path, None if key_file is None else _read_key(key_file))
    with open_results(path, inputs=[], key_file=key_file) as folder:
        return folder.key


def find_key(path: Path) -> bytes | None:
    """Return the key that lies in a results folder; None where it is kept elsewhere."""
    return _read_key(path / KEY_NAME) if (path / KEY_NAME).is_file() else None


def _check_place(path: Path, inputs: Sequence[Path]) -> None:
    resolved = path.resolve()
    for given in inputs:
        place = given.resolve()
        if place.is_dir() and resolved.is_relative_to(place):
            raise ResultsInsideInputError(folder=str(path))
    if path.exists() and not path.is_dir():
        raise ResultsForeignFolderError(folder=str(path))
    if path.is_dir() and not (path / CODEBOOK_NAME).exists():
        # A run that stopped at once leaves the lock and the key, and no table.
        ours = {LOCK_NAME, KEY_NAME, KEY_CHECK_NAME, "cases", *LEDGER_NAMES}
        if {entry.name for entry in path.iterdir()} - ours:
            raise ResultsForeignFolderError(folder=str(path))


def _prepare(path: Path, given_key: bytes | None) -> ResultsFolder:
    try:
        folder = ResultsFolder(path=path, key=_settle_key(path, given_key))
        folder.cases.mkdir(exist_ok=True)
        _clear_leftovers(folder.cases)
    except OSError as error:
        raise ResultsNotWritableError(folder=str(path)) from error
    return folder


def _clear_leftovers(cases: Path) -> None:
    """Remove what a killed run left, and put back a case that it was about to replace."""
    for leftover in cases.glob(f"{UNFINISHED_PREFIX}*"):
        name = leftover.name.removeprefix(UNFINISHED_PREFIX)
        final = cases / name.removesuffix(OUTDATED_SUFFIX)
        if name.endswith(OUTDATED_SUFFIX) and not final.exists():
            leftover.rename(final)
        else:
            shutil.rmtree(leftover, ignore_errors=True)


def _read_key(file: Path) -> bytes:
    try:
        key = file.read_bytes()
    except OSError:
        key = b""
    if len(key) < SHORTEST_KEY_BYTES:
        raise CaseKeyUnusableError(file=str(file), shortest_bytes=SHORTEST_KEY_BYTES)
    return key


def _settle_key(path: Path, given_key: bytes | None) -> bytes:
    """Return the key of the folder; leave a check of it, so that no other key is mixed in."""
    own, check = path / KEY_NAME, path / KEY_CHECK_NAME
    if given_key is not None:
        key = given_key
    elif own.exists():
        key = _read_key(own)
    elif check.exists():
        raise ResultsOtherKeyError(folder=str(path))
    else:
        key = secrets.token_bytes(KEY_BYTES)
        write_private(own, key)
    expected = keyed_hash(key, "check")
    if not check.exists():
        write_private(check, expected.encode())
    elif check.read_text(encoding="ascii", errors="replace") != expected:
        raise ResultsOtherKeyError(folder=str(path))
    return key


def write_private(file: Path, content: bytes) -> None:
    """Write a file that only its owner may read, whole or not at all."""
    unfinished = file.with_name(f"{file.name}.new")
    unfinished.unlink(missing_ok=True)
    descriptor = os.open(unfinished, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as stream:
        stream.write(content)
        stream.flush()
        os.fsync(descriptor)
    unfinished.replace(file)
