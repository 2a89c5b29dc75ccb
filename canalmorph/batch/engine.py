"""Where cases are measured: the interface, and this very process."""

from collections.abc import Callable, Generator, Iterable
from dataclasses import dataclass
from typing import Protocol

from canalmorph.batch.task import CaseReport, CaseTask
from canalmorph.batch.work import measure_case


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
    ) -> Generator[tuple[CaseTask, CaseReport]]:
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
    ) -> Generator[tuple[CaseTask, CaseReport]]:
        """Yield each task with its report."""
        for task in tasks:
            listener.start_task(task)
            yield task, measure_case(task, _make_teller(task.number, listener))


@dataclass(frozen=True, slots=True, kw_only=True)
class FittingEngine:
    """Takes a single case in this process and more of them in a cluster.

    To start one for a single case would take longer, and a case that ends its process ends nothing
    else then.

    Attributes
    ----------
    workers : int or None
        Processes of this machine; None for as many as cores and memory allow.
    scheduler : str
        Address of a scheduler that has workers already; empty for a cluster of our own.
    case_timeout_s : float or None
        Longest time for a case. [s]
    """

    workers: int | None = None
    scheduler: str = ""
    case_timeout_s: float | None = None

    def take(
        self, tasks: Iterable[CaseTask], listener: EngineListener
    ) -> Generator[tuple[CaseTask, CaseReport]]:
        """Yield each task with its report."""
        given = list(tasks)
        if len(given) > 1 or self.scheduler or self.case_timeout_s is not None:
            # Half a second to import, for those who need it.
            from canalmorph.batch.cluster import ClusterEngine

            cluster = ClusterEngine(
                workers=self.workers, scheduler=self.scheduler, case_timeout_s=self.case_timeout_s
            )
            yield from cluster.take(given, listener)
        else:
            yield from InProcessEngine().take(given, listener)


def _make_teller(number: int, listener: EngineListener) -> Callable[[str], None]:
    return lambda stage: listener.show_stage(number, stage)
