"""Progress of a batch: a live board on a terminal, plain lines in a file, JSON for a program."""

import json
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import accumulate
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import MofNCompleteColumn, Progress, ProgressColumn, Task, TaskID, TextColumn
from rich.text import Text

from canalmorph_cli.words import format_duration, make_printable

if TYPE_CHECKING:
    from canalmorph.batch.outcomes import BatchListener, CaseOutcome

#: Longest name of a scan on the live board; its end tells more than its beginning.
NAME_LENGTH = 44


#: Of more scans a mark stands for several.
MOST_MARKS = 30


@dataclass(slots=True)
class Counts:
    """How far a batch is."""

    n_cases: int = 0
    measured: int = 0
    refused: int = 0
    failed: int = 0
    kept: int = 0
    started: float = field(default_factory=time.monotonic)

    def add(self, outcome: "CaseOutcome") -> None:
        """Count a series that ended; inputs that were not to be measured are no part of it."""
        if outcome.number:
            self.measured += outcome.state == "measured"
            self.refused += outcome.state == "refused"
            self.failed += outcome.state == "failed"
            self.kept += outcome.kept

    @property
    def ended(self) -> int:
        """All that need no more work."""
        return self.measured + self.refused + self.failed

    def describe(self) -> str:
        """Return refusals, failures, rate and time left in words."""
        parts = [f"{n} {word}" for n, word in self._list_losses() if n]
        done = self.ended - self.kept
        if done and self.ended < self.n_cases:
            pace_s = (time.monotonic() - self.started) / done
            left = format_duration(pace_s * (self.n_cases - self.ended))
            parts += [f"{60.0 / pace_s:.1f} a minute", f"{left} left"]
        return ", ".join(parts)

    def _list_losses(self) -> tuple[tuple[int, str], ...]:
        return (self.refused, "refused"), (self.failed, "failed")


class CaseLines:
    """Writes one line when a case begins and one when it ends; no line is ever written over."""

    def __init__(self, console: Console, *, debug: bool) -> None:
        self._console = console
        self._debug = debug
        self._counts = Counts()

    def show_survey(self, n_files: int) -> None:
        """Write nothing: a log needs no counting."""

    def start_batch(self, n_cases: int) -> None:
        """Remember how many series there are."""
        self._counts = Counts(n_cases=n_cases)

    def start_case(self, number: int, source: str) -> None:
        """Write which series begins."""
        self.write(f"[{number}/{self._counts.n_cases}] {make_printable(source)}: measuring")

    def show_stage(self, number: int, stage: str) -> None:
        """Write nothing: a log needs no stages."""

    def end_case(self, outcome: "CaseOutcome") -> None:
        """Write what became of the series or of the input."""
        self._counts.add(outcome)
        self.write(self._describe(outcome))
        if self._debug and outcome.bug_text:
            self.write(outcome.bug_text)

    def write(self, line: str) -> None:
        """Write a line as it is, unbroken."""
        self._console.print(line, markup=False, highlight=False, soft_wrap=True)

    def _describe(self, outcome: "CaseOutcome") -> str:
        name = make_printable(outcome.source)
        number = f"[{outcome.number}/{self._counts.n_cases}] " if outcome.number else ""
        kept = " already" if outcome.kept else ""
        if not outcome.femora:
            reason = outcome.refusals[0]
            return f"{number}{name}:{kept} not measured ({reason.code})"
        sides = " and ".join(str(femur["side"]) for femur in outcome.femora)
        refused = "".join(f", {one.side} not ({one.code})" for one in outcome.refusals)
        seconds = "" if outcome.kept else f", {outcome.seconds or 0.0:.0f} s"
        return f"{number}{name}:{kept} measured {sides}{refused}{seconds}"


class LiveBoard(CaseLines):
    """Shows how far the batch is, and each case under way with its stage, below the ended ones."""

    def __init__(self, console: Console, progress: Progress, *, debug: bool) -> None:
        super().__init__(console, debug=debug)
        self._progress = progress
        self._total = progress.add_task(
            "reading headers", total=None, counting=True, words="", lost=0
        )
        self._running: dict[int, tuple[TaskID, str]] = {}

    def show_survey(self, n_files: int) -> None:
        """Show how many files were looked at."""
        self._progress.update(self._total, description=f"reading headers: {n_files} files")

    def start_batch(self, n_cases: int) -> None:
        """Begin to count."""
        super().start_batch(n_cases)
        self._progress.update(self._total, description="done", total=n_cases)

    def start_case(self, number: int, source: str) -> None:
        """Show the series as one under way."""
        name = make_printable(source)
        name = name if len(name) <= NAME_LENGTH else f"…{name[1 - NAME_LENGTH :]}"
        if number not in self._running:
            task = self._progress.add_task(name, total=None, counting=False, words="")
            self._running[number] = (task, name)

    def show_stage(self, number: int, stage: str) -> None:
        """Show the stage of a series."""
        if number in self._running:
            task, name = self._running[number]
            self._progress.update(task, description=f"{name}: {stage}")

    def end_case(self, outcome: "CaseOutcome") -> None:
        """Write what became of the series, and count it."""
        if outcome.number in self._running:
            self._progress.remove_task(self._running.pop(outcome.number)[0])
        super().end_case(outcome)
        self._progress.update(
            self._total,
            completed=self._counts.ended,
            lost=self._counts.refused + self._counts.failed,
            words=self._counts.describe(),
        )


class _ScanMarks(ProgressColumn):
    """The marks of the whole batch; a case under way has none."""

    def __init__(self, *, plain: bool) -> None:
        super().__init__()
        self._signs = "ox." if plain else "●×·"

    def render(self, task: Task) -> Text:
        """Return the marks, or nothing."""
        if not task.fields["counting"] or not task.total:
            return Text("")
        lost = task.fields["lost"]
        counts = (round(task.completed) - lost, lost, round(task.total - task.completed))
        return Text(draw_marks(counts, self._signs))


def draw_marks(counts: Sequence[int], signs: str) -> str:
    """Return a mark a scan, kind by kind; of more than `MOST_MARKS` scans one for several.

    Examples
    --------
    >>> draw_marks((3, 1, 4), "ox."), draw_marks((300, 0, 300), "ox.")
    ('ooox....', 'ooooooooooooooo...............')
    """
    share = min(1.0, MOST_MARKS / max(sum(counts), 1))
    ends = [round(share * end) for end in accumulate(counts)]
    return "".join(
        sign * (end - start) for sign, start, end in zip(signs, [0, *ends], ends, strict=False)
    )


class _TotalCount(MofNCompleteColumn):
    """Count of the whole batch; a case under way has none."""

    def render(self, task: Task) -> Text:
        """Return the count, or nothing."""
        return super().render(task) if task.fields["counting"] and task.total else Text("")


class JsonLines:
    """Writes an object a line for a program; none of them names a patient or a file."""

    def __init__(self, console: Console, *, debug: bool) -> None:
        self._console = console
        self._debug = debug
        self._counts = Counts()

    def show_survey(self, n_files: int) -> None:
        """Write nothing."""

    def start_batch(self, n_cases: int) -> None:
        """Write how many series there are."""
        self._counts = Counts(n_cases=n_cases)
        self.write("batch_started", cases=n_cases)

    def start_case(self, number: int, source: str) -> None:
        """Write that a series begins; its file is in the ledger."""
        self.write("case_started", number=number)

    def show_stage(self, number: int, stage: str) -> None:
        """Write a stage, but not each file that is read."""
        if not stage.startswith("read "):
            self.write("stage_started", number=number, stage=stage)

    def end_case(self, outcome: "CaseOutcome") -> None:
        """Write what became of the series."""
        self._counts.add(outcome)
        self.write(
            "case_ended",
            number=outcome.number,
            case_id=outcome.case_id,
            state=outcome.state,
            sides=[femur["side"] for femur in outcome.femora],
            reasons=[refusal.code for refusal in outcome.refusals],
            seconds=None if outcome.seconds is None else round(outcome.seconds, 2),
            kept=outcome.kept,
            **({"traceback": outcome.bug_text} if self._debug and outcome.bug_text else {}),
        )

    def end_batch(self, status: int) -> None:
        """Write the counts and the exit status."""
        counts = self._counts
        self.write(
            "batch_ended",
            measured=counts.measured,
            refused=counts.refused,
            failed=counts.failed,
            kept=counts.kept,
            status=status,
        )

    def write(self, event: str, **facts: object) -> None:
        """Write one object on one line."""
        now = datetime.now(UTC).isoformat(timespec="milliseconds")
        line = json.dumps({"time": now, "event": event, **facts})
        self._console.print(line, markup=False, highlight=False, soft_wrap=True)


@contextmanager
def show_progress(console: Console, *, debug: bool) -> Iterator["BatchListener"]:
    """Yield what shows a batch's progress on this console, as it can."""
    if not console.is_terminal:
        yield CaseLines(console, debug=debug)
        return
    columns = (
        TextColumn("{task.description}", markup=False),
        _ScanMarks(plain=not console.encoding.startswith("utf")),
        _TotalCount(),
        TextColumn("{task.fields[words]}", markup=False),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        yield LiveBoard(console, progress, debug=debug)
