"""Measures that are known already, for other processes."""

import pickle
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.pipeline import ScanMeasurement


@pytest.fixture(scope="session")
def measure_elsewhere(
    measurement: ScanMeasurement, tmp_path_factory: pytest.TempPathFactory
) -> Callable[..., MeasureScan]:
    """Return a maker of measures that are known already, for other processes.

    What a source's name asks for happens (``die``, ``hang``, ``fill``); each call is a line in the
    file of calls. Pages are left out, which take longest.
    """
    known = tmp_path_factory.mktemp("known") / "measurement"
    known.write_bytes(pickle.dumps(measurement))

    def make(calls: Path, nap_s: float = 0.0) -> MeasureScan:
        # Pickled by value with all that it names: workers do not know the tests' modules.
        def measure(volume, settings, *, case_id, progress=None, knees=None):  # type: ignore[no-untyped-def]
            import os
            import pickle
            import signal
            import time

            from canalmorph.batch import case_files

            case_files.write_page = lambda *args, **others: None
            case_files.write_sheet = lambda *args, **others: None
            with calls.open("a") as file:
                file.write(f"{volume.facts.source}\n")
            progress("measure right")
            time.sleep(nap_s)
            if "die" in volume.facts.source:
                os.kill(os.getpid(), signal.SIGKILL)
            if "hang" in volume.facts.source:
                time.sleep(600)
            held = []
            while "fill" in volume.facts.source:
                held.append(b"x" * 10_000_000)
                time.sleep(0.005)
            measured = pickle.loads(known.read_bytes())
            case = replace(
                measured.case, case_id=case_id, scan=volume.facts, patient=volume.patient
            )
            return replace(measured, case=case)

        return measure

    return make
