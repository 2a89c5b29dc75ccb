"""``node.sqlite``: what the node still owes, so that no restart forgets it.

A study is owed its measuring until it is done, an object its sending until the archive has it.
Names are keyed hashes; UIDs of our own objects are hashes too.
"""

import os
import sqlite3
import threading
import time
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canalmorph.results_errors import NodeMemoryError

MEMORY_NAME = "node.sqlite"
#: Number of the file's form.
MEMORY_FORM = 1
#: Longest wait for another process. [s]
LONGEST_WAIT_S = 30.0
#: States of a study: to be measured; being measured; done, with or without results.
RECEIVED, MEASURING, MEASURED, FAILED = "received", "measuring", "measured", "failed"
#: States of an object: to be sent; sent, and asked whether it is kept; kept.
WAITING, ASKED, KEPT = "waiting", "asked", "kept"
_TABLES = (
    """
CREATE TABLE IF NOT EXISTS studies (
    study TEXT PRIMARY KEY, state TEXT NOT NULL, whole INTEGER NOT NULL, attempts INTEGER NOT NULL
) WITHOUT ROWID
""",
    """
CREATE TABLE IF NOT EXISTS cases (
    case_id TEXT PRIMARY KEY, study TEXT NOT NULL
) WITHOUT ROWID
""",
    """
CREATE TABLE IF NOT EXISTS objects (
    archive TEXT NOT NULL, uid TEXT NOT NULL, name TEXT NOT NULL, sop_class TEXT NOT NULL,
    case_id TEXT NOT NULL, state TEXT NOT NULL, attempts INTEGER NOT NULL, due REAL NOT NULL,
    asked_as TEXT NOT NULL, reason TEXT NOT NULL, queued REAL NOT NULL,
    PRIMARY KEY (archive, uid)
) WITHOUT ROWID
""",
    "CREATE INDEX IF NOT EXISTS objects_by_name ON objects (name)",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class QueuedObject:
    """One object on its way to one archive.

    Attributes
    ----------
    archive : str
        Name of the archive.
    uid, sop_class : str
        Of the object.
    name : str
        Of its file in the outbox.
    case_id : str
        Whose result it is.
    attempts : int
        To send it, that failed.
    """

    archive: str
    uid: str
    sop_class: str
    name: str
    case_id: str
    attempts: int = 0


@contextmanager
def open_memory(folder: Path) -> Iterator["NodeMemory"]:
    """Give the node's memory in its folder; make it where it is missing.

    Raises
    ------
    NodeMemoryError
        If it is damaged, of a newer version, or cannot be written.
    """
    file = folder / MEMORY_NAME
    try:
        os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
        # A node and a fetch write in turns; each turn takes milliseconds.
        connection = sqlite3.connect(
            file, isolation_level=None, timeout=LONGEST_WAIT_S, check_same_thread=False
        )
    except (OSError, sqlite3.Error) as error:
        raise NodeMemoryError(folder=str(folder)) from error
    with closing(connection):
        memory = NodeMemory(connection, folder)
        memory.prepare()
        yield memory


class NodeMemory:
    """The lines of ``node.sqlite``, for all threads of the node."""

    def __init__(self, connection: sqlite3.Connection, folder: Path) -> None:
        self._connection, self._folder = connection, folder
        self._lock = threading.RLock()

    def prepare(self) -> None:
        """Bring the file to this version's form."""
        ((form,),) = self._run("PRAGMA user_version")
        if form not in (0, MEMORY_FORM):
            raise NodeMemoryError(folder=str(self._folder))
        self._run("PRAGMA journal_mode = WAL")
        # What a sender was told is on the disk must be there after a power cut, too.
        self._run("PRAGMA synchronous = FULL")
        with self._transaction():
            for statement in _TABLES:
                self._run(statement)
            self._run(f"PRAGMA user_version = {MEMORY_FORM}")

    def note_received(self, study: str, *, whole: bool) -> None:
        """Note that something of a study arrived, so that it must be measured.

        `whole` is whether the association that brought it ended as it should.
        """
        self._run(
            "INSERT INTO studies VALUES (?, ?, ?, 0) ON CONFLICT (study) DO UPDATE "
            "SET state = excluded.state, whole = excluded.whole, attempts = 0",
            (study, RECEIVED, int(whole)),
        )

    def note_taken(self, studies: Iterable[str]) -> None:
        """Note that studies are being measured; what is received from now on counts as more."""
        with self._transaction():
            for study in studies:
                self._run("UPDATE studies SET state = ? WHERE study = ?", (MEASURING, study))

    def recall_taken(self) -> None:
        """Note that what an ended process was measuring must be measured."""
        self._run("UPDATE studies SET state = ? WHERE state = ?", (RECEIVED, MEASURING))

    def note_attempt(self, study: str) -> int:
        """Count a measuring that failed, and return how many there were."""
        with self._transaction():
            self._run("UPDATE studies SET attempts = attempts + 1 WHERE study = ?", (study,))
            rows = self._run("SELECT attempts FROM studies WHERE study = ?", (study,))
        return int(rows[0][0]) if rows else 0

    def note_measured(self, study: str, case_ids: Iterable[str], *, state: str) -> None:
        """Note the end of a study's measuring, and the cases in it.

        A study of which more was received meanwhile, by whatever process, stays to be measured.
        """
        with self._transaction():
            for case_id in case_ids:
                self._run("INSERT OR REPLACE INTO cases VALUES (?, ?)", (case_id, study))
            self._run(
                "UPDATE studies SET state = ? WHERE study = ? AND state = ?",
                (state, study, MEASURING),
            )

    def note_owed(self, case_ids: Iterable[str]) -> None:
        """Note cases of no received study whose objects are to be sent, too."""
        with self._transaction():
            for case_id in case_ids:
                self._run("INSERT OR IGNORE INTO cases VALUES (?, '')", (case_id,))

    def list_studies(self, state: str) -> dict[str, bool]:
        """Return the studies in a state, and whether each is whole."""
        rows = self._run("SELECT study, whole FROM studies WHERE state = ?", (state,))
        return {study: bool(whole) for study, whole in rows}

    def knows_study(self, study: str) -> bool:
        """Return whether something of a study was received before."""
        return bool(self._run("SELECT 1 FROM studies WHERE study = ?", (study,)))

    def list_cases(self) -> list[str]:
        """Return the names of all cases whose objects are to be sent."""
        return [case_id for (case_id,) in self._run("SELECT case_id FROM cases ORDER BY case_id")]

    def queue(self, objects: Iterable[QueuedObject]) -> int:
        """Note objects that are to be sent; return how many were not known yet."""
        now = time.time()
        with self._transaction():
            before = self._connection.total_changes
            for one in objects:
                self._run(
                    "INSERT OR IGNORE INTO objects VALUES (?, ?, ?, ?, ?, ?, 0, 0, '', '', ?)",
                    (one.archive, one.uid, one.name, one.sop_class, one.case_id, WAITING, now),
                )
            return self._connection.total_changes - before

    def knows_object(self, archive: str, uid: str) -> bool:
        """Return whether an object was queued for an archive before."""
        rows = self._run("SELECT 1 FROM objects WHERE archive = ? AND uid = ?", (archive, uid))
        return bool(rows)

    def list_due(self, archive: str, *, most: int, asked_before: float) -> list[QueuedObject]:
        """Return objects that are to be sent to an archive now, the oldest first.

        One that the archive was asked about before a moment, without an answer, is sent again.
        """
        rows = self._run(
            "SELECT archive, uid, sop_class, name, case_id, attempts FROM objects "
            "WHERE archive = ? AND ((state = ? AND due <= ?) OR (state = ? AND due <= ?)) "
            "ORDER BY queued, case_id, uid LIMIT ?",
            (archive, WAITING, time.time(), ASKED, asked_before, most),
        )
        return [
            QueuedObject(
                archive=archive,
                uid=uid,
                sop_class=sop_class,
                name=name,
                case_id=case_id,
                attempts=attempts,
            )
            for archive, uid, sop_class, name, case_id, attempts in rows
        ]

    def note_kept(self, archive: str, uids: Sequence[str], *, asked_as: str = "") -> None:
        """Note that an archive has objects; with `asked_as` only those of that question."""
        with self._transaction():
            for uid in uids:
                self._run(
                    "UPDATE objects SET state = ?, reason = '', asked_as = '' "
                    "WHERE archive = ? AND uid = ? AND ? IN ('', asked_as)",
                    (KEPT, archive, uid, asked_as),
                )

    def note_asked(self, archive: str, uids: Sequence[str], asked_as: str) -> None:
        """Note that an archive took objects and was asked whether it will keep them."""
        with self._transaction():
            for uid in uids:
                self._run(
                    "UPDATE objects SET state = ?, asked_as = ?, due = ?, reason = 'unanswered' "
                    "WHERE archive = ? AND uid = ?",
                    (ASKED, asked_as, time.time(), archive, uid),
                )

    def note_unsent(
        self, archive: str, uid: str, *, reason: str, due: float, asked_as: str = ""
    ) -> None:
        """Note that an archive did not take an object, and when to try again."""
        self._run(
            "UPDATE objects SET state = ?, attempts = attempts + 1, due = ?, reason = ?, "
            "asked_as = '' WHERE archive = ? AND uid = ? AND state <> ? AND ? IN ('', asked_as)",
            (WAITING, due, reason, archive, uid, KEPT, asked_as),
        )

    def list_finished(self) -> list[str]:
        """Return the files of the outbox that every archive has."""
        rows = self._run("SELECT name FROM objects GROUP BY name HAVING min(state = ?)", (KEPT,))
        return [name for (name,) in rows]

    def count(self) -> dict[str, int]:
        """Return how many studies and objects are in each state."""
        counts = dict.fromkeys((RECEIVED, MEASURING, MEASURED, FAILED, WAITING, ASKED, KEPT), 0)
        for table in ("studies", "objects"):
            counts |= dict(self._run(f"SELECT state, count(*) FROM {table} GROUP BY state"))
        return counts

    def tell_oldest(self) -> float | None:
        """Return since when the oldest object waits for its archive [s since the epoch]."""
        ((oldest,),) = self._run("SELECT min(queued) FROM objects WHERE state <> ?", (KEPT,))
        return None if oldest is None else float(oldest)

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._lock:
            self._run("BEGIN IMMEDIATE")
            try:
                yield
                self._run("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise

    def _run(self, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._lock:
            try:
                return self._connection.execute(statement, values).fetchall()
            except sqlite3.Error as error:
                raise NodeMemoryError(folder=str(self._folder)) from error
