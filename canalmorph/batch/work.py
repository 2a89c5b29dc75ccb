"""One case from its files to its folder: what a worker does, in whichever process it lives.

Paths go in and a few kilobytes come out; voxels stay where they were read, and pages, masks and
records are written there. Nothing here touches the ledger or a table.
"""

import time
from collections.abc import Callable
from dataclasses import replace
from typing import Any

from canalmorph.batch.case_files import write_case
from canalmorph.batch.digest import show_femora
from canalmorph.batch.identity import hide_volume
from canalmorph.batch.ledger import MEASURED, REFUSED, NamedRefusal
from canalmorph.batch.task import (
    NO_DICOM_RESULTS,
    CaseReport,
    CaseTask,
    describe_error,
    hide_if_asked,
    report_bug,
    report_error,
)
from canalmorph.errors import CanalMorphError, MissingTagError
from canalmorph.export.rows import make_case_rows
from canalmorph.model.clinic import ClinicFacts
from canalmorph.model.dicom_source import DicomSource
from canalmorph.model.results import CaseResult, Refusal
from canalmorph.model.volume import CtVolume
from canalmorph.read.dicom_source import read_dicom_source
from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import read_series
from canalmorph.results_errors import OutOfMemoryError, ResultsFolderError

#: Told which stage begins.
TellStage = Callable[[str], None]


def measure_case(task: CaseTask, tell_stage: TellStage = lambda stage: None) -> CaseReport:
    """Measure one case and write its folder, whatever comes.

    Raises
    ------
    ResultsFolderError
        If the results cannot be written: no other case could be either.
    """
    return _CaseWork(task, tell_stage).take()


class _CaseWork:
    """One case on its way."""

    def __init__(self, task: CaseTask, tell_stage: TellStage) -> None:
        self._task, self._tell_stage = task, tell_stage
        self._name, self._stage = task.entry.case_id, "read"
        self._warnings = task.series.warnings
        self._noted: tuple[NamedRefusal, ...] = ()
        self._started = time.monotonic()

    def take(self) -> CaseReport:
        """Measure, and turn every error that concerns this case alone into a refusal."""
        try:
            return self._measure()
        except ResultsFolderError:
            raise
        except CanalMorphError as error:
            report = report_error(
                self._task, error, state=REFUSED, warnings=self._warnings, **self._tell_place()
            )
            return replace(report, refusals=(*report.refusals, *self._noted))
        except MemoryError:
            lacking = OutOfMemoryError(file=self._task.series.source)
            return report_error(self._task, lacking, **self._tell_place())
        except Exception as error:
            return report_bug(self._task, error, **self._tell_place())

    def _tell_place(self) -> dict[str, Any]:
        return {
            "case_id": self._name,
            "stage": self._stage,
            "seconds": time.monotonic() - self._started,
        }

    def _measure(self) -> CaseReport:
        task = self._task
        volume = self._read(task.series)
        self._warnings = volume.facts.warnings
        knees, unread_knees = self._read_knees()
        self._name = task.folder.name_case(volume.facts.series_key)
        lost = (*volume.unread, *(() if knees is None else knees.unread))
        self._noted = (
            *((task.knees_name, refusal) for refusal in unread_knees),
            *((self._name, self._describe_lost(error)) for error in lost),
        )
        sources, volume = self._read_sources(volume, knees)
        self._stage = "measure"
        case = self._measure_volume(volume, knees, sources)
        return CaseReport(
            case_id=self._name,
            state=MEASURED,
            seconds=time.monotonic() - self._started,
            femora=show_femora(make_case_rows(case)),
            side_refusals=case.refusals,
            refusals=self._noted,
        )

    def _describe_lost(self, error: CanalMorphError) -> Refusal:
        """Return why one file of the scan was left out."""
        file = getattr(error, "file", self._task.series.source)
        refusal = describe_error(error, self._task.series, "read", ())
        return hide_if_asked(self._task, replace(refusal, source=file), file)

    def _read(self, series: SeriesFound) -> CtVolume:
        def tell_files(n_read: int, n_files: int) -> None:
            self._tell_stage(f"read {n_read} of {n_files}")

        self._tell_stage("read")
        volume = read_series(series, self._task.settings.read, tell_files)
        hidden = self._task.entry.terms.deidentified
        return hide_volume(volume, self._task.folder) if hidden else volume

    def _read_knees(self) -> tuple[CtVolume | None, tuple[Refusal, ...]]:
        """Return the block with the knees, or why it cannot be read: the hips are measured then."""
        knees = self._task.series.knees
        if knees is None:
            return None, ()
        try:
            return self._read(knees), ()
        except CanalMorphError as error:
            refusal = describe_error(error, knees, "read", knees.warnings)
            return None, (hide_if_asked(self._task, refusal, getattr(error, "file", "")),)

    def _read_sources(
        self, volume: CtVolume, knees: CtVolume | None
    ) -> tuple[tuple[DicomSource, ...], CtVolume]:
        """Return what DICOM results must refer to, and the volume warned where it is not there."""
        task = self._task
        if not task.wants_dicom:
            return (), volume
        blocks = [(task.series, volume), (task.series.knees, knees)]
        try:
            sources = [
                read_dicom_source(series, block)
                for series, block in blocks
                if series is not None and block is not None
            ]
        except MissingTagError:
            warnings = (*volume.facts.warnings, NO_DICOM_RESULTS)
            return (), replace(volume, facts=replace(volume.facts, warnings=warnings))
        return tuple(sources), volume

    def _measure_volume(
        self,
        volume: CtVolume,
        knees: CtVolume | None,
        sources: tuple[DicomSource, ...],
    ) -> CaseResult:
        task = self._task
        block = {} if knees is None else {"knees": knees}
        measurement = task.measure(
            volume, task.settings, case_id=self._name, progress=self._tell_stage, **block
        )
        self._tell_stage("write")
        write_case(
            measurement,
            volume,
            task.folder,
            task.entry,
            noted=self._noted,
            sources=sources,
            seconds=time.monotonic() - self._started,
            facts=task.clinic.find(
                case_id=self._name,
                accession=volume.patient.accession,
                series=volume.facts.series_key,
            )
            or ClinicFacts(),
        )
        return measurement.case
