"""Two femora at once give the bytes of one after the other."""

import os
import pickle
import subprocess
import sys
from pathlib import Path

import pytest

from canalmorph.model.volume import CtVolume
from canalmorph.threads import map_in_threads

AT_ONCE = """
import threading
import numpy as np
from canalmorph.geometry.grids import average_blocks
from canalmorph.threads import map_in_threads
import numba

voxels = np.random.default_rng(1).integers(-1000, 1000, (60, 60, 60)).astype(np.int16)
expected, _ = average_blocks(voxels, np.eye(4), block_mm=3.0)
both_here = threading.Barrier(2, timeout=30)

def average(number):
    both_here.wait()
    same = all(
        (average_blocks(voxels, np.eye(4), block_mm=3.0)[0] == expected).all() for _ in range(50)
    )
    return number, same, numba.get_num_threads()

print(numba.threading_layer(), map_in_threads(average, [1, 2]), numba.get_num_threads())
"""
MEASURE = """
import pickle, sys
from pathlib import Path
from canalmorph.export.rows import make_case_rows
from canalmorph.export.tables import write_tables
from canalmorph.pipeline import Settings, measure_scan
volume = pickle.loads(Path(sys.argv[1]).read_bytes())
measured = measure_scan(volume, Settings(), case_id="pair")
write_tables(Path(sys.argv[2]), [make_case_rows(measured.case)])
"""


def _run(code: str, *words: str | Path, threads: int) -> str:
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", code, *map(str, words)],
        env={**os.environ, "NUMBA_NUM_THREADS": str(threads)},
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )
    return done.stdout


def test_two_threads_share_the_processors_and_find_the_same() -> None:
    layer, _, found = _run(AT_ONCE, threads=2).partition(" ")
    assert layer in {"omp", "tbb"}, "this machine's loops run in one thread at a time"
    # Each of two threads has one processor; the caller has its two again.
    assert found.strip() == "[(1, True, 1), (2, True, 1)] 2"


def test_one_processor_takes_one_after_the_other() -> None:
    # These tests run with one: see `conftest.py`.
    order: list[int] = []
    assert map_in_threads(order.append, [2, 1]) == [None, None]
    assert order == [2, 1]


def test_an_error_of_one_is_the_callers() -> None:
    with pytest.raises(ZeroDivisionError):
        map_in_threads(lambda number: 1 // number, [1, 0])


@pytest.mark.slow
def test_both_femora_at_once_give_the_bytes_of_one_by_one(
    pair_volume: CtVolume, tmp_path: Path
) -> None:
    kept = tmp_path / "volume.pickle"
    kept.write_bytes(pickle.dumps(pair_volume))
    for threads in (1, 2):
        (tmp_path / str(threads)).mkdir()
        _run(MEASURE, kept, tmp_path / str(threads), threads=threads)
    names = sorted(path.name for path in (tmp_path / "1").iterdir())
    assert "sections.csv" in names
    for name in names:
        assert (tmp_path / "1" / name).read_bytes() == (tmp_path / "2" / name).read_bytes(), name
