"""The file of the ledger: opened, brought to this version's form, and its errors named."""

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from pathlib import Path

from canalmorph.batch.folder import LEDGER_BACKUP_NAME, LEDGER_NAME
from canalmorph.results_errors import ResultsLedgerError, ResultsNotWritableError

#: Number of the ledger's form; a change that an older program would misread is a new one. Form 1
#: had no reviews.
LEDGER_FORM = 2
#: A run and a review page write in turns; each turn takes milliseconds. [s]
LONGEST_WAIT_S = 30.0
_TABLES = (
    """
CREATE TABLE IF NOT EXISTS cases (
    work_id TEXT NOT NULL, input_hash TEXT NOT NULL, input_dated_hash TEXT NOT NULL,
    case_id TEXT NOT NULL, state TEXT NOT NULL, reason TEXT NOT NULL, source TEXT NOT NULL,
    settings_hash TEXT NOT NULL, software_version TEXT NOT NULL, deidentified INTEGER NOT NULL,
    attempts INTEGER NOT NULL DEFAULT 0,
    queued_at TEXT, started_at TEXT, ended_at TEXT, seconds REAL,
    PRIMARY KEY (work_id, input_hash)
) WITHOUT ROWID
""",
    "CREATE INDEX IF NOT EXISTS cases_by_name ON cases (case_id)",
    "CREATE INDEX IF NOT EXISTS cases_by_input ON cases (input_hash)",
    """
CREATE TABLE IF NOT EXISTS refusals (
    owner TEXT NOT NULL, position INTEGER NOT NULL, case_id TEXT NOT NULL, stage TEXT NOT NULL,
    code TEXT NOT NULL, message TEXT NOT NULL, source TEXT NOT NULL, side TEXT NOT NULL,
    tag TEXT NOT NULL, warnings TEXT NOT NULL, PRIMARY KEY (owner, position)
) WITHOUT ROWID
""",
    # What persons said, one row each; rows are only ever added.
    """
CREATE TABLE IF NOT EXISTS review_log (
    case_id TEXT NOT NULL, version INTEGER NOT NULL, at TEXT NOT NULL, by TEXT NOT NULL,
    action TEXT NOT NULL, old TEXT NOT NULL, new TEXT NOT NULL, reason TEXT NOT NULL,
    measured_with TEXT NOT NULL, PRIMARY KEY (case_id, version)
) WITHOUT ROWID
""",
    # What holds of it, by case: written with each row of the log, for lists and tables.
    """
CREATE TABLE IF NOT EXISTS reviews (
    case_id TEXT PRIMARY KEY, version INTEGER NOT NULL, state TEXT NOT NULL, by TEXT NOT NULL,
    at TEXT NOT NULL, measured_with TEXT NOT NULL, marked_by TEXT NOT NULL,
    corrections TEXT NOT NULL
) WITHOUT ROWID
""",
)


@contextmanager
def open_ledger_file(folder: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection to the ledger in this version's form; make the file where it is missing.

    A ledger of an older form is copied beside itself first, and changed as a whole or not at all.

    Raises
    ------
    ResultsLedgerError
        If the ledger is damaged or of a newer form.
    ResultsNotWritableError
        If it cannot be made or written.
    """
    file = folder / LEDGER_NAME
    with name_ledger_errors(folder):
        # Only the owner may read it, as it names files; SQLite gives its own files the same mode.
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
        connection = sqlite3.connect(
            file, isolation_level=None, timeout=LONGEST_WAIT_S, check_same_thread=False
        )
    with closing(connection):
        with name_ledger_errors(folder):
            _prepare(connection, folder)
        yield connection


def _prepare(connection: sqlite3.Connection, folder: Path) -> None:
    form = _read_form(connection)
    if form not in range(LEDGER_FORM + 1):
        raise ResultsLedgerError(folder=str(folder))
    # With WAL others may read while this process writes. Where the file system has none, SQLite
    # keeps its plain journal. A power cut may cost the last lines: the cases' folders have them.
    connection.execute("PRAGMA journal_mode = WAL")
    connection.execute("PRAGMA synchronous = NORMAL")
    if form == LEDGER_FORM:
        return
    if form:
        _back_up(connection, folder / LEDGER_BACKUP_NAME.format(form=form))
    with hold_transaction(connection, folder):
        # Another process may have been here in between: nothing below changes what is there.
        for statement in _TABLES:
            connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {LEDGER_FORM}")


def _read_form(connection: sqlite3.Connection) -> int:
    (form,) = connection.execute("PRAGMA user_version").fetchone()
    return int(form)


def _back_up(connection: sqlite3.Connection, copy: Path) -> None:
    """Copy a ledger, whole or not at all, readable by its owner only; an earlier copy is kept."""
    if copy.exists():
        return
    unfinished = copy.with_name(f"{copy.name}.new")
    unfinished.unlink(missing_ok=True)
    os.close(os.open(unfinished, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600))
    with closing(sqlite3.connect(unfinished)) as target:
        connection.backup(target)
    unfinished.replace(copy)


@contextmanager
def name_ledger_errors(folder: Path) -> Iterator[None]:
    """Turn what SQLite and the disk say of the ledger into the reasons of this program."""
    try:
        yield
    except sqlite3.OperationalError as error:  # a full disk, a file system that can only be read
        raise ResultsNotWritableError(folder=str(folder)) from error
    except sqlite3.DatabaseError as error:
        raise ResultsLedgerError(folder=str(folder)) from error
    except OSError as error:
        raise ResultsNotWritableError(folder=str(folder)) from error


@contextmanager
def hold_transaction(connection: sqlite3.Connection, folder: Path) -> Iterator[None]:
    """Make what the block writes one change: all of it stays, or none."""
    with name_ledger_errors(folder):
        connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        with name_ledger_errors(folder):
            connection.execute("COMMIT")
    except BaseException:
        # A full disk has ended the transaction already.
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise


def tell_time() -> str:
    """Return the time as text that sorts, ISO 8601 in UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds")
