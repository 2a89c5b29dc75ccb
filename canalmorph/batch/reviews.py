"""What persons said of cases: a log in the ledger to which rows are only ever added.

Each row has the number that follows the last one, so that two people who start from the same state
cannot both go on: the second is told. What holds is written beside the log in the same
transaction, and can be told from the log alone.
"""

import json
import sqlite3
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from canalmorph.batch.folder import LEDGER_NAME
from canalmorph.batch.ledger import Ledger
from canalmorph.batch.ledger_file import (
    hold_transaction,
    name_ledger_errors,
    open_ledger_file,
    tell_time,
)
from canalmorph.model.corrections import (
    Correction,
    Review,
    ReviewState,
    decode_correction,
)
from canalmorph.results_errors import ReviewOutrunError

#: Typed texts are cut here.
LONGEST_NAME, LONGEST_REASON = 80, 2000


class ReviewAction(StrEnum):
    """What a row of the log does."""

    CORRECT = "correct"
    WITHDRAW = "withdraw"
    UNDO = "undo"
    COMMENT = "comment"
    SIGN = "sign"
    REJECT = "reject"
    REOPEN = "reopen"


#: Actions that change what is measured.
CHANGES = (ReviewAction.CORRECT, ReviewAction.WITHDRAW, ReviewAction.UNDO)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewEntry:
    """One row of the log.

    Attributes
    ----------
    version : int
        Its number in the case, from 1.
    at, by : str
        When (ISO 8601) and who, as typed.
    action : ReviewAction
        What was done.
    old, new : tuple of Correction
        The marks that held before and after; the same where the action leaves them.
    reason : str
        As typed: why, or the comment.
    measured_with : str
        Version and settings of the case's numbers, and the hash of its input.
    """

    version: int
    at: str
    by: str
    action: ReviewAction
    old: tuple[Correction, ...]
    new: tuple[Correction, ...]
    reason: str
    measured_with: str


@contextmanager
def open_reviews(folder: Path) -> Iterator["Reviews"]:
    """Give the reviews of a results folder; a run may write to it at the same time.

    Raises
    ------
    ResultsLedgerError, ResultsNotWritableError
        If the ledger cannot be read or written.
    """
    with open_ledger_file(folder) as connection:
        # A case's folder brings back a line of the ledger that a power cut took, and no signature.
        connection.execute("PRAGMA synchronous = FULL")
        yield Reviews(connection, folder)


def read_reviews(folder: Path) -> dict[str, Review]:
    """Return what holds of the cases of a results folder; nothing where it has no ledger.

    Raises
    ------
    ResultsLedgerError, ResultsNotWritableError
        As `open_reviews`.
    """
    if not (folder / LEDGER_NAME).is_file():
        return {}
    with open_reviews(folder) as reviews:
        return reviews.list_all()


class Reviews:
    """The reviews of one results folder."""

    def __init__(self, connection: sqlite3.Connection, folder: Path) -> None:
        self._connection, self._folder = connection, folder
        # One connection serves several threads: a transaction of one is no place for another.
        self._turn = threading.RLock()

    @classmethod
    def of(cls, ledger: Ledger) -> "Reviews":
        """Return the reviews of a ledger that this process holds."""
        return cls(ledger.connection, ledger.folder)

    def get(self, case_id: str) -> Review:
        """Return what holds of a case."""
        for review in self._read("WHERE case_id = ?", (case_id,)):
            return review
        return Review(case_id=case_id)

    def list_all(self) -> dict[str, Review]:
        """Return what holds of every case of which anything was said."""
        return {review.case_id: review for review in self._read("", ())}

    def list_entries(self, case_id: str) -> tuple[ReviewEntry, ...]:
        """Return the log of a case, from the first row."""
        rows = self._run(
            "SELECT version, at, by, action, old, new, reason, measured_with FROM review_log "
            "WHERE case_id = ? ORDER BY version",
            (case_id,),
        )
        return tuple(
            ReviewEntry(
                version=version,
                at=at,
                by=by,
                action=ReviewAction(action),
                old=_decode_marks(old),
                new=_decode_marks(new),
                reason=reason,
                measured_with=measured_with,
            )
            for version, at, by, action, old, new, reason, measured_with in rows
        )

    def correct(self, seen: Review, mark: Correction, **said: str) -> Review:
        """Set a mark; one of the same slot gives way to it.

        Parameters
        ----------
        seen : Review
            What the person saw when deciding.
        mark : Correction
            The mark.
        **said : str
            ``by``, ``reason`` and ``measured_with``, as of `ReviewEntry`.

        Raises
        ------
        ReviewOutrunError
            If somebody else has gone on from what the person saw.
        """
        others = tuple(one for one in seen.corrections if one.slot != mark.slot)
        return self._add(seen, ReviewAction.CORRECT, (*others, mark), said)

    def withdraw(self, seen: Review, mark: Correction, **said: str) -> Review:
        """Take a mark away; parameters and errors as of `correct`."""
        left = tuple(one for one in seen.corrections if one.slot != mark.slot)
        return self._add(seen, ReviewAction.WITHDRAW, left, said)

    def undo(self, seen: Review, **said: str) -> Review:
        """Go back by one change of marks, which was not undone before; a row more, none less.

        Parameters and errors as of `correct`; without such a change nothing happens.
        """
        done: list[ReviewEntry] = []
        for entry in self.list_entries(seen.case_id):
            if entry.action is ReviewAction.UNDO:
                done.pop()
            elif entry.action in CHANGES:
                done.append(entry)
        return self._add(seen, ReviewAction.UNDO, done[-1].old, said) if done else seen

    def say(self, seen: Review, action: ReviewAction, **said: str) -> Review:
        """Comment, sign, reject or reopen; parameters and errors as of `correct`.

        Raises
        ------
        ValueError
            If who signs or rejects is not named, a comment is empty, or the action needs a mark.
        """
        if action in CHANGES:
            raise ValueError(f"'action' must leave the marks as they are, got {action}.")
        if action in (ReviewAction.SIGN, ReviewAction.REJECT) and not said["by"].strip():
            raise ValueError("'by' must name who signs or rejects.")
        if action is ReviewAction.COMMENT and not said["reason"].strip():
            raise ValueError("'reason' must hold the comment.")
        return self._add(seen, action, seen.corrections, said)

    def _add(
        self,
        seen: Review,
        action: ReviewAction,
        marks: Sequence[Correction],
        said: dict[str, str],
    ) -> Review:
        by = said["by"].strip()[:LONGEST_NAME]
        reason = said["reason"].strip()[:LONGEST_REASON]
        with self._turn, hold_transaction(self._connection, self._folder):
            held = self.get(seen.case_id)
            if held.version != seen.version:
                raise ReviewOutrunError(case=seen.case_id)
            new = _go_on(held, action, tuple(marks), by, tell_time(), said["measured_with"])
            self._run(
                "INSERT INTO review_log VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    new.case_id,
                    new.version,
                    tell_time(),
                    _make_storable(by),
                    action.value,
                    _encode_marks(held.corrections),
                    _encode_marks(new.corrections),
                    _make_storable(reason),
                    said["measured_with"],
                ),
            )
            self._run(
                "INSERT OR REPLACE INTO reviews VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                (
                    new.case_id,
                    new.version,
                    new.state.value,
                    _make_storable(new.by),
                    new.at,
                    new.measured_with,
                    _make_storable(new.marked_by),
                    _encode_marks(new.corrections),
                ),
            )
        return new

    def _read(self, where: str, values: tuple[Any, ...]) -> Iterator[Review]:
        rows = self._run(
            "SELECT case_id, version, state, by, at, measured_with, marked_by, corrections "
            "FROM reviews " + where,
            values,
        )
        for case_id, version, state, by, at, measured_with, marked_by, marks in rows:
            yield Review(
                case_id=case_id,
                version=version,
                state=ReviewState(state),
                corrections=_decode_marks(marks),
                by=by,
                at=at,
                measured_with=measured_with,
                marked_by=marked_by,
            )

    def _run(self, statement: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        with self._turn, name_ledger_errors(self._folder):
            return self._connection.execute(statement, values).fetchall()


def _go_on(
    held: Review,
    action: ReviewAction,
    marks: tuple[Correction, ...],
    by: str,
    at: str,
    measured_with: str,
) -> Review:
    """Return what holds after an action."""
    new = replace(held, version=held.version + 1, corrections=marks)
    if action is ReviewAction.COMMENT:
        return new
    if action in (ReviewAction.SIGN, ReviewAction.REJECT):
        signed = action is ReviewAction.SIGN
        return replace(
            new,
            state=ReviewState.SIGNED if signed else ReviewState.REJECTED,
            by=by,
            at=at,
            measured_with=measured_with,
        )
    # A change after the signature is not signed.
    state = ReviewState.CORRECTED if marks else ReviewState.TO_SEE
    marked_by = by if action in CHANGES else held.marked_by
    return replace(new, state=state, by="", at="", measured_with="", marked_by=marked_by)


def _encode_marks(marks: Sequence[Correction]) -> str:
    return json.dumps([mark.to_plain() for mark in marks], separators=(",", ":"))


def _decode_marks(text: str) -> tuple[Correction, ...]:
    return tuple(decode_correction(plain) for plain in json.loads(text))


def _make_storable(text: str) -> str:
    return text.encode("utf-8", "replace").decode()
