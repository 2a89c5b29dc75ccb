"""What persons said is only ever added to: versions, undo, two at once, kills, older ledgers."""

import os
import signal
import sqlite3
import stat
import subprocess
import sys
import textwrap
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from itertools import pairwise
from pathlib import Path

import pytest

from canalmorph.batch.ledger import open_ledger
from canalmorph.batch.ledger_file import LEDGER_FORM
from canalmorph.batch.reviews import ReviewAction, Reviews, open_reviews
from canalmorph.model.corrections import (
    Correction,
    CorrectionKind,
    Review,
    ReviewState,
    decode_correction,
)
from canalmorph.model.femur import Plane, Side
from canalmorph.results_errors import ReviewOutrunError

SAID = {"by": "M. Okoro", "reason": "", "measured_with": "0.1.0 gabc"}


def make_apex(height_mm: float) -> Correction:
    return Correction(
        kind=CorrectionKind.LESSER_TROCHANTER,
        side=Side.LEFT,
        points_lps_mm=((10.0, 20.0, height_mm),),
    )


DROP = Correction(kind=CorrectionKind.DROP_SIDE, side=Side.RIGHT)


@pytest.fixture
def reviews(tmp_path: Path) -> Iterator[Reviews]:
    with open_reviews(tmp_path) as opened:
        yield opened


def test_a_case_of_which_nobody_spoke_is_to_be_seen(reviews: Reviews) -> None:
    assert reviews.get("g1") == Review(case_id="g1")
    assert reviews.list_all() == {}
    assert reviews.get("g1").in_table == ""


def test_a_mark_takes_the_place_of_its_own_kind_only(reviews: Reviews) -> None:
    one = reviews.correct(reviews.get("g1"), make_apex(30.0), **SAID)
    two = reviews.correct(one, DROP, **SAID)
    three = reviews.correct(two, make_apex(31.0), **SAID)
    assert three.corrections == (DROP, make_apex(31.0))
    assert (three.version, three.state) == (3, ReviewState.CORRECTED)
    assert reviews.get("g1") == three
    # What was said before is still there.
    assert reviews.list_entries("g1")[0].new == (make_apex(30.0),)
    assert [entry.by for entry in reviews.list_entries("g1")] == ["M. Okoro"] * 3


def test_undo_goes_back_step_by_step_and_adds_rows(reviews: Reviews) -> None:
    seen = reviews.correct(reviews.get("g1"), make_apex(30.0), **SAID)
    seen = reviews.correct(seen, make_apex(31.0), **SAID)
    seen = reviews.withdraw(seen, make_apex(0.0), **SAID)
    assert seen.corrections == ()
    states = []
    for _ in range(4):
        seen = reviews.undo(seen, **SAID)
        states.append(seen.corrections)
    # The fourth has nothing left to undo, and adds no row.
    assert states == [(make_apex(31.0),), (make_apex(30.0),), (), ()]
    assert seen.version == 6
    assert seen.state is ReviewState.TO_SEE
    # A change after an undo is undone by itself.
    seen = reviews.correct(seen, DROP, **SAID)
    assert reviews.undo(seen, **SAID).corrections == ()


def test_a_second_person_is_told(reviews: Reviews) -> None:
    seen = reviews.get("g1")
    reviews.correct(seen, DROP, **SAID)
    for act in (
        lambda: reviews.correct(seen, make_apex(1.0), **SAID),
        lambda: reviews.say(seen, ReviewAction.SIGN, **SAID),
    ):
        with pytest.raises(ReviewOutrunError, match="g1"):
            act()
    assert reviews.get("g1").corrections == (DROP,)


def test_a_signature_holds_until_a_mark_changes(reviews: Reviews) -> None:
    seen = reviews.correct(reviews.get("g1"), DROP, **SAID)
    seen = reviews.say(seen, ReviewAction.SIGN, **SAID)
    assert (seen.state, seen.by, seen.in_table) == (
        ReviewState.SIGNED,
        "M. Okoro",
        "corrected;signed",
    )
    assert seen.at.startswith("20")
    seen = reviews.say(seen, ReviewAction.COMMENT, **{**SAID, "reason": "Good."})
    assert seen.state is ReviewState.SIGNED
    seen = reviews.withdraw(seen, DROP, **SAID)
    assert (seen.state, seen.by, seen.at) == (ReviewState.TO_SEE, "", "")


def test_a_rejected_case_can_be_opened_again(reviews: Reviews) -> None:
    seen = reviews.say(reviews.get("g1"), ReviewAction.REJECT, **SAID)
    assert seen.in_table == "rejected"
    assert reviews.say(seen, ReviewAction.REOPEN, **SAID).state is ReviewState.TO_SEE


@pytest.mark.parametrize(
    ("action", "said"),
    [
        (ReviewAction.SIGN, {**SAID, "by": " "}),
        (ReviewAction.REJECT, {**SAID, "by": ""}),
        (ReviewAction.COMMENT, SAID),
        (ReviewAction.CORRECT, SAID),
    ],
)
def test_what_says_nothing_is_a_wrong_call(
    reviews: Reviews, action: ReviewAction, said: dict[str, str]
) -> None:
    with pytest.raises(ValueError, match="must"):
        reviews.say(reviews.get("g1"), action, **said)
    assert reviews.list_entries("g1") == ()


WRONG_MARKS = {
    "too few points": {"kind": "lesser_trochanter", "side": "left"},
    "no number": {"kind": "isthmus", "side": "left", "points_lps_mm": [[0, 0, float("nan")]]},
    "no number of any computer": {
        "kind": "isthmus",
        "side": "left",
        "points_lps_mm": [[0, 0, 10**400]],
    },
    "two numbers": {"kind": "isthmus", "side": "left", "points_lps_mm": [[0, 0]]},
    "out of any scanner": {"kind": "isthmus", "side": "left", "points_lps_mm": [[0, 0, 1e6]]},
    "no side": {"kind": "drop_side", "side": None},
    "a side too many": {"kind": "swap_sides", "side": "left"},
    "unknown": {"kind": "knee", "side": "left"},
    "no text": {"kind": ["head"], "side": "left"},
    "no radius": {"kind": "head", "side": "left", "points_lps_mm": [[0, 0, 0]]},
    "a huge head": {
        "kind": "head",
        "side": "left",
        "points_lps_mm": [[0, 0, 0]],
        "radius_mm": 90,
    },
    "a place too many": {"kind": "drop_side", "side": "left", "place": "x"},
    "no plane": {"kind": "plane", "side": "left"},
    "a line too many": {
        "kind": "plane",
        "side": "left",
        "plane": "neck",
        "points_lps_mm": [[0, 0, 0], [1, 0, 0]],
    },
}


@pytest.mark.parametrize("plain", WRONG_MARKS.values(), ids=WRONG_MARKS)
def test_a_mark_that_is_none_is_refused(plain: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"."):
        decode_correction(plain)


def test_every_kind_of_mark_survives_the_ledger(reviews: Reviews) -> None:
    ring = tuple((float(x), 2.0, 3.0) for x in range(8))
    marks = [
        Correction(
            kind=CorrectionKind.HEAD, side=Side.LEFT, points_lps_mm=((1, 2, 3),), radius_mm=23.5
        ),
        Correction(
            kind=CorrectionKind.PLANE,
            side=Side.LEFT,
            points_lps_mm=((0.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
            plane=Plane.HAND,
        ),
        Correction(
            kind=CorrectionKind.CANAL_OUTLINE, side=Side.RIGHT, place="a", points_lps_mm=ring
        ),
        Correction(
            kind=CorrectionKind.CANAL_OUTLINE, side=Side.RIGHT, place="b", points_lps_mm=ring
        ),
        Correction(kind=CorrectionKind.SWAP_SIDES, side=None),
    ]
    seen = reviews.get("g1")
    for mark in marks:
        seen = reviews.correct(seen, mark, **SAID)
    assert reviews.get("g1").corrections == tuple(marks)


def test_a_run_does_not_touch_reviews(tmp_path: Path) -> None:
    with open_reviews(tmp_path) as reviews, open_ledger(tmp_path) as ledger:
        reviews.correct(reviews.get("g1"), DROP, **SAID)
        assert list(ledger.list_refusals()) == []
    with open_reviews(tmp_path) as reviews:
        assert reviews.get("g1").corrections == (DROP,)


def make_form_1(folder: Path) -> Path:
    """Make a ledger as the first version left it, with one refusal."""
    file = folder / "ledger.sqlite"
    with open_ledger(folder):
        pass
    connection = sqlite3.connect(file)
    connection.executescript(
        "DROP TABLE review_log; DROP TABLE reviews; PRAGMA user_version = 1;"
        "INSERT INTO refusals VALUES ('g9', 0, 'g9', 'read', 'a', 'b', 'c', '', '', '');"
    )
    connection.close()
    return file


def test_an_older_ledger_is_copied_and_brought_up(tmp_path: Path) -> None:
    make_form_1(tmp_path)
    with open_reviews(tmp_path) as reviews:
        reviews.correct(reviews.get("g1"), DROP, **SAID)
    with open_ledger(tmp_path) as ledger:
        assert [name for name, _ in ledger.list_refusals()] == ["g9"]
    copy = tmp_path / "ledger.form1.sqlite"
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    old = sqlite3.connect(copy)
    assert old.execute("PRAGMA user_version").fetchone() == (1,)
    assert old.execute("SELECT case_id FROM refusals").fetchall() == [("g9",)]
    old.close()
    new = sqlite3.connect(tmp_path / "ledger.sqlite")
    assert new.execute("PRAGMA user_version").fetchone() == (LEDGER_FORM,)
    new.close()


WRITER = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from canalmorph.batch.reviews import open_reviews
    from canalmorph.model.corrections import Correction, CorrectionKind
    from canalmorph.model.femur import Side

    with open_reviews(Path(sys.argv[1])) as reviews:
        seen = reviews.get("g1")
        for step in range(100_000):
            mark = Correction(
                kind=CorrectionKind.ISTHMUS, side=Side.LEFT, points_lps_mm=((step, 0, 0),)
            )
            seen = reviews.correct(seen, mark, by="x", reason="", measured_with="")
            print(seen.version, flush=True)
    """
)


def test_a_kill_leaves_the_old_or_the_new_never_half(tmp_path: Path) -> None:
    said = 0
    for n_rows in (1, 7, 20):
        writer = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True
        )
        assert writer.stdout is not None
        for _ in range(n_rows):
            said = int(writer.stdout.readline())
        os.kill(writer.pid, signal.SIGKILL)
        writer.wait()
        writer.stdout.close()
        with open_reviews(tmp_path) as reviews:
            held, entries = reviews.get("g1"), reviews.list_entries("g1")
        # What was said to be done is there, and the log and what holds are of one version.
        assert held.version >= said
        assert [entry.version for entry in entries] == list(range(1, held.version + 1))
        assert entries[-1].new == held.corrections
        assert all(one.new == other.old for one, other in pairwise(entries))


def test_threads_of_one_page_take_turns(reviews: Reviews) -> None:
    def correct(number: int) -> int:
        seen = reviews.get(f"g{number}")
        for step in range(10):
            seen = reviews.correct(seen, make_apex(float(step)), **SAID)
        return seen.version

    with ThreadPoolExecutor(8) as pool:
        assert list(pool.map(correct, range(8))) == [10] * 8
    assert {name: one.version for name, one in reviews.list_all().items()} == {
        f"g{number}": 10 for number in range(8)
    }
