"""Many processes: a cluster of this machine's own, or one that is there already.

Scheduler and workers are those of dask.distributed.
"""

import logging
from collections.abc import Generator, Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass

import dask
import psutil
from distributed import Client, LocalCluster
from distributed.system import MEMORY_LIMIT

from canalmorph.batch.attempts import open_attempts
from canalmorph.batch.dispatch import Dispatch
from canalmorph.batch.engine import EngineListener
from canalmorph.batch.task import CaseReport, CaseTask
from canalmorph.results_errors import ClusterUnreachableError

#: Memory that a worker should have: twice what a thin-slice scan of both femora needs. [bytes]
WORKER_BYTES = 3 * 10**9
#: Time to find a scheduler, and to end a worker. [s]
CONNECT_S, END_S = 20.0, 4.0
#: Our own cluster holds no data, and a worker has its next case at hand: waiting for it cost 8 ms.
LOCAL_CONFIG = {
    "distributed.scheduler.worker-saturation": 2.0,
    "distributed.worker.memory.target": False,
    "distributed.worker.memory.spill": False,
    "distributed.worker.memory.pause": False,
    "distributed.worker.memory.terminate": False,
    "distributed.admin.low-level-log-length": 0,
    "distributed.worker.profile.enabled": False,
}
LOCAL_PAGE = "127.0.0.1:0"
#: What tells compiled loops how many threads they may use.
THREAD_VARIABLES = (
    "NUMBA_NUM_THREADS",
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "ITK_GLOBAL_DEFAULT_NUMBER_OF_THREADS",
)


def count_cores() -> int:
    """Return the cores that this process may use."""
    return int(dask.system.cpu_count())


def choose_workers(n_cases: int) -> int:
    """Return how many workers this machine should have: by its cores, its memory and the cases."""
    by_memory = psutil.virtual_memory().available // WORKER_BYTES
    return max(1, min(count_cores(), int(by_memory), n_cases))


@dataclass(frozen=True, slots=True, kw_only=True)
class ClusterEngine:
    """Measures cases in worker processes.

    Attributes
    ----------
    workers : int or None
        Processes of this machine; None for as many as cores and memory allow.
    scheduler : str
        Address of a scheduler that has workers already; empty for a cluster of our own.
    case_timeout_s : float or None
        Longest time for a case. [s]
    worker_bytes : int or None
        Memory that each process may fill; None for its share of the machine's. [bytes]
    """

    workers: int | None = None
    scheduler: str = ""
    case_timeout_s: float | None = None
    worker_bytes: int | None = None

    def take(
        self, tasks: Iterable[CaseTask], listener: EngineListener
    ) -> Generator[tuple[CaseTask, CaseReport]]:
        """Yield each task with its report, in the order in which they end."""
        waiting = list(tasks)
        if not waiting:
            return
        with ExitStack() as stack:
            attempts = stack.enter_context(open_attempts(waiting[0].folder.cases))
            if self.scheduler:
                client = stack.enter_context(_join_cluster(self.scheduler))
            else:
                n_workers = self.workers or choose_workers(len(waiting))
                starting = _start_cluster(min(n_workers, len(waiting)), self.worker_bytes)
                client = stack.enter_context(starting)
            yield from Dispatch(client, waiting, listener, attempts, self.case_timeout_s).run()


@contextmanager
def _start_cluster(n_workers: int, worker_bytes: int | None) -> Iterator[Client]:
    """Give a client of a cluster of this machine, whose processes end with the block."""
    threads = str(max(1, count_cores() // n_workers))
    with dask.config.set(LOCAL_CONFIG):
        cluster = LocalCluster(
            n_workers=n_workers,
            threads_per_worker=1,
            processes=True,
            memory_limit=worker_bytes or MEMORY_LIMIT // n_workers,
            # Any free port, for this machine only: dask insists on a page.
            dashboard_address=LOCAL_PAGE,
            worker_dashboard_address=LOCAL_PAGE,
            silence_logs=logging.CRITICAL,
            env=dict.fromkeys(THREAD_VARIABLES, threads) | {"MPLBACKEND": "Agg"},
        )
        try:
            with Client(cluster, set_as_default=False) as client:
                try:
                    yield client
                finally:
                    _kill_workers(cluster)
        finally:
            with suppress(TimeoutError):
                cluster.close(timeout=END_S)


def _kill_workers(cluster: LocalCluster) -> None:
    """End the workers at once: they hold nothing, and a case under way would keep them."""
    for nanny in list(cluster.workers.values()):
        nanny.auto_restart = False
        with suppress(psutil.Error):
            if nanny.pid:
                psutil.Process(nanny.pid).kill()


@contextmanager
def _join_cluster(address: str) -> Iterator[Client]:
    """Give a client of a scheduler that is there already.

    Raises
    ------
    ClusterUnreachableError
        If nothing answers, or its workers take several cases at a time.
    """
    try:
        client = Client(address, timeout=CONNECT_S, set_as_default=False)
    except (OSError, ValueError) as error:
        raise ClusterUnreachableError(detail=f"No scheduler answers at {address}.") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=CONNECT_S)
        except TimeoutError as error:
            detail = f"The scheduler at {address} has no workers."
            raise ClusterUnreachableError(detail=detail) from error
        if max(client.nthreads().values()) > 1:
            detail = "Workers take several cases at a time: start them with --nthreads 1."
            raise ClusterUnreachableError(detail=detail)
        yield client
