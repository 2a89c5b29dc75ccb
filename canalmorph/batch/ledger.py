"""``ledger.sqlite``: what became of every input, and when; written by one process only."""

import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canalmorph.batch.fingerprint import InputMark
from canalmorph.batch.ledger_file import (
    hold_transaction,
    name_ledger_errors,
    open_ledger_file,
    tell_time,
)
from canalmorph.model.femur import Side
from canalmorph.model.results import Refusal

QUEUED, RUNNING, MEASURED, REFUSED, FAILED = "queued", "running", "measured", "refused", "failed"
#: A refusal and the name of the case or input that it is about.
NamedRefusal = tuple[str, Refusal]


@dataclass(frozen=True, slots=True, kw_only=True)
class Terms:
    """What a case was measured with: its results hold for as long as these are the same."""

    settings_hash: str
    software_version: str
    deidentified: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One line of the ledger: an input in one state of its files.

    Attributes
    ----------
    work_id : str
        Keyed name of the input, known before it is read.
    mark : InputMark
        Of its files.
    case_id : str
        Keyed name of the case; that of the input until it is read.
    state, reason : str
        ``queued``, ``running``, ``measured``, ``refused`` or ``failed``, and the code why.
    source : str
        Relative to the input, or a keyed hash of it.
    terms : Terms
        Of the latest measuring.
    seconds : float or None
        For the latest measuring. [s]
    """

    work_id: str
    mark: InputMark
    case_id: str
    state: str
    source: str
    terms: Terms
    reason: str = ""
    seconds: float | None = None


@contextmanager
def open_ledger(folder: Path) -> Iterator["Ledger"]:
    """Give the ledger of a results folder that this process holds; make it where it is missing.

    Raises
    ------
    ResultsLedgerError
        If the ledger is damaged or of a newer form.
    ResultsNotWritableError
        If it cannot be made or written.
    """
    with open_ledger_file(folder) as connection:
        yield Ledger(connection, folder)


class Ledger:
    """The lines of one results folder."""

    def __init__(self, connection: sqlite3.Connection, folder: Path) -> None:
        self.connection, self.folder = connection, folder
        self._touched: set[str] = set()

    def find(self, work_id: str, mark: InputMark) -> Entry | None:
        """Return the line of an input whose files have this content, if there is one.

        A file that was measured under another name is known by its content.
        """
        rows = self._run(
            "SELECT work_id, input_dated_hash, case_id, state, reason, source, settings_hash, "
            "software_version, deidentified, seconds FROM cases "
            "WHERE input_hash = ? AND (work_id = ? OR state = ?) ORDER BY work_id = ? DESC LIMIT 1",
            (mark.content, work_id, MEASURED, work_id),
        )
        for (
            work_id,
            dated,
            case_id,
            state,
            reason,
            source,
            settings_hash,
            version,
            hidden,
            seconds,
        ) in rows:
            return Entry(
                work_id=work_id,
                mark=InputMark(content=mark.content, dated=dated),
                case_id=case_id,
                state=state,
                reason=reason,
                source=source,
                terms=Terms(
                    settings_hash=settings_hash, software_version=version, deidentified=bool(hidden)
                ),
                seconds=seconds,
            )
        return None

    def list_measured(self) -> set[str]:
        """Return the names of the cases that are measured."""
        rows = self._run("SELECT case_id FROM cases WHERE state = ?", (MEASURED,))
        return {case_id for (case_id,) in rows}

    def queue(self, entries: Iterable[Entry]) -> None:
        """Note inputs that will be measured, all at once."""
        with hold_transaction(self.connection, self.folder):
            for entry in entries:
                self._put(entry, queued_at=tell_time(), attempts=0)

    def start(self, entry: Entry) -> None:
        """Note that a process begins with an input."""
        self._run(
            "UPDATE cases SET state = ?, attempts = attempts + 1, started_at = ? "
            "WHERE work_id = ? AND input_hash = ?",
            (RUNNING, tell_time(), entry.work_id, entry.mark.content),
        )

    def finish(
        self, entry: Entry, refusals: Sequence[NamedRefusal], *, covered: Sequence[str] = ()
    ) -> None:
        """Note the end of an input, and what was refused of it.

        A case that was measured, or refused, from other files before is the case of these now;
        `covered` names other series that went into it.
        """
        with hold_transaction(self.connection, self.folder):
            self._run(
                "DELETE FROM cases WHERE case_id = ? AND NOT (work_id = ? AND input_hash = ?)",
                (entry.case_id, entry.work_id, entry.mark.content),
            )
            self._put(entry, ended_at=tell_time())
            for name in (entry.case_id, *covered):
                self._run("DELETE FROM refusals WHERE case_id = ?", (name,))
            self._touched.discard(entry.work_id)
            self._replace_refusals(entry.work_id, refusals)

    def note_unread(self, entry: Entry, refusal: Refusal) -> None:
        """Note why a series was not read; several of one run and name stand beside each other."""
        with hold_transaction(self.connection, self.folder):
            self._run("DELETE FROM cases WHERE case_id = ?", (entry.case_id,))
            self._put(entry, ended_at=tell_time())
            self._replace_refusals(entry.case_id, [(entry.case_id, refusal)])

    def list_unread(self) -> list[tuple[str, str]]:
        """Return name and source of what was not read, where the source is in plain words."""
        rows = self._run(
            "SELECT work_id, source FROM cases "
            "WHERE input_hash = '' AND state = ? AND deidentified = 0",
            (REFUSED,),
        )
        return [(name, source) for name, source in rows]

    def forget_unread(self, name: str) -> None:
        """Drop what was noted of a place that could not be read."""
        with hold_transaction(self.connection, self.folder):
            self._run("DELETE FROM cases WHERE work_id = ? AND input_hash = ''", (name,))
            self._run("DELETE FROM refusals WHERE owner = ?", (name,))

    def list_refusals(self, owner: str = "") -> Iterator[NamedRefusal]:
        """Yield refusals with the names they go by, all of them or those of one input."""
        rows = self._run(
            "SELECT case_id, stage, code, message, source, side, tag, warnings FROM refusals "
            "WHERE ? IN ('', owner) ORDER BY case_id, owner, position",
            (owner,),
        )
        for case_id, stage, code, message, source, side, tag, warnings in rows:
            yield (
                case_id,
                Refusal(
                    stage=stage,
                    code=code,
                    message=message,
                    source=source,
                    side=Side(side) if side else None,
                    tag=tag,
                    warnings=tuple(warnings.split()),
                ),
            )

    def _replace_refusals(self, owner: str, refusals: Sequence[NamedRefusal]) -> None:
        first = 0
        if owner in self._touched:
            rows = self._run("SELECT count(*) FROM refusals WHERE owner = ?", (owner,))
            ((first,),) = rows
        else:
            self._run("DELETE FROM refusals WHERE owner = ?", (owner,))
        self._touched.add(owner)
        for position, (case_id, one) in enumerate(refusals, start=first):
            side = "" if one.side is None else one.side.value
            warnings = " ".join(one.warnings)
            cells = (case_id, one.stage, one.code, one.message, one.source, side, one.tag, warnings)
            self._run(
                "INSERT INTO refusals VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (owner, position, *(text.encode("utf-8", "replace").decode() for text in cells)),
            )

    def _put(self, entry: Entry, **others: str | int) -> None:
        """Write a line; times and attempts that are not given stay as they are."""
        columns = {
            "work_id": entry.work_id,
            "input_hash": entry.mark.content,
            "input_dated_hash": entry.mark.dated,
            "case_id": entry.case_id,
            "state": entry.state,
            "reason": entry.reason,
            "source": entry.source.encode("utf-8", "replace").decode(),
            "settings_hash": entry.terms.settings_hash,
            "software_version": entry.terms.software_version,
            "deidentified": int(entry.terms.deidentified),
            "seconds": entry.seconds,
            **others,
        }
        names, marks = ", ".join(columns), ", ".join("?" * len(columns))
        changes = ", ".join(f"{name} = excluded.{name}" for name in columns)
        self._run(
            f"INSERT INTO cases ({names}) VALUES ({marks}) "
            f"ON CONFLICT (work_id, input_hash) DO UPDATE SET {changes}",
            tuple(columns.values()),
        )

    def _run(self, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with name_ledger_errors(self.folder):
            return self.connection.execute(statement, values).fetchall()
