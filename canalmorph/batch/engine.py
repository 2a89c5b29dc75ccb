"""Where cases are measured: the interface, and this very process."""

from collections.abc import Callable, Iterable, Iterator
from typing import Protocol

from canalmorph.batch.work import CaseReport, CaseTask, measure_case


class EngineListener(Protocol):
    """Hears what becomes of the tasks while they are taken."""

    def start_task(self, task: CaseTask) -> None:
        """Hear that a process begins with a case; once more where the first one died."""

    def show_stage(self, number: int, stage: str) -> None:
        """Hear that a stage of the case of this number begins."""


class Engine(Protocol):
    """Measures cases, here or elsewhere."""

    def take(
        self, tasks: Iterable[CaseTask], listener: EngineListener
    ) -> Iterator[tuple[CaseTask, CaseReport]]:
        """Yield each task with its report, in the order in which they end.

        Raises
        ------
        ResultsFolderError
            If the results cannot be written.
        """


class InProcessEngine:
    """Takes one case after the other in this process."""

    def take(
        self, tasks: Iterable[CaseTask], listener: EngineListener
    ) -> Iterator[tuple[CaseTask, CaseReport]]:
        """Yield each task with its report."""
        for task in tasks:
            listener.start_task(task)
            yield task, measure_case(task, _make_teller(task.number, listener))


def _make_teller(number: int, listener: EngineListener) -> Callable[[str], None]:
    return lambda stage: listener.show_stage(number, stage)
