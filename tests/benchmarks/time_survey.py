"""Time the survey of many slices beside pydicom reading the same headers; run it by hand.

``python tests/benchmarks/time_survey.py [FILES]`` writes so many slices (2000) into a temporary
folder, takes both in turn, and prints a table. The survey may take twice as long at most: it reads
the same headers, tells series apart and fits their grids.
"""

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pydicom

from canalmorph.read.scans import survey_scans
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.write import write_dicom

#: Each is taken so often, in turn, so that what else the machine does falls on both.
ROUNDS = 5


def write_series(folder: Path, n_files: int) -> list[Path]:
    """Write series of one phantom until there are so many files, and return them."""
    result: PhantomResult = build_scan(SMALL["small_hip_only"])
    files: list[Path] = []
    for number in range(n_files):
        if len(files) >= n_files:
            break
        files += write_dicom(result, folder / f"{number:03d}", series_tag=str(number))
    for path in files[n_files:]:
        path.unlink()
    return files[:n_files]


def read_headers(files: list[Path]) -> None:
    """Read every header as a script would."""
    for path in files:
        pydicom.dcmread(path, stop_before_pixels=True).get("SeriesInstanceUID")


def take_time(action: Callable[[], object]) -> float:
    """Return how long an action takes [s]."""
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def main(n_files: int) -> None:
    """Print both times and their ratio."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        files = write_series(folder, n_files)
        read_headers(files)  # so that both find the files in the system's memory
        times = np.array(
            [
                (take_time(lambda: read_headers(files)), take_time(lambda: survey_scans(folder)))
                for _ in range(ROUNDS)
            ]
        )
    print(f"{len(files)} files, {ROUNDS} rounds")
    print(f"{'':<28}{'median [s]':>12}{'fastest [s]':>12}")
    for name, column in zip(("pydicom, headers", "survey_scans"), times.T, strict=True):
        print(f"{name:<28}{np.median(column):>12.2f}{column.min():>12.2f}")
    ratios = times[:, 1] / times[:, 0]
    print(f"{'survey over pydicom':<28}{np.median(ratios):>12.2f}{ratios.min():>12.2f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
