"""A case as it travels: the task that a worker takes, and the report that comes back."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from canalmorph.batch.clinic import ClinicTable
from canalmorph.batch.dicom_results import DICOM_FOLDER, SOURCE_NAME
from canalmorph.batch.digest import read_digest
from canalmorph.batch.folder import ResultsFolder
from canalmorph.batch.identity import hide_refusal
from canalmorph.batch.ledger import FAILED, MEASURED, Entry, NamedRefusal
from canalmorph.batch.mishaps import format_bug, name_place
from canalmorph.batch.outcomes import MeasureScan
from canalmorph.errors import CanalMorphError
from canalmorph.export.rows import Row
from canalmorph.model.codes import INTERNAL_ERROR
from canalmorph.model.results import Refusal
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.found import SeriesFound

#: Warning of a scan of which no DICOM objects can be made.
NO_DICOM_RESULTS = "no-dicom-results"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False, repr=False)
class CaseTask:
    """What a worker needs to know of one case; its text, which a worker may log, names no file.

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
    clinic : ClinicTable
        What the clinic states of its patients.
    measure : callable
        The pipeline's way from a volume to its measures; for other processes an importable one.
    dicom : bool
        Write DICOM objects, too, where the series is of DICOM.
    """

    number: int
    entry: Entry
    series: SeriesFound
    knees_name: str
    folder: ResultsFolder
    settings: Settings
    clinic: ClinicTable = field(default_factory=ClinicTable)
    measure: MeasureScan = measure_scan
    dicom: bool = False

    @property
    def wants_dicom(self) -> bool:
        """Whether DICOM objects are to be written."""
        return self.dicom and self.series.file_format == "dicom"


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


def report_error(
    task: CaseTask,
    error: CanalMorphError,
    *,
    state: str = FAILED,
    case_id: str = "",
    stage: str = "measure",
    warnings: tuple[str, ...] | None = None,
    seconds: float = 0.0,
) -> CaseReport:
    """Return the report of a case that ended with a known error.

    Parameters
    ----------
    task : CaseTask
        The case.
    error : CanalMorphError
        Its reason.
    state, stage, seconds
        For ledger and tables.
    case_id : str
        The case's name; by default that of its input.
    warnings : tuple of str, optional
        Of the files, where more of them are known than the survey said.
    """
    refusal = describe_error(
        error, task.series, stage, task.series.warnings if warnings is None else warnings
    )
    name = case_id or task.entry.case_id
    return CaseReport(
        case_id=name,
        state=state,
        reason=refusal.code,
        seconds=seconds,
        refusals=((name, hide_if_asked(task, refusal, getattr(error, "file", ""))),),
    )


def report_bug(
    task: CaseTask,
    error: Exception,
    *,
    case_id: str = "",
    stage: str = "measure",
    seconds: float = 0.0,
) -> CaseReport:
    """Return the report of a case that met a bug; the error's own text may quote the file."""
    name = case_id or task.entry.case_id
    refusal = Refusal(
        stage=stage,
        code=INTERNAL_ERROR,
        message=(
            f"A bug of the program stopped this scan ({name_place(error)}); the others were not "
            "touched. Measure it again with --debug and report what it prints."
        ),
        source=task.series.source,
        warnings=task.series.warnings,
    )
    return CaseReport(
        case_id=name,
        state=FAILED,
        reason=refusal.code,
        seconds=seconds,
        refusals=((name, hide_if_asked(task, refusal, "")),),
        bug_text=format_bug(error, hide_text=task.entry.terms.deidentified),
    )


def find_finished(task: CaseTask) -> CaseReport | None:
    """Return the report of a case whose folder is whole and made from the same input and terms."""
    digest = read_digest(task.folder.cases / task.entry.case_id)
    if digest is None or not digest.fits(task.entry):
        return None
    if task.wants_dicom and lacks_dicom(task.folder, task.entry.case_id, digest.femora):
        return None
    return CaseReport(
        case_id=task.entry.case_id,
        state=MEASURED,
        seconds=digest.seconds,
        femora=digest.femora,
        side_refusals=digest.refusals,
        refusals=digest.noted,
    )


def lacks_dicom(folder: ResultsFolder, case_id: str, femora: Sequence[Row]) -> bool:
    """Return whether a measured DICOM series is without the objects that it could have."""
    warned = any(NO_DICOM_RESULTS in str(row["warnings"]).split(";") for row in femora)
    case_folder = folder.cases / case_id
    whole = all((case_folder / name).exists() for name in (DICOM_FOLDER, SOURCE_NAME))
    return bool(femora) and not warned and not whole


def hide_if_asked(task: CaseTask, refusal: Refusal, file: str) -> Refusal:
    """Return the refusal, without the names of files where the run is to hide them."""
    hidden = task.entry.terms.deidentified
    return hide_refusal(refusal, file, task.folder) if hidden else refusal


def describe_error(
    error: CanalMorphError, series: SeriesFound, stage: str, warnings: tuple[str, ...]
) -> Refusal:
    """Return the refusal that a known error is."""
    return Refusal(
        stage=stage,
        code=error.code,
        message=str(error),
        source=series.source,
        tag=getattr(error, "tag", ""),
        warnings=warnings,
    )
