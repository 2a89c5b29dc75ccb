"""Cases handed out to the workers of a cluster, and their reports taken in.

Only paths travel to a worker and only kilobytes come back; no more cases are handed out than the
workers have use for, so that ten thousand of them need no more of the scheduler than ten.
"""

import queue
import secrets
import time
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Any

from distributed import Client, Future, KilledWorker

from canalmorph.batch.attempts import MOST_ATTEMPTS, Attempts
from canalmorph.batch.engine import EngineListener
from canalmorph.batch.task import CaseReport, CaseTask, report_bug, report_error
from canalmorph.batch.worker import report_death, take_in_worker
from canalmorph.results_errors import CaseTimeoutError, ClusterLostError

#: Cases that a worker has been given ahead, so that it never waits for the next.
CASES_AHEAD = 1
#: Pause between two looks at what no message tells. [s]
LOOK_S = 0.25
#: Pause between two counts of the workers, which may come and go. [s]
COUNT_S = 5.0
#: Time to end a worker whose case takes too long. [s]
RESTART_S = 20.0


@dataclass(slots=True, kw_only=True)
class _Flight:
    """A case that was handed out."""

    task: CaseTask
    future: "Future[Any]"
    worker: str = ""
    started: float | None = None


@dataclass(slots=True)
class Dispatch:
    """Hands out cases and takes in their reports."""

    client: Client
    waiting: list[CaseTask]
    listener: EngineListener
    attempts: Attempts
    case_timeout_s: float | None
    flights: dict[int, _Flight] = field(default_factory=dict)
    messages: "queue.SimpleQueue[tuple[str, Any]]" = field(default_factory=queue.SimpleQueue)
    topic: str = field(default_factory=lambda: f"canalmorph-{secrets.token_hex(8)}")
    n_workers: int = 1
    counted: float = float("-inf")

    def run(self) -> Iterator[tuple[CaseTask, CaseReport]]:
        """Yield each task with its report."""
        self.client.subscribe_topic(self.topic, lambda event: self.messages.put(("stage", event)))
        self.waiting.reverse()
        while self.waiting or self.flights:
            self._hand_out()
            try:
                kind, content = self.messages.get(timeout=LOOK_S)
            except queue.Empty:
                self._check_client()
            else:
                if kind == "stage":
                    self._take_stage(content[1])
                else:
                    yield from self._take_end(content)
            yield from self._end_overdue()

    def _hand_out(self) -> None:
        now = time.monotonic()
        if now > self.counted + COUNT_S:
            self.counted, self.n_workers = now, len(self.client.nthreads())
        while self.waiting and len(self.flights) < self.n_workers * (1 + CASES_AHEAD) + 1:
            self._submit(self.waiting.pop())

    def _submit(self, task: CaseTask) -> None:
        future = self.client.submit(
            take_in_worker,
            task,
            self.attempts,
            self.topic,
            key=f"{self.topic}-{task.number}-{secrets.token_hex(4)}",
            pure=False,
        )
        self.flights[task.number] = _Flight(task=task, future=future)
        future.add_done_callback(lambda done: self.messages.put(("end", (task.number, done))))

    def _check_client(self) -> None:
        if self.client.status != "running":
            raise ClusterLostError(detail="The scheduler is lost.")

    def _take_stage(self, message: dict[str, Any]) -> None:
        flight = self.flights.get(message["number"])
        if flight is None:
            return  # the report was faster
        if message["stage"] == "start":
            flight.worker, flight.started = message["worker"], time.monotonic()
            self.listener.start_task(flight.task)
        else:
            self.listener.show_stage(flight.task.number, message["stage"])

    def _take_end(self, ended: tuple[int, "Future[Any]"]) -> Iterator[tuple[CaseTask, CaseReport]]:
        number, future = ended
        flight = self.flights.get(number)
        if flight is None or flight.future is not future:
            return  # it was given up
        del self.flights[number]
        if future.status == "cancelled":
            raise ClusterLostError(detail="The scheduler is lost.")
        report = self._read_result(flight)
        if report is None:
            self._submit(flight.task)
            return
        if flight.started is None:
            self.listener.start_task(flight.task)
        yield flight.task, report

    def _read_result(self, flight: _Flight) -> CaseReport | None:
        """Return what came of a case, or None where it must be tried again."""
        try:
            result = flight.future.result()
        except KilledWorker:
            if self.attempts.count(flight.task.entry.work_id) < MOST_ATTEMPTS:
                return None
            return report_death(flight.task, self.attempts)
        except Exception as error:
            return report_bug(flight.task, error)
        if isinstance(result, Exception):
            raise result
        assert isinstance(result, CaseReport)
        return result

    def _end_overdue(self) -> Iterator[tuple[CaseTask, CaseReport]]:
        """End the workers whose case takes too long."""
        if self.case_timeout_s is None:
            return
        latest = time.monotonic() - self.case_timeout_s
        for number, flight in list(self.flights.items()):
            if flight.started is None or flight.started > latest:
                continue
            del self.flights[number]
            flight.future.cancel(force=True)
            with suppress(Exception):
                self.client.restart_workers([flight.worker], timeout=RESTART_S)
            if self.attempts.count(flight.task.entry.work_id) < MOST_ATTEMPTS:
                self._submit(flight.task)
            else:
                yield (
                    flight.task,
                    report_error(flight.task, CaseTimeoutError(file=flight.task.series.source)),
                )
