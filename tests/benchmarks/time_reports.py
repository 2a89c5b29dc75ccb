"""Time what drawing page and paper costs, beside the measuring; run it by hand.

``python tests/benchmarks/time_reports.py RESULTS`` takes a folder that ``measure`` made, measures
each case's femora again from what was kept of them, draws ``report.html`` and ``report.pdf`` beside
it, and prints both as wall and processor time of one thread, the files' sizes, and their share. The
first case is drawn twice: modules, letters and what is compiled are loaded once in a process. Bar:
3 s for both reports of a case on one core.
"""

import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from canalmorph.batch.case_files import write_reports
from canalmorph.batch.clinic import CLINIC_NAME, read_clinic
from canalmorph.batch.digest import RECORD_NAME
from canalmorph.export.record import read_record
from canalmorph.export.surfaces import SURFACES_NAME, read_surfaces
from canalmorph.pipeline import Settings, measure_aligned
from canalmorph.report.pictures import take_all_pictures


def measure_time(work: Callable[[], object]) -> tuple[float, float]:
    """Return wall and processor time of some work [s]."""
    wall, processor = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - wall, time.process_time() - processor


def time_case(case_folder: Path) -> None:
    """Print a case's times."""
    case, clinic = read_record(case_folder / RECORD_NAME), read_clinic(case_folder / CLINIC_NAME)
    aligned = read_surfaces(case_folder / SURFACES_NAME)
    measuring = measure_time(lambda: [measure_aligned(one, Settings()) for one in aligned])
    with tempfile.TemporaryDirectory() as aside:
        started = time.perf_counter(), time.process_time()
        pictures = take_all_pictures(case.femora, aligned)
        taken = time.process_time() - started[1]
        write_reports(Path(aside), case, pictures, clinic)
        wall, processor = time.perf_counter() - started[0], time.process_time() - started[1]
        sizes = ", ".join(
            f"{path.name} {path.stat().st_size / 1e6:.2f} MB"
            for path in sorted(Path(aside).glob("report.*"))
        )
    print(
        f"{case_folder.name}, {len(aligned)} femora: "
        f"drawing {wall:5.2f} s wall, {processor:5.2f} s processor (pictures {taken:4.2f}); "
        f"measuring from surfaces {measuring[0]:5.2f} s wall, {measuring[1]:5.2f} s processor; "
        f"{sizes}"
    )


def main(results: Path) -> None:
    """Print the times of every case of a folder."""
    load = ", ".join(f"{one:.1f}" for one in os.getloadavg())
    print(f"{os.cpu_count()} processors, load {load}")
    folders = sorted(path.parent for path in results.glob(f"cases/[!.]*/{SURFACES_NAME}"))
    for folder in [*folders[:1], *folders]:
        time_case(folder)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
