"""Times and peak memory of ``export``, ``describe`` and ``agree`` on 10,000 invented femora.

``python tests/benchmarks/time_cohort.py DIR [CASES]`` makes two results folders in DIR (1.5 GB each
with 5,000 cases, of 200 sections a femur), runs each command in a process of its own, and prints
what it took. No scan is measured: the rows are drawn at random and written by the library.
"""

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from canalmorph.export.rows import CaseRows, Cell, expand_columns
from canalmorph.export.tables import CaseLines, format_case, write_case_lines
from canalmorph.model.column import Column
from canalmorph.model.columns import FEMUR_COLUMNS, SECTION_COLUMNS

LEVELS_MM = np.arange(40.0, -360.0, -2.0)
#: Different cases that are drawn; the others are the same with another name.
N_DRAWN = 40
PLACEHOLDER = "gffffffffff0"
SHAPES = ("stovepipe", "normal", "champagne_flute")


def draw_row(columns: tuple[Column, ...], rng: np.random.Generator, side: str) -> dict[str, Cell]:
    """Return a row in which every number is known."""
    row: dict[str, Cell] = {}
    for column in expand_columns(columns):
        number = float(rng.normal(12.0, 2.0))
        row[column.name] = 0.1 if column.name.endswith("_u") else number if column.unit else ""
    return {**row, "case_id": PLACEHOLDER, "side": side}


def draw_case(seed: int) -> CaseLines:
    """Return the lines of a case of two femora under a name that stands for another."""
    rng = np.random.default_rng(seed)
    femurs, sections = [], []
    for side in ("right", "left"):
        shape = SHAPES[int(rng.integers(3))]
        facts = {"status": "measured", "plane": "neck", "canal_shape": shape, "bone_letter": "B"}
        femurs.append({**draw_row(FEMUR_COLUMNS, rng, side), **facts, "software_version": "0.1.0"})
        section = draw_row(SECTION_COLUMNS, rng, side)
        sections += [{**section, "level_mm": float(level)} for level in LEVELS_MM]
    return format_case(CaseRows(femurs=femurs, sections=sections))


def list_cases(n_cases: int, first_seed: int) -> Iterator[CaseLines]:
    """Yield the lines of all cases."""
    drawn = [draw_case(first_seed + number) for number in range(N_DRAWN)]
    for number in range(n_cases):
        name = f"g{number:011x}"
        lines = drawn[number % N_DRAWN]
        yield {table: text.replace(PLACEHOLDER, name) for table, text in lines.items()}


def run_measured(words: list[str]) -> tuple[float, float, int]:
    """Return wall time [s], peak memory [MB] and exit status of a command."""
    started = time.monotonic()
    with subprocess.Popen(
        [sys.executable, "-m", "canalmorph_cli", *words], stdout=subprocess.DEVNULL
    ) as process:
        _, status, usage = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    return time.monotonic() - started, usage.ru_maxrss / 1024, process.returncode


def main(folder: Path, n_cases: int) -> None:
    """Make the folders where they are missing, and print a line a command."""
    a, b = folder / "a", folder / "b"
    for results, seed in ((a, 0), (b, 1000)):
        if not (results / "columns.csv").exists():
            results.mkdir(parents=True, exist_ok=True)
            write_case_lines(results, list_cases(n_cases, seed))
    few = "outer_ml_mm,canal_ml_mm,quality"
    commands = {
        "export femurs csv": ["export", str(a)],
        "export femurs xlsx": ["export", str(a), "--format", "xlsx"],
        "export sections csv": ["export", str(a), "--what", "sections"],
        "export sections parquet": ["export", str(a), "--what", "sections", "--format", "parquet"],
        "export sections xlsx, 3 columns": [
            *("export", str(a), "--what", "sections", "--format", "xlsx", "--columns", few)
        ],
        "describe": ["describe", str(a)],
        "describe by shape": ["describe", str(a), "--by", "canal_shape"],
        "agree": ["agree", str(a), str(b)],
    }
    for name, words in commands.items():
        seconds, megabytes, status = run_measured([*words, "--out", str(folder / "out")])
        print(f"{name:34} {seconds:7.1f} s {megabytes:7.0f} MB  status {status}", flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]) if len(sys.argv) > 2 else 5000)
