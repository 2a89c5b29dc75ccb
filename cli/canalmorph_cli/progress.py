"""Progress of a batch: a live line on a terminal, plain lines everywhere else."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from canalmorph_cli.words import make_printable

if TYPE_CHECKING:
    from canalmorph.batch.outcomes import BatchListener, CaseOutcome

#: Longest name of a scan in the live line; its end tells more than its beginning.
NAME_LENGTH = 44


class CaseLines:
    """Writes one line when a case begins and one when it ends; no line is ever written over."""

    def __init__(self, console: Console, *, debug: bool) -> None:
        self._console = console
        self._debug = debug
        self._n_cases = 0

    def show_survey(self, n_files: int) -> None:
        """Write nothing: a log needs no counting."""

    def start_batch(self, n_cases: int) -> None:
        """Remember how many series there are."""
        self._n_cases = n_cases

    def start_case(self, number: int, source: str) -> None:
        """Write which series begins."""
        self.write(f"[{number}/{self._n_cases}] {make_printable(source)}: measuring")

    def show_stage(self, number: int, stage: str) -> None:
        """Write nothing: a log needs no stages."""

    def end_case(self, outcome: "CaseOutcome") -> None:
        """Write what became of the series or of the input."""
        self.write(self._describe(outcome))
        if self._debug and outcome.bug_text:
            self.write(outcome.bug_text)

    def write(self, line: str) -> None:
        """Write a line as it is, unbroken."""
        self._console.print(line, markup=False, highlight=False, soft_wrap=True)

    def _describe(self, outcome: "CaseOutcome") -> str:
        name = make_printable(outcome.source)
        number = f"[{outcome.number}/{self._n_cases}] " if outcome.number else ""
        kept = " already" if outcome.kept else ""
        if not outcome.femora:
            reason = outcome.refusals[0]
            return f"{number}{name}:{kept} not measured ({reason.code})"
        sides = " and ".join(str(femur["side"]) for femur in outcome.femora)
        seconds = "" if outcome.kept else f", {outcome.seconds or 0.0:.0f} s"
        refused = "".join(f", {one.side} not ({one.code})" for one in outcome.refusals)
        return f"{number}{name}:{kept} measured {sides}{refused}{seconds}"


class LiveLine(CaseLines):
    """Shows the present case and its stage in a live line under the lines of the ended cases."""

    def __init__(self, console: Console, progress: Progress, *, debug: bool) -> None:
        super().__init__(console, debug=debug)
        self._progress = progress
        self._task = progress.add_task("reading headers", total=None)
        self._name = ""

    def show_survey(self, n_files: int) -> None:
        """Show how many files were looked at."""
        self._progress.update(self._task, description=f"reading headers: {n_files} files")

    def start_batch(self, n_cases: int) -> None:
        """Begin to count."""
        super().start_batch(n_cases)
        self._progress.update(self._task, total=n_cases)

    def start_case(self, number: int, source: str) -> None:
        """Show the series in the live line."""
        name = make_printable(source)
        self._name = name if len(name) <= NAME_LENGTH else f"…{name[1 - NAME_LENGTH :]}"
        self._progress.update(self._task, description=self._name, completed=number - 1)

    def show_stage(self, number: int, stage: str) -> None:
        """Show the stage in the live line."""
        self._progress.update(self._task, description=f"{self._name}: {stage}")


@contextmanager
def show_progress(console: Console, *, debug: bool) -> Iterator["BatchListener"]:
    """Yield what shows a batch's progress on this console, as it can."""
    if not console.is_terminal:
        yield CaseLines(console, debug=debug)
        return
    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(bar_width=20),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=console, transient=True) as progress:
        yield LiveLine(console, progress, debug=debug)
