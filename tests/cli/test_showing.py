"""What is shown while and after measuring, on a terminal and in a file."""

import io
import json
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console

from canalmorph.batch.outcomes import BatchResult, CaseOutcome
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.femur import Side
from canalmorph.model.results import Refusal
from canalmorph_cli.exits import ExitStatus
from canalmorph_cli.progress import Counts, JsonLines, show_progress
from canalmorph_cli.summary import (
    describe_refusal,
    judge_batch,
    list_again,
    print_batch,
    print_without_dicom,
    tabulate_femora,
)

REFUSAL = Refusal(
    stage="read", code="no-images", message="a: It is empty. Give another.", source="a"
)


def make_row(side: str = "right", **cells: object) -> dict[str, object]:
    row: dict[str, object] = {}
    for column in FEMUR_COLUMNS:
        row[column.name] = None if column.measured else ""
        if column.measured:
            row[f"{column.name}_u"] = None
    return {**row, "case_id": "0123456789ab", "side": side, "fixation": "not_given", **cells}


def show(result: BatchResult) -> str:
    stream = io.StringIO()
    print_batch(Console(file=stream, width=150), result)
    return stream.getvalue()


def make_result(*outcomes: CaseOutcome) -> BatchResult:
    return BatchResult(folder=Path("results"), outcomes=outcomes)


MEASURED = CaseOutcome(source="b", case_id="0123456789ab", number=1, femora=(make_row(),))
REFUSED = CaseOutcome(source="a", case_id="ff", refusals=(REFUSAL,))
ONE_SIDE = CaseOutcome(
    source="c",
    case_id="ee",
    femora=(make_row(),),
    refusals=(REFUSAL,),
)
BUG = CaseOutcome(source="d", case_id="dd", refusals=(REFUSAL,), bug_text="Traceback ...")


@pytest.mark.parametrize(
    ("outcomes", "status"),
    [
        ((MEASURED,), ExitStatus.DONE),
        ((), ExitStatus.NOTHING_MEASURED),
        ((REFUSED,), ExitStatus.NOTHING_MEASURED),
        ((MEASURED, REFUSED), ExitStatus.DONE_WITH_REFUSALS),
        ((ONE_SIDE,), ExitStatus.DONE_WITH_REFUSALS),
        ((MEASURED, BUG), ExitStatus.BUG),
        ((BUG,), ExitStatus.BUG),
    ],
)
def test_status_of_a_batch(outcomes: tuple[CaseOutcome, ...], status: ExitStatus) -> None:
    assert judge_batch(make_result(*outcomes)) is status


def test_a_row_shows_numbers_with_their_uncertainty_and_nothing_for_nothing() -> None:
    row = make_row(
        cfi_ml=3.914,
        cfi_ml_u=0.052,
        cti_ml_lt_minus100=0.5371,
        cti_ml_lt_minus100_u=0.0042,
        canal_shape="champagne_flute",
        p_champagne_flute=0.9991,
        fixation="press_fit",
        warnings="thin_cortex;metal",
    )
    text = show(make_result(CaseOutcome(source="b", case_id="x", femora=(row,))))
    for words in (
        "3.91 ± 0.05",
        "0.537 ± 0.004",
        "champagne flute > 99 %",
        "press-fit",
        "metal",
        "[mm]",
    ):
        assert words in text, words
    assert "nan" not in text.lower()
    assert "None" not in text


def test_a_bound_is_shown_as_one() -> None:
    row = make_row(cfi_ml_lower_bound=3.2, cfi_ml_lower_bound_u=0.1)
    text = show(make_result(CaseOutcome(source="b", case_id="x", femora=(row,))))
    assert "at least 3.20 ± 0.10" in text
    assert "not decided" in text


def test_a_refusal_names_scan_side_reason_and_code_once() -> None:
    assert describe_refusal(REFUSAL) == "a: It is empty. Give another. [no-images]"
    side = Refusal(stage="measure", code="metal", message="Metal.", source="b", side=Side.LEFT)
    assert describe_refusal(side) == "b (left): Metal. [metal]"


def test_a_scan_that_gave_too_little_is_named_with_what_to_do() -> None:
    rows = [
        make_row(side, warnings=f"gap-in-slices;no-preamble{more}")
        for side, more in (("right", ";isthmus_not_in_view"), ("left", ""))
    ]
    outcome = CaseOutcome(source="b", case_id="x", femora=tuple(rows))
    both, one = list_again([outcome])
    assert both.startswith("b: Slices are missing")
    assert both.endswith("Send the series again from the archive. [gap-in-slices]")
    assert one.startswith("b (right): The canal still narrows")
    text = show(make_result(outcome, MEASURED))
    assert "Measured, and better sent or scanned again:" in text
    assert "Review of" not in text


def test_what_persons_said_is_counted_once_there_is_some() -> None:
    seen = CaseOutcome(
        source="b",
        case_id="x",
        femora=(make_row(reviewed_by_hand="corrected;signed"),),
    )
    text = show(make_result(seen, MEASURED))
    assert "Review of 2 scans: 1 corrected, 1 signed, 0 rejected." in text


def test_a_large_cohort_is_not_poured_on_the_screen() -> None:
    many = [
        CaseOutcome(source=f"s{n}", case_id=f"{n:012d}", femora=(make_row(),)) for n in range(500)
    ]
    text = show(make_result(*many, *[REFUSED] * 500))
    assert len(text.splitlines()) < 100
    assert "500 femora of 500 scans measured, 500 refusals." in text
    assert "and 440 more" in text


def test_the_table_fits_a_narrow_terminal() -> None:
    stream = io.StringIO()
    Console(file=stream, width=80).print(tabulate_femora([MEASURED]))
    assert max(map(len, stream.getvalue().splitlines())) <= 80


def test_a_run_without_pages_says_how_to_have_them(monkeypatch: pytest.MonkeyPatch) -> None:
    result = make_result(MEASURED)
    assert "Report: " in show(result)
    monkeypatch.setattr("canalmorph_cli.summary.list_missing_parts", lambda: ("matplotlib",))
    said = " ".join(show(result).split())
    assert "Report: " not in said
    assert "matplotlib not installed; install canalmorph[report]" in said
    assert "canalmorph report" in said


def run_progress(console: Console) -> None:
    with show_progress(console, debug=False) as listener:
        listener.show_survey(12)
        listener.start_batch(2)
        listener.start_case(1, "b[bold]")
        listener.show_stage(1, "locate")
        listener.end_case(MEASURED)
        listener.end_case(REFUSED)


def test_progress_in_a_file_is_plain_lines() -> None:
    stream = io.StringIO()
    run_progress(Console(file=stream, width=100))
    lines = stream.getvalue().splitlines()
    assert lines[0] == "[1/2] b[bold]: measuring"
    assert lines[1].startswith("[1/2] b: measured right, ")
    assert lines[2] == "a: not measured (no-images)"
    assert len(lines) == 3
    assert "\r" not in stream.getvalue()


def make_outcome(number: int, **facts: object) -> CaseOutcome:
    return CaseOutcome(source=f"s{number}", case_id=f"c{number}", number=number, **facts)


def test_the_board_shows_every_case_under_way_counts_rate_and_time_left(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(time, "monotonic", lambda: 60.0)
    counts = Counts(n_cases=10, started=0.0)
    counts.add(make_outcome(0, state="refused"))  # an input that was not to be measured
    counts.add(make_outcome(1, state="measured", kept=True))
    assert counts.describe() == ""
    counts.add(make_outcome(2, state="measured"))
    counts.add(make_outcome(3, state="failed"))
    # Two in 60 s; seven to go at 30 s each.
    assert counts.describe() == "1 failed, 2.0 a minute, 4 min left"
    counts = Counts(n_cases=1)
    counts.add(make_outcome(1, state="refused"))
    assert counts.describe() == "1 refused"


def test_json_lines_name_no_file_and_count_all() -> None:
    stream = io.StringIO()
    lines = JsonLines(Console(file=stream, width=20), debug=False)
    lines.start_batch(2)
    lines.start_case(1, "quill_rosalind")
    lines.show_stage(1, "read 7 of 9")
    lines.show_stage(1, "locate")
    lines.end_case(
        make_outcome(1, state="measured", femora=(make_row(),), seconds=1.234, bug_text="quill")
    )
    lines.end_case(make_outcome(2, state="failed", refusals=(REFUSAL,), reason="worker-died"))
    lines.end_batch(4)
    told = [json.loads(line) for line in stream.getvalue().splitlines()]
    assert [each.pop("event") for each in told] == [
        "batch_started",
        "case_started",
        "stage_started",
        "case_ended",
        "case_ended",
        "batch_ended",
    ]
    assert all(datetime.fromisoformat(each.pop("time")).tzinfo for each in told)
    assert told[0] == {"cases": 2}
    assert told[2] == {"number": 1, "stage": "locate"}
    assert told[3] == {
        "number": 1,
        "case_id": "c1",
        "state": "measured",
        "sides": ["right"],
        "reasons": [],
        "seconds": 1.23,
        "kept": False,
    }
    assert told[5] == {"measured": 1, "refused": 0, "failed": 1, "kept": 0, "status": 4}
    for name in ("quill", "s1", "s2"):
        assert name not in stream.getvalue()


def test_the_end_counts_reasons_and_names_the_slowest() -> None:
    slow = [
        make_outcome(n, state="measured", femora=(make_row(),), seconds=10.0 * n)
        for n in range(1, 6)
    ]
    kept = make_outcome(6, state="measured", femora=(make_row(),), seconds=999.0, kept=True)
    text = show(make_result(*slow, kept, REFUSED, REFUSED))
    assert "2 no-images: " in text
    assert "Slowest: s5 50 s, s4 40 s, s3 30 s." in text
    assert "1 scan were done" not in text
    assert "1 scan was done by an earlier run" in text


def test_progress_on_a_terminal_is_a_live_board_with_the_stages() -> None:
    stream = io.StringIO()
    run_progress(Console(file=stream, width=100, force_terminal=True))
    text = stream.getvalue()
    assert "measured right" in text
    assert "not measured (no-images)" in text
    assert "\x1b[" in text


def test_scans_without_dicom_objects_are_told_once(tmp_path: Path) -> None:
    def say(result: BatchResult) -> str:
        stream = io.StringIO()
        print_without_dicom(Console(file=stream, width=200), result)
        return stream.getvalue()

    two = BatchResult(folder=tmp_path, outcomes=(MEASURED, ONE_SIDE, REFUSED))
    assert "No DICOM objects for 2 measured scans" in say(two)
    (tmp_path / "cases" / MEASURED.case_id / "dicom").mkdir(parents=True)
    assert "No DICOM objects for 1 measured scan:" in say(two)
    (tmp_path / "cases" / ONE_SIDE.case_id / "dicom").mkdir(parents=True)
    assert say(two) == ""


def test_objects_are_asked_for_where_nothing_can_make_them(
    run: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("canalmorph_cli.parts.find_spec", lambda _: None)
    said = run("measure", tmp_path, "--out", tmp_path / "out", "--dicom")
    assert said.status == 2
    assert "canalmorph[dicom]" in said.err
    assert not (tmp_path / "out").exists()


def test_the_end_tells_of_other_scans_that_need_care(tmp_path: Path) -> None:
    (tmp_path / "refusals.csv").write_text(
        "case_id,file,reason_code\n"
        "ff,a,no-images\n"  # of this run
        "gg,b,localizer\n"  # no loss
        "hh,c,no-femur\n",
        encoding="utf-8",
    )
    (tmp_path / "femurs.csv").write_text(
        "case_id,warnings\n"
        "0123456789ab,isthmus_not_in_view\n"  # of this run
        "ii,lt_uncertain;isthmus_not_in_view\n"
        "ii,isthmus_not_in_view\n"
        "kk,no-preamble\n",
        encoding="utf-8",
    )
    told = show(BatchResult(folder=tmp_path, outcomes=(MEASURED, REFUSED)))
    assert "\n2 other scans of this folder (the node's, or of other runs) gave nothing or" in told
    assert "other scan" not in show(make_result(MEASURED, REFUSED))
