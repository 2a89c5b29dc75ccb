"""Worker processes write what one process writes, and one that dies harms no other."""

import os
import signal
import subprocess
import sys
import textwrap
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random

import psutil
import pytest
from distributed import LocalCluster

from canalmorph.batch.cluster import ClusterEngine, choose_workers, count_cores
from canalmorph.batch.engine import FittingEngine
from canalmorph.batch.ledger import open_ledger
from canalmorph.batch.outcomes import BatchOptions, BatchResult, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.pipeline import Settings
from canalmorph.results_errors import (
    ClusterLostError,
    ClusterUnreachableError,
    ResultsNotWritableError,
)
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_nifti

SETTINGS = Settings()
MakeMeasure = Callable[..., MeasureScan]


@pytest.fixture(scope="module")
def scan_bytes(small_result: PhantomResult, tmp_path_factory: pytest.TempPathFactory) -> bytes:
    path = tmp_path_factory.mktemp("one") / "scan.nii"
    write_nifti(small_result, path)
    return path.read_bytes()


class Day:
    """Some scans, and results folders with one key."""

    def __init__(self, folder: Path, scan_bytes: bytes, names: list[str]) -> None:
        self.folder, self.scans, self.calls = folder, folder / "day", folder / "calls"
        self.scans.mkdir()
        for number, name in enumerate(names):
            # The last voxels tell the scans apart.
            (self.scans / f"{name}.nii").write_bytes(scan_bytes[:-1] + bytes([number]))
        self.key = folder / "key"
        self.key.write_bytes(b"sixteen bytes or more")

    def run(self, out: str, measure: MeasureScan, **engine: object) -> BatchResult:
        return measure_inputs(
            [self.scans],
            self.folder / out,
            SETTINGS,
            options=BatchOptions(key_file=self.key),
            engine=ClusterEngine(**engine) if engine else None,
            measure=measure,
        )

    def read_tables(self, out: str) -> dict[str, bytes]:
        return {path.name: path.read_bytes() for path in (self.folder / out).glob("*.csv")}

    def read_calls(self) -> list[str]:
        return self.calls.read_text().split() if self.calls.exists() else []


def list_states(result: BatchResult) -> dict[str, tuple[str, str]]:
    return {Path(one.source).stem: (one.state, one.reason) for one in result.outcomes}


@pytest.fixture
def without_pages(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let measures for other processes be used in this one, and undo what they change."""
    from canalmorph.batch import case_files

    for name in ("write_page", "write_sheet"):
        monkeypatch.setattr(case_files, name, getattr(case_files, name))


@pytest.mark.usefixtures("without_pages")
def test_a_case_that_ends_its_worker_fails_alone(
    tmp_path: Path, scan_bytes: bytes, measure_elsewhere: MakeMeasure
) -> None:
    names = ["a", "die", "b", "fill", "c"]
    day = Day(tmp_path, scan_bytes, names)
    measure = measure_elsewhere(day.calls)
    result = day.run("out", measure, workers=2, worker_bytes=1_500_000_000)
    assert list_states(result) == {
        "a": ("measured", ""),
        "b": ("measured", ""),
        "c": ("measured", ""),
        "die": ("failed", "worker-died"),
        "fill": ("failed", "out-of-memory"),
    }
    # Each of them once more after it failed, its neighbours once.
    assert sorted(day.read_calls()) == sorted(f"day/{n}.nii" for n in [*names, "die", "fill"])
    with open_ledger(tmp_path / "out") as ledger:
        rows = ledger._run("SELECT source, attempts FROM cases")
    assert {Path(source).stem: n for source, n in rows} == {
        "a": 1,
        "b": 1,
        "c": 1,
        "die": 2,
        "fill": 2,
    }
    assert {path.name[0] for path in (tmp_path / "out/cases").iterdir()} != {"."}
    assert not list((tmp_path / "out/cases").glob(".*"))
    # Mended, they are measured; the tables are those of one process.
    for name in ("die", "fill"):
        (day.scans / f"{name}.nii").rename(day.scans / f"{name[::-1]}.nii")
    day.run("out", measure)
    day.run("alone", measure)
    tables = day.read_tables("out")
    # A failed input stays listed under its old name, as its file is gone.
    assert tables.pop("refusals.csv").count(b"\n") == 3
    alone = day.read_tables("alone")
    assert alone.pop("refusals.csv").count(b"\n") == 1
    assert tables == alone


@pytest.mark.slow
def test_a_case_that_takes_too_long_fails_alone(
    tmp_path: Path, scan_bytes: bytes, measure_elsewhere: MakeMeasure
) -> None:
    day = Day(tmp_path, scan_bytes, ["hang", "a"])
    # Longer than a worker needs to import everything on a busy machine.
    result = day.run("out", measure_elsewhere(day.calls), workers=2, case_timeout_s=15.0)
    assert list_states(result) == {"hang": ("failed", "case-timeout"), "a": ("measured", "")}
    assert sorted(day.read_calls()) == ["day/a.nii", "day/hang.nii", "day/hang.nii"]


def start_cluster(**options: object) -> LocalCluster:
    return LocalCluster(n_workers=1, dashboard_address="127.0.0.1:0", **options)


@pytest.fixture(scope="module")
def other_cluster() -> Iterator[LocalCluster]:
    """A scheduler with one worker that this run did not start."""
    with start_cluster(threads_per_worker=1) as cluster:
        yield cluster


@pytest.mark.usefixtures("without_pages")
def test_a_scheduler_elsewhere_gives_the_same_tables(
    tmp_path: Path, scan_bytes: bytes, measure_elsewhere: MakeMeasure, other_cluster: LocalCluster
) -> None:
    day = Day(tmp_path, scan_bytes, ["a", "b"])
    measure = measure_elsewhere(day.calls)
    result = day.run("there", measure, scheduler=other_cluster.scheduler_address)
    assert len(result.measured) == 2
    day.run("here", measure)
    assert day.read_tables("there") == day.read_tables("here")
    assert len(other_cluster.workers) == 1


def test_a_disk_that_is_full_on_the_worker_ends_the_run(
    tmp_path: Path, scan_bytes: bytes, other_cluster: LocalCluster
) -> None:
    def fill_disk(*args: object, **others: object) -> None:
        from canalmorph.results_errors import ResultsNotWritableError

        raise ResultsNotWritableError(folder="results")

    day = Day(tmp_path, scan_bytes, ["a", "b"])
    with pytest.raises(ResultsNotWritableError, match="space on the disk"):
        day.run("out", fill_disk, scheduler=other_cluster.scheduler_address)


def test_schedulers_that_are_not_there_or_unfit_are_refused(
    tmp_path: Path, scan_bytes: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    from canalmorph.batch import cluster as module

    monkeypatch.setattr(module, "CONNECT_S", 1.0)
    day = Day(tmp_path, scan_bytes, ["a"])
    with pytest.raises(ClusterUnreachableError, match=r"No scheduler answers at tcp://127"):
        day.run("out", lambda: None, scheduler="tcp://127.0.0.1:9")
    with (
        start_cluster(processes=False, threads_per_worker=2) as wide,
        pytest.raises(ClusterUnreachableError, match="--nthreads 1"),
    ):
        day.run("out", lambda: None, scheduler=wide.scheduler_address)


def test_workers_fit_cores_memory_and_cases(monkeypatch: pytest.MonkeyPatch) -> None:
    from canalmorph.batch import cluster as module

    monkeypatch.setattr(module, "count_cores", lambda: 8)
    monkeypatch.setattr(psutil, "virtual_memory", lambda: type("", (), {"available": 13 * 10**9}))
    assert [choose_workers(n) for n in (1, 3, 100)] == [1, 3, 4]
    monkeypatch.setattr(psutil, "virtual_memory", lambda: type("", (), {"available": 10**9}))
    assert choose_workers(100) == 1
    assert count_cores() >= 1


def test_a_single_case_starts_no_cluster(
    tmp_path: Path, small_dicom: Path, known_measure: MeasureScan, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **others: object) -> None:
        raise AssertionError("no cluster is needed")

    monkeypatch.setattr(ClusterEngine, "take", refuse)
    result = measure_inputs(
        [small_dicom], tmp_path / "out", SETTINGS, engine=FittingEngine(), measure=known_measure
    )
    assert len(result.measured) == 1


MAIN = """
import pickle, sys
from pathlib import Path
from canalmorph.batch.cluster import ClusterEngine
from canalmorph.batch.outcomes import BatchOptions
from canalmorph.batch.run import measure_inputs
from canalmorph.pipeline import Settings

if __name__ == "__main__":
    day, out, key, measure = map(Path, sys.argv[1:])
    measure_inputs(
        [day], out, Settings(), options=BatchOptions(key_file=key),
        engine=ClusterEngine(workers=2), measure=pickle.loads(measure.read_bytes()),
    )
"""


def start_run(day: Day, measure: MeasureScan) -> "subprocess.Popen[bytes]":
    """Start a run in a process of its own, with two workers, into ``out``."""
    import cloudpickle

    (day.folder / "measure").write_bytes(cloudpickle.dumps(measure))
    (day.folder / "main.py").write_text(textwrap.dedent(MAIN))
    words = [day.scans, day.folder / "out", day.key, day.folder / "measure"]
    # A session of its own: the signal reaches the whole group, as one from a terminal does.
    return subprocess.Popen(
        [sys.executable, day.folder / "main.py", *words],
        start_new_session=True,
        stderr=subprocess.PIPE,
    )


@pytest.mark.slow
@pytest.mark.usefixtures("without_pages")
@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGKILL], ids=["interrupted", "killed"])
def test_a_run_that_is_stopped_leaves_no_process_and_is_taken_up(
    tmp_path: Path, scan_bytes: bytes, measure_elsewhere: MakeMeasure, how: signal.Signals
) -> None:
    day = Day(tmp_path, scan_bytes, list("abcdefgh"))
    measure = measure_elsewhere(day.calls, nap_s=0.5)
    process = start_run(day, measure)
    while len(day.read_calls()) < 4:
        assert process.poll() is None, process.stderr and process.stderr.read()
        time.sleep(0.05)
    workers = psutil.Process(process.pid).children(recursive=True)
    assert len(workers) >= 2
    started = time.monotonic()
    if how is signal.SIGINT:
        os.killpg(process.pid, how)
    else:
        os.kill(process.pid, how)
    process.communicate()
    _gone, alive = psutil.wait_procs(workers, timeout=10)
    assert alive == []
    # Five seconds are promised; a machine with more processes than cores is given some more.
    assert time.monotonic() - started < 10
    n_before = len(day.read_calls())
    day.run("out", measure)
    calls = day.read_calls()
    assert set(calls) == {f"day/{name}.nii" for name in "abcdefgh"}
    # What was under way is measured again; what was finished is not.
    n_under_way = 2
    assert len(calls) <= 8 + n_under_way
    assert n_before < 8
    day.run("alone", measure)
    assert day.read_tables("out") == day.read_tables("alone")
    assert not list((tmp_path / "out/cases").glob(".*"))


@pytest.mark.slow
@pytest.mark.usefixtures("without_pages")
@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("victim", ["worker", "main", "interrupt"])
def test_a_fault_at_any_moment_changes_no_table(
    tmp_path: Path, scan_bytes: bytes, measure_elsewhere: MakeMeasure, victim: str, seed: int
) -> None:
    day = Day(tmp_path, scan_bytes, list("abcdefgh"))
    measure = measure_elsewhere(day.calls, nap_s=0.2)
    process = start_run(day, measure)
    random = Random(seed)
    if random.random() < 0.7:  # else while it starts
        while not day.read_calls():
            time.sleep(0.02)
    time.sleep(3.0 * random.random())
    workers = psutil.Process(process.pid).children(recursive=True)
    if victim == "worker" and workers:
        psutil.Process(random.choice(workers).pid).kill()
        process.wait()
    else:
        os.killpg(process.pid, signal.SIGINT if victim == "interrupt" else signal.SIGKILL)
    stopped = time.monotonic()
    process.communicate()
    assert psutil.wait_procs(workers, timeout=10)[1] == []
    assert victim == "worker" or time.monotonic() - stopped < 10
    result = day.run("out", measure)
    assert {one.state for one in result.outcomes} == {"measured"}
    # Two were under way; a worker's case is tried again by itself.
    assert len(day.read_calls()) <= 8 + 2
    day.run("alone", measure)
    assert day.read_tables("out") == day.read_tables("alone")
    assert not list((tmp_path / "out/cases").glob(".*"))


ELSEWHERE = """
import time
from distributed import LocalCluster

if __name__ == "__main__":
    cluster = LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address="127.0.0.1:0")
    print(cluster.scheduler_address, flush=True)
    time.sleep(600)
"""


@pytest.mark.usefixtures("without_pages")
@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(n, marks=pytest.mark.slow) for n in range(1, 20))]
)
def test_a_scheduler_that_is_killed_loses_no_case(
    tmp_path: Path, scan_bytes: bytes, measure_elsewhere: MakeMeasure, seed: int
) -> None:
    day = Day(tmp_path, scan_bytes, list("abcde"))
    measure = measure_elsewhere(day.calls, nap_s=0.5)
    (tmp_path / "elsewhere.py").write_text(ELSEWHERE)
    with subprocess.Popen(
        [sys.executable, tmp_path / "elsewhere.py"],
        start_new_session=True,
        stdout=subprocess.PIPE,
        text=True,
    ) as scheduler:
        assert scheduler.stdout is not None
        address = scheduler.stdout.readline().strip()

        def kill() -> None:
            while not day.read_calls():
                time.sleep(0.02)
            time.sleep(0.8 * Random(seed).random())
            os.kill(scheduler.pid, signal.SIGKILL)

        killer = threading.Thread(target=kill)
        killer.start()
        try:
            with pytest.raises(ClusterLostError, match="again"):
                day.run("out", measure, scheduler=address)
        finally:
            killer.join()
            os.killpg(scheduler.pid, signal.SIGKILL)  # its workers
    result = day.run("out", measure)
    assert {one.state for one in result.outcomes} == {"measured"}
    assert len(day.read_calls()) <= 5 + 2  # two were under way
    day.run("alone", measure)
    assert day.read_tables("out") == day.read_tables("alone")
    assert not list((tmp_path / "out/cases").glob(".*"))


@pytest.mark.slow
@pytest.mark.usefixtures("without_pages")
@pytest.mark.parametrize("longest_file_bytes", [1_000, 15_000, 60_000, 200_000])
def test_after_a_full_disk_a_run_is_taken_up(
    tmp_path: Path,
    scan_bytes: bytes,
    measure_elsewhere: MakeMeasure,
    longest_file_bytes: int,
) -> None:
    resource = pytest.importorskip("resource", reason="limits of files are those of POSIX")
    day = Day(tmp_path, scan_bytes, ["a", "b"])
    measure = measure_elsewhere(day.calls)
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    # A file that may not grow fails as on a full disk: in the ledger, a table or a case.
    resource.setrlimit(resource.RLIMIT_FSIZE, (longest_file_bytes, before[1]))
    try:
        with pytest.raises(ResultsNotWritableError):
            day.run("out", measure)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    whole = [path.name for path in (tmp_path / "out").glob("cases/[!.]*")]
    assert whole == []
    day.run("out", measure)
    day.run("alone", measure)
    assert day.read_tables("out") == day.read_tables("alone")
    assert not list((tmp_path / "out/cases").glob(".*"))


@pytest.mark.skipif(os.name == "nt" or os.geteuid() == 0, reason="root may write anywhere")
def test_results_that_can_only_be_read_are_left_as_they_are(
    tmp_path: Path, scan_bytes: bytes
) -> None:
    day = Day(tmp_path, scan_bytes, ["a"])
    (tmp_path / "out").mkdir()
    (tmp_path / "out").chmod(0o500)
    with pytest.raises(ResultsNotWritableError):
        day.run("out", lambda: None)
    assert list((tmp_path / "out").iterdir()) == []
