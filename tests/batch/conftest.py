"""Measures that are known already, for other processes and for marks by hand."""

import pickle
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.correcting import CorrectedCase, MeasuredSides, correct_case
from canalmorph.export.surfaces import read_surfaces, write_surfaces
from canalmorph.measure.rods import FemurFacts
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.pipeline import ScanMeasurement, Settings, measure_aligned


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
        def measure(volume, settings, *, case_id, progress=None, knees=None):
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


@pytest.fixture(scope="module")
def kept(
    measurement: ScanMeasurement, tmp_path_factory: pytest.TempPathFactory
) -> tuple[AlignedFemur, Path]:
    """Return the femur as it comes back from its file."""
    path = tmp_path_factory.mktemp("kept") / "surfaces.npz"
    write_surfaces(path, measurement.aligned)
    (femur,) = read_surfaces(path)
    return femur, path


@pytest.fixture(scope="module")
def without_rods() -> Iterator[None]:
    """Leave out the widest rods, which take half of the time and follow the same frame."""
    with pytest.MonkeyPatch.context() as patch:
        empty = FemurFacts(numbers={}, texts={}, reasons={})
        patch.setattr("canalmorph.measure.facts.measure_rods", lambda *args: empty)
        yield


class Desk:
    """A measured case at hand, without its rods."""

    def __init__(self, case: CaseResult, aligned: AlignedFemur) -> None:
        self.aligned, self._known = aligned, MeasuredSides()
        self.case = replace(case, femora=(measure_aligned(aligned, Settings()),))

    def correct(self, *marks: Correction) -> CorrectedCase:
        return correct_case(self.case, [self.aligned], marks, Settings(), known=self._known)

    def mark(self, kind: CorrectionKind, *points: Sequence[float], **others: object) -> Correction:
        given = tuple(tuple(float(x) for x in point) for point in points)
        return Correction(kind=kind, side=Side.RIGHT, points_lps_mm=given, **others)

    @property
    def femur(self) -> FemurResult:
        return self.case.femora[0]

    def at_level(self, level_mm: float) -> np.ndarray:
        return self.aligned.frame.frame_to_lps_mm(np.array([0.0, 0.0, level_mm]))


@pytest.fixture(scope="module")
def desk(measurement: ScanMeasurement, kept: tuple[AlignedFemur, Path], without_rods: None) -> Desk:
    return Desk(measurement.case, kept[0])
