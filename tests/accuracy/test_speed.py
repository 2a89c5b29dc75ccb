"""A benchmark: measuring a whole scan against a process that only reads it, in one run.

It prints the ratio and the memory; machines are shared and noisy, so the ratio is not a verdict.
``-m slow -s`` runs it.
"""

import os
import resource
import subprocess
import sys
import time
from dataclasses import replace

import pytest

from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.write import write_dicom

#: The reference: what a general library needs to read the same folder.
READ_ONLY = """
import sys
import SimpleITK
reader = SimpleITK.ImageSeriesReader()
reader.SetFileNames(reader.GetGDCMSeriesFileNames(sys.argv[1]))
print(reader.Execute().GetSize())
"""
LARGEST_MEMORY_GB = 3.0


def run_timed(command):
    start = time.perf_counter()
    # As a user runs it: the tests' own limit of one thread must not reach the process.
    environment = {name: value for name, value in os.environ.items() if "NUMBA" not in name}
    done = subprocess.run(command, capture_output=True, text=True, check=True, env=environment)
    return time.perf_counter() - start, done.stdout


@pytest.mark.slow
def test_a_whole_scan_costs_a_few_times_its_reading(tmp_path, capsys):
    spec = CATALOGUE["normal_pair"]
    scanner = replace(
        spec.scanner,
        x_range_mm=(-204.4, 204.4),
        y_range_mm=(-204.4, 204.4),
        z_range_mm=(-520.0, 79.0),
    )
    scan = build_scan(replace(spec, scanner=scanner))
    assert scan.volume.voxels_hu.shape == (600, 512, 512)
    folder = tmp_path / "scan"
    write_dicom(scan, folder, patient_name="Invented^Benchmark", patient_id="BENCH-1")
    rows = []
    for run in range(4):
        reading, _ = run_timed([sys.executable, "-c", READ_ONLY, str(folder)])
        out = tmp_path / f"results{run}"
        command = [
            sys.executable,
            "-m",
            "canalmorph_cli",
            "measure",
            str(folder),
            "--out",
            str(out),
        ]
        measuring, _ = run_timed(command)
        assert len((out / "femurs.csv").read_text().splitlines()) == 3
        if run:  # the first run compiles and fills the disk's cache
            rows.append((reading, measuring, measuring / reading))
    memory_gb = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024**2
    with capsys.disabled():
        print("\n reading [s]  measuring [s]  ratio")
        for reading, measuring, ratio in rows:
            print(f"{reading:12.2f}{measuring:15.2f}{ratio:7.1f}")
        print(f"largest memory of any process: {memory_gb:.2f} GB")
    assert memory_gb < LARGEST_MEMORY_GB
