"""Rates, overhead and memory of a batch; run it by hand on a quiet machine.

``python tests/benchmarks/time_batch.py DIR real [CASES]`` measures a small scan of one femur CASES
times (40), with one worker and with two, and prints how many times as fast two are.

``python tests/benchmarks/time_batch.py DIR known [CASES]`` takes CASES tiny scans (10,000) whose
measures are known already: 50 ms of work each, then what a worker does with real results but pages
and surfaces. It prints which share of the two workers' time is not theirs, the memory of the main
process and of the largest worker along the run, and whether every case is in the tables.
"""

import csv
import gzip
import os
import pickle
import platform
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import psutil
from known_cases import KNOWN, measure

from canalmorph.batch.cluster import ClusterEngine
from canalmorph.batch.outcomes import BatchResult, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.pipeline import Settings, measure_scan
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.write import write_nifti

N_REAL, N_KNOWN = 40, 10_000
#: Memory is looked at so often. [s]
LOOK_S = 1.0


def write_copies(folder: Path, scan: bytes, n: int) -> None:
    """Write one NIfTI file n times; the last voxel, in a corner of air, tells them apart."""
    folder.mkdir(parents=True)
    for number in range(n):
        last = np.int16(-1024 + number % 200).tobytes() + np.int16(-1024 + number // 200).tobytes()
        (folder / f"{number:05d}.nii").write_bytes(scan[:-4] + last)


def make_tiny(folder: Path, result: PhantomResult) -> bytes:
    """Return a NIfTI file of every fifth voxel: large enough to be read, too small to find in."""
    volume = result.volume
    steps = np.diag([5.0, 5.0, 5.0, 1.0])
    tiny = replace(
        volume,
        voxels_hu=np.ascontiguousarray(volume.voxels_hu[::5, ::5, ::5]),
        index_to_lps_mm=volume.index_to_lps_mm @ steps,
    )
    path = write_nifti(replace(result, volume=tiny), folder / "tiny.nii")
    data = path.read_bytes()
    return gzip.decompress(data) if data[:2] == b"\x1f\x8b" else data


def note_known(folder: Path, result: PhantomResult) -> None:
    """Write a real scan's measures to where the workers look for them."""
    known = folder / "known"
    measured = measure_scan(result.volume, Settings(), case_id="known")
    known.write_bytes(pickle.dumps(replace(measured, aligned=())))
    os.environ[KNOWN] = str(known)
    here = str(Path(__file__).parent)
    os.environ["PYTHONPATH"] = os.pathsep.join([here, os.environ.get("PYTHONPATH", "")])


@contextmanager
def watch_memory() -> Iterator[list[tuple[float, float]]]:
    """Yield a list that fills with the memory of this process and of its largest child [MB]."""
    seen: list[tuple[float, float]] = []
    process, over = psutil.Process(), threading.Event()

    def look() -> None:
        while not over.wait(LOOK_S):
            held = [0.0]
            for child in process.children(recursive=True):
                try:
                    held.append(child.memory_info().rss / 2**20)
                except psutil.NoSuchProcess:
                    continue
            seen.append((process.memory_info().rss / 2**20, max(held)))

    thread = threading.Thread(target=look, daemon=True)
    thread.start()
    try:
        yield seen
    finally:
        over.set()
        thread.join()


def take(scans: Path, out: Path, workers: int, measure: MeasureScan) -> tuple[BatchResult, float]:
    """Measure into a new folder; return what came of it, and the wall time [s]."""
    started = time.perf_counter()
    result = measure_inputs(
        [scans], out, Settings(), engine=ClusterEngine(workers=workers), measure=measure
    )
    return result, time.perf_counter() - started


def compare_workers(folder: Path, n: int) -> None:
    result = build_scan(SMALL["small_right"])
    write_copies(folder / "scans", write_nifti(result, folder / "one.nii").read_bytes(), n)
    walls = {}
    for workers in (1, 2):
        batch, walls[workers] = take(
            folder / "scans", folder / f"out{workers}", workers, measure_scan
        )
        print(f"{workers} worker(s): {len(batch.measured)} cases in {walls[workers]:.0f} s")
    print(f"two workers are {walls[1] / walls[2]:.2f} times as fast")


def find_overhead(folder: Path, n: int) -> None:
    result = build_scan(SMALL["small_right"])
    write_copies(folder / "scans", make_tiny(folder, result), n)
    note_known(folder, result)
    with watch_memory() as seen:
        batch, wall = take(folder / "scans", folder / "out", 2, measure)
    busy = sum(outcome.seconds for outcome in batch.outcomes)
    print(f"{len(batch.measured)} of {n} cases in {wall:.0f} s, {busy:.0f} s of them on 2 workers")
    print(f"not the workers': {1 - busy / (2 * wall):.1%}")
    third = len(seen) // 3
    for name, held in zip(("main process", "largest worker"), np.array(seen).T, strict=True):
        parts = [held[third * part : third * (part + 1)].mean() for part in range(3)]
        print(f"memory of the {name} by thirds [MB]:", *(round(part) for part in parts))
    with (folder / "out" / "femurs.csv").open(encoding="utf-8-sig") as file:
        cases = {row["case_id"] for row in csv.DictReader(file)}
    print(f"cases in femurs.csv: {len(cases)}")


def main() -> None:
    folder, what, *rest = sys.argv[1:]
    print(platform.platform(), platform.processor(), psutil.cpu_count(), "cores")
    run = {"real": (compare_workers, N_REAL), "known": (find_overhead, N_KNOWN)}
    function, usual = run[what]
    home = Path(folder) / what
    home.mkdir(parents=True)
    function(home, int(rest[0]) if rest else usual)


if __name__ == "__main__":
    main()
