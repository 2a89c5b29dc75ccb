"""Time the measuring of whole scans beside SimpleITK reading the same files; run it by hand.

``python tests/benchmarks/time_measuring.py DIR [SLICES...]`` makes a scan of two femora, 512 x 512
pixels, for each number of slices (600 and 1200) in DIR, where it is missing, and takes each of
these as a process of its own, in turn, so that what else the machine does falls on all:

- SimpleITK, that reads the series and ends;
- the library: survey, reading, both femora, masks and tables, no pages;
- ``canalmorph measure``, with page, paper and pictures.

It prints wall times, their ratios to SimpleITK's, processor times, and peak memory beside that of
the voxels.
"""

import os
import platform
import resource
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from importlib.metadata import version
from pathlib import Path

import numpy as np

#: Each is taken so often.
ROUNDS = 5
COLUMNS_MM, ROWS_MM = (-199.4, 199.4), (-196.0, 202.8)
PIXEL_MM, SLICE_MM, TOP_MM = 0.78, 0.5, 45.0
READ_BY_SIMPLEITK = """
import sys
import SimpleITK as sitk
reader = sitk.ImageSeriesReader()
reader.SetFileNames(reader.GetGDCMSeriesFileNames(sys.argv[1]))
reader.Execute()
"""
MEASURE_BY_LIBRARY = """
import sys
from pathlib import Path
from canalmorph.export.masks import write_masks
from canalmorph.export.rows import make_case_rows
from canalmorph.export.tables import write_tables
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.scans import read_series, survey_scans
(found,) = survey_scans(sys.argv[1])
volume = read_series(found)
measured = measure_scan(volume, Settings(), case_id="timed")
assert len(measured.case.femora) == 2, measured.case.refusals
write_masks(Path(sys.argv[2]) / "masks.nii.gz", volume, measured.aligned)
write_tables(Path(sys.argv[2]), [make_case_rows(measured.case)])
"""
WAYS = {
    "SimpleITK reads": ["-c", READ_BY_SIMPLEITK],
    "tables and masks": ["-c", MEASURE_BY_LIBRARY],
    "canalmorph measure": ["-m", "canalmorph_cli", "measure"],
}


@dataclass(frozen=True, slots=True)
class Spent:
    """What a process took: seconds by the clock and of processors, and memory at its peak [MB]."""

    wall_s: float
    processor_s: float
    peak_mb: float


def make_scan(folder: Path, n_slices: int) -> None:
    """Write the scan of two femora with so many slices."""
    from canalmorph_phantoms.build import build_scan
    from canalmorph_phantoms.catalogue import CATALOGUE
    from canalmorph_phantoms.write import write_dicom

    pair = CATALOGUE["normal_pair"]
    scanner = replace(
        pair.scanner,
        pixel_mm=PIXEL_MM,
        slice_spacing_mm=SLICE_MM,
        slice_thickness_mm=0.8,
        x_range_mm=COLUMNS_MM,
        y_range_mm=ROWS_MM,
        z_range_mm=(TOP_MM - SLICE_MM * (n_slices - 0.8), TOP_MM),
    )
    result = build_scan(replace(pair, name=f"timed_{n_slices}", scanner=scanner))
    unfinished = folder.with_name(f"{folder.name}.part")
    write_dicom(result, unfinished)
    unfinished.rename(folder)


def run_process(words: list[str]) -> Spent:
    """Run Python with these words to its end."""
    started = time.monotonic()
    # As the command line has it; SimpleITK's memory is its own.
    env = {**os.environ, "NUMPY_MADVISE_HUGEPAGE": "0"}
    command = [sys.executable, *words]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=env) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise SystemExit(f"status {process.returncode} of {words[:3]}")
    return Spent(
        time.monotonic() - started, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024
    )


def take_times(folder: Path) -> dict[str, list[Spent]]:
    """Return what each way took, round by round, after one that fills the caches."""
    spent: dict[str, list[Spent]] = {way: [] for way in WAYS}
    for number in range(ROUNDS + 1):
        for way, words in WAYS.items():
            with tempfile.TemporaryDirectory() as out:
                where = ["--out", out] if "measure" in words else [out]
                took = run_process([*words, str(folder), *where])
            if number:
                spent[way].append(took)
    return spent


def print_table(n_slices: int, spent: dict[str, list[Spent]]) -> None:
    """Print medians, ratios round by round, and peaks."""
    voxels_mb = 512 * 512 * n_slices * 2 / 2**20
    print(f"\n512 x 512 x {n_slices}, {ROUNDS} rounds; voxels {voxels_mb:.0f} MB as int16")
    print(f"{'':22}{'median [s]':>11}{'times':>8}{'processor [s]':>15}{'peak - voxels [MB]':>20}")
    base = np.array([took.wall_s for took in spent["SimpleITK reads"]])
    for way, taken in spent.items():
        wall = np.array([took.wall_s for took in taken])
        processor = np.median([took.processor_s for took in taken])
        peak = max(took.peak_mb for took in taken) - voxels_mb
        print(
            f"{way:22}{np.median(wall):11.2f}{np.median(wall / base):8.2f}{processor:15.2f}"
            f"{peak:20.0f}",
            flush=True,
        )


def main(folder: Path, numbers: list[int]) -> None:
    """Make what is missing, and print a table a scan."""
    folder.mkdir(parents=True, exist_ok=True)
    names = ("canalmorph", "SimpleITK", "numpy", "numba")
    print(f"Python {platform.python_version()}, {os.cpu_count()} processors, {platform.machine()};")
    print(", ".join(f"{name} {version(name)}" for name in names))
    print(f"load {os.getloadavg()[0]:.1f} at the start")
    for n_slices in numbers:
        scan = folder / f"slices_{n_slices}"
        if not scan.exists():
            make_scan(scan, n_slices)
        print_table(n_slices, take_times(scan))
    children = resource.getrusage(resource.RUSAGE_CHILDREN)
    print(f"\nload {os.getloadavg()[0]:.1f} at the end, {children.ru_utime:.0f} s of processors")


if __name__ == "__main__":
    main(Path(sys.argv[1]), [int(word) for word in sys.argv[2:]] or [600, 1200])
