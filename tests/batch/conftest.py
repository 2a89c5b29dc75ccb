"""A small scan measured once by the real stages, so that tests of the batch need not wait."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings, measure_scan
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.write import write_dicom


@pytest.fixture(scope="session")
def small_result() -> PhantomResult:
    return build_scan(SMALL["small_right"])


@pytest.fixture(scope="session")
def measurement(small_result: PhantomResult) -> ScanMeasurement:
    return measure_scan(small_result.volume, Settings(), case_id="unnamed")


@pytest.fixture(scope="session")
def small_dicom(small_result: PhantomResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one DICOM series of an invented patient."""
    folder = tmp_path_factory.mktemp("scans") / "quill_rosalind"
    write_dicom(small_result, folder, patient_name="Quill^Rosalind", patient_id="PX-552317")
    return folder


@pytest.fixture(scope="session")
def known_measure(measurement: ScanMeasurement) -> MeasureScan:
    """Give the measures that are known already, under the name and source that are asked for."""

    def measure(
        volume: CtVolume,
        settings: Settings,
        *,
        case_id: str,
        progress: Callable[[str], None] = lambda stage: None,
    ) -> ScanMeasurement:
        progress("measure right")
        case = replace(measurement.case, case_id=case_id, scan=volume.facts, patient=volume.patient)
        return replace(measurement, case=case)

    return measure
