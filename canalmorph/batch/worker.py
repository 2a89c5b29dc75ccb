"""What runs in a worker of a cluster around the measuring of one case."""

import time
from collections.abc import Callable
from functools import partial

from distributed import get_worker

from canalmorph.batch.attempts import MOST_ATTEMPTS, Attempts, watch_memory
from canalmorph.batch.task import CaseReport, CaseTask, find_finished, report_error
from canalmorph.batch.work import measure_case
from canalmorph.results_errors import (
    OutOfMemoryError,
    ResultsFolderError,
    ResultsNotWritableError,
    WorkerDiedError,
)

#: A stage is told at most this often, as a scan has a thousand files. [s]
STAGE_PAUSE_S = 0.5


def take_in_worker(task: CaseTask, attempts: Attempts, topic: str) -> CaseReport | Exception:
    """Measure a case in a worker; an error that ends the whole run comes back as a value.

    Raised, it would be logged by the worker.
    """
    worker = get_worker()
    work_id = task.entry.work_id
    try:
        n_begun = attempts.begin(work_id)
    except OSError:
        return ResultsNotWritableError(folder=str(task.folder.path))
    if n_begun > 1:
        finished = find_finished(task)
        if finished is not None:
            return finished
    if n_begun > MOST_ATTEMPTS:
        return report_death(task, attempts)
    tell_stage = _make_teller(task.number, worker.address, partial(worker.log_event, topic))
    tell_stage("start")
    limit_bytes = int(getattr(worker.memory_manager, "memory_limit", None) or 0)
    with watch_memory(attempts, work_id, limit_bytes):
        try:
            return measure_case(task, tell_stage)
        except ResultsFolderError as error:
            return error


def _make_teller(
    number: int, address: str, send: Callable[[dict[str, object]], None]
) -> Callable[[str], None]:
    """Return what tells stages to the run: each of them, but not each file that was read."""
    told_name, told_at = "", 0.0

    def tell(stage: str) -> None:
        nonlocal told_name, told_at
        name, now = stage.partition(" ")[0], time.monotonic()
        if name == told_name == "read" and now < told_at + STAGE_PAUSE_S:
            return
        told_name, told_at = name, now
        send({"number": number, "stage": stage, "worker": address})

    return tell


def report_death(task: CaseTask, attempts: Attempts) -> CaseReport:
    """Return the report of a case that took its process with it as often as it may."""
    source = task.series.source
    if attempts.lacked_memory(task.entry.work_id):
        return report_error(task, OutOfMemoryError(file=source))
    return report_error(task, WorkerDiedError(file=source))
