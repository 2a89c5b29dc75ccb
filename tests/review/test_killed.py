"""A review killed at any moment: the ledger holds the old word or the new one, never half."""

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from itertools import pairwise
from pathlib import Path

import pytest

from canalmorph.batch.reviews import open_reviews
from canalmorph.review.desk import open_desk

#: A kill falls within so many corrections after the first.
N_KILLS, N_WAITED = 20, 1.5
#: Corrects without end, and writes down each version that it was told.
CORRECTS = textwrap.dedent(
    """
    import sys
    from pathlib import Path
    from canalmorph.batch.reviews import ReviewAction
    from canalmorph.measure import facts, rods
    from canalmorph.model.corrections import Correction, CorrectionKind
    from canalmorph.model.femur import Side
    from canalmorph.pipeline import Settings, correct_femur
    from canalmorph.review.desk import open_desk

    facts.measure_rods = lambda *args: rods.put_off_rods()
    results, told = Path(sys.argv[1]), Path(sys.argv[2])
    with open_desk(results) as desk:
        (case_id,) = [path.name for path in (results / "cases").iterdir()]
        femur = desk.open_case(case_id).automatic_aligned[0]

        def mark_at(up):
            apex = femur.lesser_trochanter.apex_lps_mm + up * femur.frame.proximal
            return Correction(
                kind=CorrectionKind.LESSER_TROCHANTER,
                side=Side.RIGHT,
                points_lps_mm=(tuple(apex.tolist()),),
            )

        # What is compiled is loaded before the first correction.
        correct_femur(femur, [mark_at(0.5)], Settings(), brief=True)
        while True:
            version = desk.reviews.get(case_id).version
            mark = mark_at(1.0 + version % 7)
            told.write_text(f"{version}")
            desk.change(case_id, ReviewAction.CORRECT, version=version, by="x", mark=mark)
            told.write_text(f"{version + 1}")
    """
)


def read_told(told: Path) -> int:
    """Return the version that was told last; -1 where that is not whole."""
    return int((told.read_text() if told.exists() else "") or -1)


def kill_at_any_moment(results: Path, told: Path, share: float) -> int:
    """Return the version that was told last before the kill, some time after one correction."""
    told.unlink(missing_ok=True)
    process = subprocess.Popen(
        [sys.executable, "-c", CORRECTS, str(results), str(told)],
        env={**os.environ, "NUMBA_NUM_THREADS": "1"},
    )
    patience = time.monotonic() + 300.0
    first, started = -1, time.monotonic()
    while first < 0 or read_told(told) <= first:
        assert process.poll() is None
        assert time.monotonic() < patience
        if first < 0:
            first, started = read_told(told), time.monotonic()
        time.sleep(0.005)
    time.sleep(share * N_WAITED * (time.monotonic() - started))
    process.send_signal(signal.SIGKILL)
    assert process.wait() == -signal.SIGKILL
    return read_told(told)


@pytest.mark.slow
def test_twenty_kills_at_random_moments_leave_whole_records(
    results: Path, case_id: str, tmp_path: Path
) -> None:
    chance = random.Random(7)
    told, before = tmp_path / "told", 0
    seen = []
    for _ in range(N_KILLS):
        version = kill_at_any_moment(results, told, chance.random())
        with open_reviews(results) as reviews:
            held, entries = reviews.get(case_id), reviews.list_entries(case_id)
        # What was told stands; of what was under way, all or nothing. -1: killed in telling.
        assert version == -1 or version <= held.version <= version + 1
        assert held.version >= before
        before = held.version
        assert [entry.version for entry in entries] == list(range(1, held.version + 1))
        for entry, after in pairwise(entries):
            assert after.old == entry.new
        assert held.corrections == (entries[-1].new if entries else ())
        ledger = sqlite3.connect(results / "ledger.sqlite")
        assert ledger.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        ledger.close()
        for path in (results / "cases" / case_id).glob("*.json"):
            json.loads(path.read_bytes())
        seen.append(held.version)
    assert seen[-1] >= N_KILLS  # a correction went through before each kill
    with open_desk(results) as desk:
        opened = desk.open_case(case_id)
        assert opened.review.version == seen[-1]
        assert opened.corrected.unfit == ()
        desk.write_due()
    (row,) = [
        line for line in (results / "femurs.csv").read_text("utf-8").splitlines() if case_id in line
    ]
    assert "corrected" in row
