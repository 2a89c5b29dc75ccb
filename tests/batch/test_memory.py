"""The memory of one process over many cases (by hand: two minutes and more)."""

from pathlib import Path

import numpy as np
import psutil
import pytest

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.pipeline import Settings
from canalmorph_phantoms.build import PhantomResult
from canalmorph_phantoms.write import write_nifti

N_CASES, N_COMPARED = 45, 15
#: What the first cases of a process load and keep, such as fonts and compiled code.
N_WARM = 5


@pytest.mark.slow
def test_i76_memory_does_not_grow_from_case_to_case(
    small_result: PhantomResult, tmp_path: Path, known_measure: MeasureScan
) -> None:
    """Reading, pages, tables and records of every case are real; only measuring is not done."""
    scans = tmp_path / "scans"
    scans.mkdir()
    whole = write_nifti(small_result, tmp_path / "whole.nii").read_bytes()
    for number in range(N_WARM + N_CASES):
        # The last voxel, in a corner of air, tells the scans apart.
        last = np.int16(-1000 - number).tobytes()
        (scans / f"{number:03d}.nii").write_bytes(whole[:-2] + last)
    process, held_mb = psutil.Process(), []

    def measure(*args, **others):
        held_mb.append(process.memory_info().rss / 2**20)
        return known_measure(*args, **others)

    result = measure_inputs([scans], tmp_path / "out", Settings(), measure=measure)
    assert len(result.measured) == N_WARM + N_CASES
    first, last = held_mb[N_WARM : N_WARM + N_COMPARED], held_mb[-N_COMPARED:]
    assert np.mean(last) < 1.1 * np.mean(first), [round(mb) for mb in held_mb]
