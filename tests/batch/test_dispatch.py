"""What becomes of cases that were handed out, without a cluster."""

from types import SimpleNamespace
from typing import Any

from canalmorph.batch.attempts import MOST_ATTEMPTS, open_attempts
from canalmorph.batch.dispatch import Dispatch


class Endless:
    """A case of which no report ever comes."""

    def add_done_callback(self, call: object) -> None:
        pass

    def cancel(self, force: bool) -> None:
        assert force


class Client:
    """A scheduler with one worker, where each case begins at once and hangs."""

    status = "running"

    def __init__(self) -> None:
        self.restarted: list[str] = []

    def subscribe_topic(self, topic: str, call: Any) -> None:
        self._tell = call

    def nthreads(self) -> dict[str, int]:
        return {"worker": 1}

    def submit(self, take: object, task: Any, attempts: Any, *others: object, **how: object) -> Any:
        attempts.begin(task.entry.work_id)
        self._tell((0.0, {"number": task.number, "stage": "start", "worker": "worker"}))
        return Endless()

    def restart_workers(self, workers: list[str], timeout: float) -> None:
        self.restarted += workers


def test_a_case_that_hangs_is_tried_twice_and_ends_its_worker_alone(tmp_path: Any) -> None:
    entry = SimpleNamespace(work_id="w", case_id="c", terms=SimpleNamespace(deidentified=False))
    series = SimpleNamespace(source="day/hang.nii", warnings=(), n_files=1)
    task: Any = SimpleNamespace(number=1, entry=entry, series=series)
    started: list[object] = []
    listener: Any = SimpleNamespace(start_task=started.append)
    client: Any = Client()
    with open_attempts(tmp_path) as attempts:
        dispatch = Dispatch(client, [task], listener, attempts, case_timeout_s=0.01)
        ((ended, report),) = dispatch.run()
    assert ended is task
    assert report.reason == "case-timeout"
    assert len(started) == MOST_ATTEMPTS
    assert client.restarted == ["worker"] * MOST_ATTEMPTS
