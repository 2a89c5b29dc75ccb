"""The cases of a results folder as rows to page, filter and sort; made again where it is missing.

A file of its own beside the ledger: nothing in it cannot be read from the cases' folders and the
ledger again.
"""

import json
import os
import sqlite3
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from canalmorph.batch.digest import DIGEST_NAME, RECORD_NAME, read_digest
from canalmorph.batch.reviews import Reviews
from canalmorph.batch.shown import ShownCase, read_shown
from canalmorph.errors import CanalMorphError
from canalmorph.model.corrections import Review, ReviewState
from canalmorph.report.brief import summarise_letter, summarise_shape

INDEX_NAME = ".review_list.sqlite"
INDEX_FORM = 2
PAGE_ROWS = 50
#: What a list can be sorted by, and the order that stands for it.
SORTS = {
    "case": "case_id",
    "state": "state_order",
    "cfi": "cfi",
    "flags": "n_flags",
    "seen": "reviewed_at",
}
_STATE_ORDER = {state: place for place, state in enumerate(ReviewState)}
_TABLE = """
CREATE TABLE IF NOT EXISTS listed (
    case_id TEXT PRIMARY KEY, stamp TEXT NOT NULL,
    state TEXT NOT NULL, state_order INTEGER NOT NULL,
    shapes TEXT NOT NULL, fixations TEXT NOT NULL, flags TEXT NOT NULL, n_flags INTEGER NOT NULL,
    cfi REAL, reviewed_at TEXT NOT NULL, shown TEXT NOT NULL
) WITHOUT ROWID
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class ListQuery:
    """What part of the list is asked for; empty texts ask for all.

    Raises
    ------
    ValueError
        If the page or the order is none.
    """

    page: int = 0
    state: str = ""
    shape: str = ""
    fixation: str = ""
    flag: str = ""
    text: str = ""
    sort: str = "case"
    down: bool = False

    def __post_init__(self) -> None:
        if self.page < 0 or self.sort not in SORTS:
            raise ValueError(f"'sort' must be one of {', '.join(SORTS)}, and 'page' not negative.")


class CaseIndex:
    """The list of one results folder."""

    def __init__(self, results: Path, name_reader: Callable[[str], str]) -> None:
        self._results, self._name_reader = results, name_reader
        self._lock = threading.Lock()
        self._connection = self._open(results / INDEX_NAME)

    def close(self) -> None:
        """Free the file."""
        self._connection.close()

    def _open(self, file: Path) -> sqlite3.Connection:
        for _ in range(2):
            # For its owner only: it names who signed.
            with suppress(OSError):
                os.close(os.open(file, os.O_RDWR | os.O_CREAT, 0o600))
            connection = sqlite3.connect(file, isolation_level=None, check_same_thread=False)
            try:
                (form,) = connection.execute("PRAGMA user_version").fetchone()
                if form in (0, INDEX_FORM):
                    connection.execute("PRAGMA synchronous = OFF")
                    connection.execute(_TABLE)
                    connection.execute(f"PRAGMA user_version = {INDEX_FORM}")
                    return connection
            except sqlite3.DatabaseError:
                pass
            # Damaged, or of another version: it is made again.
            connection.close()
            file.unlink(missing_ok=True)
        return sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)

    def refresh(self, reviews: Reviews) -> None:
        """Bring the list up to what lies in the folder and in the ledger."""
        held = reviews.list_all()
        with self._lock:
            known = dict(self._connection.execute("SELECT case_id, stamp FROM listed"))
            here = {path.parent.name: path for path in self._results.glob(f"cases/*/{RECORD_NAME}")}
            here = {name: path for name, path in here.items() if not name.startswith(".")}
            self._connection.execute("BEGIN")
            try:
                for name in known.keys() - here.keys():
                    self._connection.execute("DELETE FROM listed WHERE case_id = ?", (name,))
                for name, path in here.items():
                    stamp = _make_stamp(path.parent, held.get(name))
                    if known.get(name) != stamp:
                        self._put(path.parent, stamp, held.get(name))
            finally:
                self._connection.execute("COMMIT")

    def note(self, case_folder: Path, review: Review) -> None:
        """Bring one case's row up to date."""
        with self._lock:
            self._put(case_folder, _make_stamp(case_folder, review), review)

    def note_state(self, case_folder: Path, review: Review) -> None:
        """Bring the state of one case's row up to date; its numbers may follow by `note`."""
        with self._lock:
            found = self._connection.execute(
                "SELECT shown FROM listed WHERE case_id = ?", (case_folder.name,)
            ).fetchone()
            if found is None:
                return
            line = json.loads(found[0]) | _describe_state(review, read_terms(case_folder))
            self._connection.execute(
                "UPDATE listed SET stamp = ?, state = ?, state_order = ?, reviewed_at = ?, "
                "shown = ? WHERE case_id = ?",
                (
                    _make_stamp(case_folder, review),
                    review.state.value,
                    _STATE_ORDER[review.state],
                    review.at,
                    json.dumps(line, separators=(",", ":")),
                    case_folder.name,
                ),
            )

    def _put(self, case_folder: Path, stamp: str, review: Review | None) -> None:
        with suppress(CanalMorphError, OSError):  # the tables tell of a damaged record
            shown = read_shown(case_folder, review, name_reader=self._name_reader)
            row = _make_row(case_folder.name, stamp, shown, review, read_terms(case_folder))
            marks = ", ".join("?" * len(row))
            self._connection.execute(f"INSERT OR REPLACE INTO listed VALUES ({marks})", row)

    def read_page(self, query: ListQuery) -> dict[str, Any]:
        """Return the rows of a page, how many there are in all, and how many of each state."""
        where, values = _make_where(query)
        direction = "DESC" if query.down else "ASC"
        order = SORTS[query.sort]
        with self._lock:
            (total,) = self._connection.execute(
                f"SELECT count(*) FROM listed {where}", values
            ).fetchone()
            rows = self._connection.execute(
                f"SELECT shown FROM listed {where} "
                f"ORDER BY {order} IS NULL, {order} {direction}, case_id LIMIT ? OFFSET ?",
                (*values, PAGE_ROWS, PAGE_ROWS * query.page),
            ).fetchall()
            counts = dict(
                self._connection.execute("SELECT state, count(*) FROM listed GROUP BY state")
            )
            flags = self._connection.execute("SELECT DISTINCT flags FROM listed").fetchall()
        return {
            "total": total,
            "page_rows": PAGE_ROWS,
            "counts": counts,
            "flags": sorted({one for (text,) in flags for one in text.split()}),
            "rows": [json.loads(shown) for (shown,) in rows],
        }

    def find_neighbours(self, query: ListQuery, case_id: str) -> tuple[str, str]:
        """Return the cases before and after one in the list; empty at its ends."""
        where, values = _make_where(query)
        direction = "DESC" if query.down else "ASC"
        order = SORTS[query.sort]
        with self._lock:
            names = [
                name
                for (name,) in self._connection.execute(
                    f"SELECT case_id FROM listed {where} "
                    f"ORDER BY {order} IS NULL, {order} {direction}, case_id",
                    values,
                )
            ]
        if case_id not in names:
            return "", names[0] if names else ""
        place = names.index(case_id)
        before = names[place - 1] if place else ""
        return before, names[place + 1] if place + 1 < len(names) else ""


def read_terms(case_folder: Path) -> str:
    """Return what a case was measured with: version, settings and the hash of its input."""
    digest = read_digest(case_folder)
    if digest is None:
        return ""
    terms = digest.terms
    return f"{terms.software_version} {terms.settings_hash} {digest.input_hash[:12]}"


def _make_stamp(case_folder: Path, review: Review | None) -> str:
    """Return what changes where a row must be made again."""
    parts = [str(0 if review is None else review.version)]
    for name in (DIGEST_NAME, RECORD_NAME):
        try:
            parts.append(str((case_folder / name).stat().st_mtime_ns))
        except OSError:
            parts.append("absent")
    return " ".join(parts)


def _make_row(
    case_id: str, stamp: str, shown: ShownCase, review: Review | None, terms: str
) -> tuple[Any, ...]:
    review = review or Review(case_id=case_id)
    femora = [dict(femur) for femur in shown.femora]
    flags = sorted({code for femur in femora for code in str(femur["warnings"]).split(";") if code})
    numbers = [femur["cfi_ml"] for femur in femora if isinstance(femur["cfi_ml"], float)]
    line = {
        "case": case_id,
        **_describe_state(review, terms),
        "unfit": len(shown.unfit),
        "flags": flags,
        "refused": [
            {"side": "" if one.side is None else one.side.value, "code": one.code}
            for one in shown.refusals
        ],
        "femora": [
            {
                **{name: femur[name] for name in ("side", "status", "fixation", "cfi_ml")},
                "shape": summarise_shape(femur),
                "letter": summarise_letter(femur),
            }
            for femur in femora
        ],
        "pictures": [femur["side"] for femur in femora if femur["side"] in shown.thumbnails],
    }
    return (
        case_id,
        stamp,
        review.state.value,
        _STATE_ORDER[review.state],
        " ".join(sorted({str(femur["canal_shape"]) for femur in femora})),
        " ".join(sorted({str(femur["fixation"]) for femur in femora})),
        " ".join(flags),
        len(flags),
        min(numbers, default=None),
        review.at,
        json.dumps(line, separators=(",", ":")),
    )


def _describe_state(review: Review, terms: str) -> dict[str, Any]:
    return {
        "state": review.state.value,
        "by": review.by,
        "at": review.at,
        "corrected": bool(review.corrections),
        "measured_anew": bool(review.measured_with) and review.measured_with != terms,
    }


def _make_where(query: ListQuery) -> tuple[str, tuple[str, ...]]:
    """Return the condition and its values; nothing that was typed becomes part of the statement."""
    parts, values = [], []
    if query.state:
        parts.append("state = ?")
        values.append(query.state)
    for column, wanted in (
        ("shapes", query.shape),
        ("fixations", query.fixation),
        ("flags", query.flag),
    ):
        if wanted:
            parts.append(f"instr(' ' || {column} || ' ', ' ' || ? || ' ') > 0")
            values.append(wanted)
    if query.text:
        parts.append("instr(case_id, ?) > 0")
        values.append(query.text)
    return (f"WHERE {' AND '.join(parts)}" if parts else ""), tuple(values)
