"""What a person does to a case: in the ledger, in the tables, on the report, and after a kill."""

import csv
import os
import signal
import subprocess
import sys
import textwrap
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from canalmorph.batch.outcomes import BatchOptions, MeasureScan
from canalmorph.batch.redraw import draw_reviewed
from canalmorph.batch.reviews import ReviewAction, open_reviews
from canalmorph.batch.run import measure_inputs
from canalmorph.cohort.selection import select_rows
from canalmorph.measure.rods import put_off_rods
from canalmorph.model.corrections import Correction, CorrectionKind, ReviewState
from canalmorph.model.femur import Plane, Side
from canalmorph.pipeline import Settings, measure_aligned
from canalmorph.review.behind import BEHIND_NAME, TablesBehind
from canalmorph.review.desk import ReviewDesk, open_desk
from canalmorph.review.warming import load_compiled

Do = Callable[..., dict[str, Any]]
MOVE_MM = 4.0


def read_table(results: Path, name: str) -> list[dict[str, str]]:
    with (results / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def move_trochanter(client: Any, case_id: str, do: Do, up_mm: float = MOVE_MM) -> dict[str, Any]:
    apex = client.get(f"/api/cases/{case_id}").json()["sides"][0]["apex"]
    point = [*apex[:2], up_mm]
    mark = {"kind": "lesser_trochanter", "side": "right", "points_mm": [point]}
    return do("correct", mark=mark, reason="The bump is higher.")


def test_a_mark_is_shown_beside_what_was_measured(client: Any, case_id: str, do: Do) -> None:
    told = move_trochanter(client, case_id, do)
    assert (told["version"], told["state"]) == (1, "corrected")
    numbers = {row["column"]: row for row in told["sides"][0]["numbers"]}
    level = numbers["isthmus_level_mm"]
    assert level["changed"]
    assert level["automatic"] != level["now"]
    assert not numbers["head_diameter_mm"]["changed"]
    (entry,) = told["log"]
    assert (entry["by"], entry["reason"]) == ("M. Okoro", "The bump is higher.")
    # What was found lies below what holds now, in the frame that holds now: along an axis that
    # begins 4 mm higher, and is turned by a tenth of a degree for that.
    found = told["sides"][0]["found"]["lesser_trochanter"]
    assert found[2] == pytest.approx(-MOVE_MM, abs=0.2)


def test_tables_follow_and_what_was_measured_stays(
    client: Any, desk: ReviewDesk, results: Path, case_id: str, do: Do
) -> None:
    record = (results / "cases" / case_id / "result.json").read_bytes()
    (before,) = read_table(results, "femurs")
    assert before["reviewed_by_hand"] == ""
    move_trochanter(client, case_id, do)
    desk.write_due()
    (after,) = read_table(results, "femurs")
    assert after["reviewed_by_hand"] == "corrected"
    moved = float(after["isthmus_level_mm"]) - float(before["isthmus_level_mm"])
    assert moved == pytest.approx(-MOVE_MM, abs=0.2)
    rows = {row["column"]: row for row in read_table(results, "corrections")}
    row = rows["isthmus_level_mm"]
    for name, there in (("automatic", before), ("corrected", after)):
        assert float(row[name]) == pytest.approx(float(there["isthmus_level_mm"]), abs=1e-4)
    assert row["marks"] == "lesser_trochanter"
    assert row["reader"]
    assert "Okoro" not in (results / "corrections.csv").read_text("utf-8")
    assert (results / "cases" / case_id / "result.json").read_bytes() == record
    # Undone, the tables are as they were.
    do("undo")
    desk.write_due()
    assert read_table(results, "femurs") == [before]
    assert read_table(results, "corrections") == []


def test_a_corrected_case_opens_from_its_files(
    client: Any,
    desk: ReviewDesk,
    case_id: str,
    do: Do,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Its numbers stand at once; the neck, which no file has, follows with the measuring."""
    moved = move_trochanter(client, case_id, do)["sides"][0]
    desk.write_due()
    desk._benches.clear()
    with monkeypatch.context() as patched:
        patched.setattr("canalmorph.review.desk.correct_case", None)
        told = client.get(f"/api/cases/{case_id}?brief=1").json()
        asked = {"side": "right", "level": "-60"}
        section = client.get(f"/api/cases/{case_id}/section", params=asked).json()
    assert told["is_brief"]
    shown = told["sides"][0]
    assert shown["numbers"] == moved["numbers"]
    assert shown["levels_mm"] == moved["levels_mm"]
    assert (moved["places"].pop("neck"), shown["places"].pop("neck")) != (None, None)
    assert shown["places"] == moved["places"]
    assert section["level_mm"] == -60.0
    whole = client.get(f"/api/cases/{case_id}").json()
    assert whole["sides"][0]["places"]["neck"] is not None


def test_a_signature_is_on_the_report(
    client: Any, desk: ReviewDesk, results: Path, case_id: str, do: Do, whole: None
) -> None:
    told = move_trochanter(client, case_id, do)
    assert told["is_brief"]
    do("sign", by="M. Okoro <b>")
    desk.write_due()
    page = (results / "cases" / case_id / "report.html").read_text("utf-8")
    assert "Reviewed: signed by M. Okoro &lt;b&gt; on 20" in page
    assert "Set by hand: level of the lesser trochanter (right)." in page
    (row,) = read_table(results, "femurs")
    assert row["reviewed_by_hand"] == "corrected;signed"
    # What was put off while the person waited is in the tables.
    assert row["rod_lt_to_minus60_mm"]
    changed = {row["column"] for row in read_table(results, "corrections")}
    assert "rod_lt_to_minus60_mm" in changed
    assert client.get("/api/cases?state=signed").json()["total"] == 1


def test_a_rejected_case_is_exported_only_on_request(
    desk: ReviewDesk, results: Path, do: Do
) -> None:
    do("reject")
    desk.write_due()
    for table in ("femurs", "sections", "landmarks", "blanks"):
        assert len(select_rows(results, table).read_frame()) == 0
        assert len(select_rows(results, table, with_rejected=True).read_frame()) > 0
    assert len(select_rows(results, "femurs", columns=["cfi_ml"]).read_frame()) == 0
    do("reopen")
    desk.write_due()
    assert len(select_rows(results, "femurs").read_frame()) == 1


def test_the_second_of_two_browsers_is_told(client: Any, case_id: str, door: Any, do: Do) -> None:
    other = door.knock(let_in=True)
    path = f"/api/cases/{case_id}"
    assert client.post(f"{path}/watch", json={"browser": "one"}).json()["others"] == 0
    assert other.post(f"{path}/watch", json={"browser": "two"}).json()["others"] == 1
    move_trochanter(client, case_id, do)
    late = {"action": "sign", "version": 0, "by": "A. Lindqvist"}
    answer = other.post(f"{path}/do", json=late)
    assert answer.status_code == 409
    assert "Somebody else" in answer.json()["error"]
    assert other.post(f"{path}/watch", json={"browser": "two"}).json()["version"] == 1


def test_marks_and_signature_survive_measuring_again(
    client: Any,
    desk: ReviewDesk,
    results: Path,
    case_id: str,
    do: Do,
    small_dicom: Path,
    known_measure: MeasureScan,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("canalmorph.batch.case_files.write_reports", lambda *args: None)
    move_trochanter(client, case_id, do)
    do("sign")
    desk.write_due()
    (before,) = read_table(results, "femurs")
    measure_inputs(
        [small_dicom], results, Settings(), measure=known_measure, options=BatchOptions(again=True)
    )
    # The case's folder is a new one; what follows from the review was made again.
    assert read_table(results, "femurs") == [before]
    assert before["reviewed_by_hand"] == "corrected;signed"
    assert len(read_table(results, "corrections")) > 5
    assert client.get(f"/api/cases/{case_id}").json()["version"] == 2


def test_a_mark_that_no_longer_fits_is_shown(
    client: Any, desk: ReviewDesk, results: Path, case_id: str, do: Do
) -> None:
    told = move_trochanter(client, case_id, do)
    with open_reviews(results) as reviews:
        seen = reviews.get(case_id)
        (mark,) = seen.corrections
        far = replace(mark, points_lps_mm=((0.0, 0.0, 4000.0),))
        reviews.correct(seen, far, by="x", reason="", measured_with="")
    told = client.get(f"/api/cases/{case_id}").json()
    assert told["unfit"][0]["words"] == "level of the lesser trochanter"
    assert told["unfit"][0]["reason"].endswith(".")
    desk.index.refresh(desk.reviews)
    assert client.get("/api/cases").json()["rows"][0]["unfit"] == 1


def test_exchanged_sides_carry_their_picture(
    client: Any, desk: ReviewDesk, case_id: str, do: Do
) -> None:
    path = f"/thumbnails/{case_id}"
    before = client.get(f"{path}/right").content
    told = do("correct", mark={"kind": "swap_sides"})
    assert [side["side"] for side in told["sides"]] == ["left"]
    assert client.get(f"{path}/left").content == before
    assert client.get(f"{path}/right").status_code == 404
    desk.write_due()
    (row,) = client.get("/api/cases").json()["rows"]
    assert row["pictures"] == ["left"]


def test_a_mark_that_does_not_fit_is_not_kept(client: Any, case_id: str, do: Do) -> None:
    mark = {"kind": "isthmus", "side": "right", "points_mm": [[0, 0, 30]]}
    told = do("correct", mark=mark, expect=422)
    assert told["error"] == ("The isthmus lies more than 40 mm below the lesser trochanter.")
    told = do("correct", mark={"kind": "drop_side", "side": "right"}, expect=422)
    assert "reject the case" in told["error"]
    assert client.get(f"/api/cases/{case_id}").json()["version"] == 0


def test_a_case_of_an_earlier_version_can_be_seen_and_signed(
    client: Any, results: Path, case_id: str, do: Do
) -> None:
    (results / "cases" / case_id / "surfaces.npz").unlink()
    told = client.get(f"/api/cases/{case_id}").json()
    assert not told["can_correct"]
    assert "measure its scan again" in told["why_fixed"]
    assert set(told["sides"][0]["films"]) == {"ap", "lateral"}
    mark = {"kind": "isthmus", "side": "right", "points_mm": [[0, 0, -100]]}
    assert "of another version" in do("correct", mark=mark, expect=422)["error"]
    assert do("sign")["state"] == "signed"


def test_sections_are_the_ct_of_their_level(client: Any, case_id: str) -> None:
    asked = {"side": "right", "level": "-60"}
    told = client.get(f"/api/cases/{case_id}/section", params=asked).json()
    assert told["level_mm"] == -60.0
    assert len(told["outer"]) == len(told["canal"]) > 50
    axial = client.get(f"/api/cases/{case_id}/section", params={**asked, "axial": "1"}).json()
    assert axial["axial"]
    assert "outer" not in axial
    for wrong in ({"side": "left"}, {"side": "up"}, {"level": "nan"}, {"level": "x"}):
        answer = client.get(f"/api/cases/{case_id}/section", params={**asked, **wrong})
        assert answer.status_code == 422


def test_a_section_of_a_side_that_is_not_shown_is_refused(client: Any, case_id: str) -> None:
    answer = client.get(f"/api/cases/{case_id}/section?side=left&level=0")
    assert answer.status_code == 422
    assert "no left femur" in answer.text


def test_loading_beforehand_says_nothing(
    desk: ReviewDesk, results: Path, case_id: str, caplog: pytest.LogCaptureFixture
) -> None:
    with caplog.at_level("INFO"):
        load_compiled(desk)
    assert "not measured beforehand" not in caplog.text
    assert desk.reviews.list_all() == {}
    # A folder of which no case can be measured again is as good to look at.
    (results / "cases" / case_id / "surfaces.npz").write_bytes(b"")
    desk._benches.clear()
    load_compiled(desk)


@pytest.mark.slow
def test_a_correction_takes_less_than_the_measuring_stage(
    desk: ReviewDesk, case_id: str, whole: None
) -> None:
    """Time of this thread alone, so that neither the writer nor other programs count.

    The bar is a ratio of 1.0; it is about a third, as the rods are put off.
    """
    femur = desk.open_case(case_id).automatic_aligned[0]
    up = femur.frame.proximal
    spent = []
    for step in (2.0, 3.0):  # the first one compiles
        apex = femur.lesser_trochanter.apex_lps_mm + step * up
        mark = Correction(
            kind=CorrectionKind.LESSER_TROCHANTER,
            side=Side.RIGHT,
            points_lps_mm=(tuple(apex.tolist()),),
        )
        version = desk.reviews.get(case_id).version
        started = time.thread_time()
        desk.change(case_id, ReviewAction.CORRECT, version=version, by="x", mark=mark)
        spent.append(time.thread_time() - started)
    started = time.thread_time()
    measure_aligned(femur, Settings())
    assert spent[-1] < 1.0 * (time.thread_time() - started)


KILLED = textwrap.dedent(
    """
    import os, signal, sys
    from pathlib import Path
    from canalmorph.batch.reviews import ReviewAction
    from canalmorph.measure import facts, rods
    from canalmorph.model.corrections import Correction, CorrectionKind
    from canalmorph.model.femur import Side
    from canalmorph.review import desk as desks

    facts.measure_rods = lambda *args: rods.put_off_rods()

    def die(*args, **others):
        os.kill(os.getpid(), signal.SIGKILL)

    where, results = sys.argv[1], Path(sys.argv[2])
    if where == "before":
        desks.Reviews.correct = die
    elif where == "after":
        desks.ReviewDesk._follow = die
    elif where == "files":
        import canalmorph.batch.shown as shown
        shown.write_atomically = die
    with desks.open_desk(results) as desk:
        (case_id,) = [path.name for path in (results / "cases").iterdir()]
        femur = desk.open_case(case_id).automatic_aligned[0]
        apex = femur.lesser_trochanter.apex_lps_mm + 4.0 * femur.frame.proximal
        mark = Correction(
            kind=CorrectionKind.LESSER_TROCHANTER,
            side=Side.RIGHT,
            points_lps_mm=(tuple(apex.tolist()),),
        )
        desk.change(case_id, ReviewAction.CORRECT, version=0, by="x", mark=mark)
        desk.write_due()
    """
)


@pytest.mark.parametrize(
    "where",
    [
        "before",
        pytest.param("after", marks=pytest.mark.slow),
        pytest.param("files", marks=pytest.mark.slow),
    ],
)
def test_a_kill_leaves_the_old_or_the_new(
    results: Path, case_id: str, where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canalmorph.measure.facts.measure_rods", lambda *args: put_off_rods())
    ended = subprocess.run(
        [sys.executable, "-c", KILLED, where, str(results)],
        env={**os.environ, "NUMBA_NUM_THREADS": "1"},
        check=False,
    )
    assert ended.returncode == -signal.SIGKILL
    with open_desk(results) as desk:
        opened = desk.open_case(case_id)
        said = where != "before"
        assert opened.review.state is (ReviewState.CORRECTED if said else ReviewState.TO_SEE)
        desk.write_due()
    assert not (results / BEHIND_NAME).exists()
    (row,) = read_table(results, "femurs")
    assert row["reviewed_by_hand"] == ("corrected" if said else "")
    # Numbers and word are of one version.
    assert bool(read_table(results, "corrections")) is said


def test_tables_that_a_kill_left_behind_are_written_by_the_next_desk(
    results: Path, case_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ReviewDesk, "_write_tables", lambda desk: None)
    with open_desk(results) as desk:
        desk.change(case_id, ReviewAction.REJECT, version=0, by="M. Okoro")
    monkeypatch.undo()
    assert read_table(results, "femurs")[0]["reviewed_by_hand"] == ""
    monkeypatch.setattr("canalmorph.review.desk.follow_review", lambda *args: False)
    with open_desk(results):
        pass
    assert read_table(results, "femurs")[0]["reviewed_by_hand"] == "rejected"


@pytest.mark.parametrize("name", ["write_reviewed", "follow_review", "write_cohort_page"])
def test_an_unforeseen_error_stops_no_later_writing(
    name: str,
    results: Path,
    case_id: str,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    def fail(*args: object, **kwargs: object) -> None:
        raise ArithmeticError("Quill^Rosalind")

    monkeypatch.setattr("canalmorph.review.desk.follow_review", lambda *args: False)
    with open_desk(results) as desk:
        with monkeypatch.context() as patch:
            patch.setattr(f"canalmorph.review.desk.{name}", fail)
            desk.change(case_id, ReviewAction.COMMENT, version=0, by="M. Okoro", reason="Seen.")
            desk.write_due()
        assert "ArithmeticError" in caplog.text
        assert "Quill" not in caplog.text
        desk.change(case_id, ReviewAction.REJECT, version=1, by="M. Okoro")
    assert read_table(results, "femurs")[0]["reviewed_by_hand"] == "rejected"


def test_what_is_said_while_tables_are_written_is_not_forgotten(tmp_path: Path) -> None:
    behind = TablesBehind(tmp_path)
    behind.note()
    said = behind.count()
    behind.note()
    behind.clear(said)
    assert TablesBehind(tmp_path)
    behind.clear(behind.count())
    assert not TablesBehind(tmp_path)


def test_a_femur_without_marks_keeps_the_pictures_of_its_scan(
    desk: ReviewDesk, results: Path, case_id: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[Side] = []

    def take(femora: Any, aligned: Any) -> tuple[()]:
        drawn.extend(femur.side for femur in femora)
        return ()

    monkeypatch.setattr("canalmorph.batch.redraw.take_all_pictures", take)
    monkeypatch.setattr("canalmorph.batch.redraw.write_reports", lambda *args: None)
    opened, folder = desk.open_case(case_id), results / "cases" / case_id
    plane = Correction(kind=CorrectionKind.PLANE, side=Side.RIGHT, plane=Plane.SCANNER)
    swap = Correction(kind=CorrectionKind.SWAP_SIDES, side=None)
    for marks, expected in (((), []), ((plane,), [Side.RIGHT]), ((swap,), [Side.RIGHT])):
        drawn.clear()
        review = replace(opened.review, version=1, corrections=marks)
        draw_reviewed(folder, desk.read_clinic(case_id), review, opened.corrected)
        assert drawn == expected
