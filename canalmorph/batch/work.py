"""One case from its files to its folder: what a worker does, in whichever process it lives.

Paths go in and a few kilobytes come out; voxels stay where they were read, and pages, masks and
records are written there. Nothing here touches the ledger or a table.
"""

import time
import traceback
from collections.abc import Callable
from dataclasses import dataclass

from canalmorph.batch.case_files import write_case
from canalmorph.batch.digest import show_femora
from canalmorph.batch.folder import ResultsFolder
from canalmorph.batch.identity import hide_refusal, hide_volume
from canalmorph.batch.ledger import FAILED, MEASURED, REFUSED, Entry, NamedRefusal
from canalmorph.batch.mishaps import name_place
from canalmorph.batch.outcomes import MeasureScan
from canalmorph.errors import CanalMorphError
from canalmorph.export.rows import Row, make_case_rows
from canalmorph.model.codes import INTERNAL_ERROR
from canalmorph.model.results import CaseResult, Refusal
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import read_series
from canalmorph.results_errors import OutOfMemoryError, ResultsFolderError

#: Told which stage begins.
TellStage = Callable[[str], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseTask:
    """What a worker needs to know of one case.

    Attributes
    ----------
    number : int
        Of the series in this run, from 1.
    entry : Entry
        Its line of the ledger.
    series : SeriesFound
        What to read.
    knees_name : str
        Keyed name of the block with the knees; empty where there is none.
    folder : ResultsFolder
        Where to write; the worker sees it under the same path.
    settings : Settings
        Of all stages.
    measure : callable
        The pipeline's way from a volume to its measures; for other processes an importable one.
    """

    number: int
    entry: Entry
    series: SeriesFound
    knees_name: str
    folder: ResultsFolder
    settings: Settings
    measure: MeasureScan = measure_scan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseReport:
    """What became of one case, small enough to travel.

    Attributes
    ----------
    case_id : str
        Its keyed name.
    state, reason : str
        As in the ledger.
    seconds : float
        For everything. [s]
    femora : tuple of rows
        The shown cells of each measured femur.
    side_refusals : tuple of Refusal
        Of the sides of a measured case; its record holds them.
    refusals : tuple of named refusals
        For the ledger.
    bug_text : str
        Traceback of an unexpected error; for the terminal on demand only.
    """

    case_id: str
    state: str
    reason: str = ""
    seconds: float = 0.0
    femora: tuple[Row, ...] = ()
    side_refusals: tuple[Refusal, ...] = ()
    refusals: tuple[NamedRefusal, ...] = ()
    bug_text: str = ""


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
        self._started = time.monotonic()

    def take(self) -> CaseReport:
        """Measure, and turn every error that concerns this case alone into a refusal."""
        try:
            return self._measure()
        except ResultsFolderError:
            raise
        except CanalMorphError as error:
            return self._report_error(REFUSED, error)
        except MemoryError:
            return self._report_error(FAILED, OutOfMemoryError(file=self._task.series.source))
        except Exception as error:
            refusal = describe_bug(error, self._task.series, self._stage)
            return self._report_failure(FAILED, refusal, bug_text=traceback.format_exc())

    def _measure(self) -> CaseReport:
        task = self._task
        volume = self._read(task.series)
        self._warnings = volume.facts.warnings
        knees, unread_knees = self._read_knees()
        self._name = task.folder.name_case(volume.facts.series_key)
        self._stage = "measure"
        noted = tuple((task.knees_name, refusal) for refusal in unread_knees)
        case = self._measure_volume(volume, knees, noted)
        return CaseReport(
            case_id=self._name,
            state=MEASURED,
            seconds=time.monotonic() - self._started,
            femora=show_femora(make_case_rows(case)),
            side_refusals=case.refusals,
            refusals=noted,
        )

    def _read(self, series: SeriesFound) -> CtVolume:
        def tell_files(n_read: int, n_files: int) -> None:
            self._tell_stage(f"read {n_read} of {n_files}")

        self._tell_stage("read")
        volume = read_series(series, self._task.settings.read, tell_files)
        return hide_volume(volume, self._task.folder) if self._deidentified else volume

    @property
    def _deidentified(self) -> bool:
        return self._task.entry.terms.deidentified

    def _read_knees(self) -> tuple[CtVolume | None, tuple[Refusal, ...]]:
        """Return the block with the knees, or why it cannot be read: the hips are measured then."""
        knees = self._task.series.knees
        if knees is None:
            return None, ()
        try:
            return self._read(knees), ()
        except CanalMorphError as error:
            refusal = _describe_refusal(error, knees, "read", knees.warnings)
            return None, (self._hide(refusal, getattr(error, "file", "")),)

    def _measure_volume(
        self, volume: CtVolume, knees: CtVolume | None, noted: tuple[NamedRefusal, ...]
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
            noted=noted,
            seconds=time.monotonic() - self._started,
        )
        return measurement.case

    def _report_error(self, state: str, error: CanalMorphError) -> CaseReport:
        refusal = _describe_refusal(error, self._task.series, self._stage, self._warnings)
        return self._report_failure(state, refusal, file=getattr(error, "file", ""))

    def _report_failure(
        self, state: str, refusal: Refusal, *, file: str = "", bug_text: str = ""
    ) -> CaseReport:
        return CaseReport(
            case_id=self._name,
            state=state,
            reason=refusal.code,
            seconds=time.monotonic() - self._started,
            refusals=((self._name, self._hide(refusal, file)),),
            bug_text=bug_text,
        )

    def _hide(self, refusal: Refusal, file: str) -> Refusal:
        return hide_refusal(refusal, file, self._task.folder) if self._deidentified else refusal


def describe_bug(error: Exception, series: SeriesFound, stage: str) -> Refusal:
    """Return the refusal of a scan that met a bug; the error's own text may quote the file."""
    return Refusal(
        stage=stage,
        code=INTERNAL_ERROR,
        message=(
            f"A bug of the program stopped this scan ({name_place(error)}); the others were not "
            "touched. "
            "Measure it again with --debug and report what it prints."
        ),
        source=series.source,
        warnings=series.warnings,
    )


def _describe_refusal(
    error: CanalMorphError, series: SeriesFound, stage: str, warnings: tuple[str, ...]
) -> Refusal:
    return Refusal(
        stage=stage,
        code=error.code,
        message=str(error),
        source=series.source,
        tag=getattr(error, "tag", ""),
        warnings=warnings,
    )
