"""Processes that work for another one: they end with it."""

import signal
import subprocess
import sys
from pathlib import Path

import psutil
import pytest

from canalmorph_cli.acceptance.pool import start_pool

WORK = """
import time
from canalmorph_cli.acceptance.pool import start_pool
if __name__ == "__main__":
    with start_pool(2) as pool:
        rest = pool.map(time.sleep, [0.0, 0.0, 600.0, 600.0, 600.0])
        next(rest), next(rest)
        print("begun", flush=True)
        list(rest)
"""


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGKILL])
def test_workers_end_with_the_process_that_they_work_for(
    how: signal.Signals, tmp_path: Path
) -> None:
    script = tmp_path / "work.py"
    script.write_text(WORK, encoding="utf-8")
    process = subprocess.Popen(
        [sys.executable, script], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL
    )
    assert process.stdout is not None
    with process.stdout as told:
        assert told.readline() == b"begun\n"
        workers = psutil.Process(process.pid).children(recursive=True)
        assert len(workers) >= 2
        # To this process alone, as a service manager does it: no terminal tells the workers.
        process.send_signal(how)
        process.wait(30)
        _, alive = psutil.wait_procs(workers, timeout=30)
    assert not alive


def test_a_pool_gives_what_it_was_asked_for() -> None:
    with start_pool(2) as pool:
        assert list(pool.map(abs, [-1, 2, -3])) == [1, 2, 3]
