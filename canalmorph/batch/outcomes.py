"""What a batch tells while it runs and what is left of it: light, frozen, without pictures."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

from canalmorph.batch.clinic import ClinicTable
from canalmorph.export.rows import Row
from canalmorph.model.results import Refusal
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings


@dataclass(frozen=True, slots=True, kw_only=True)
class BatchOptions:
    """How a batch treats its results.

    Attributes
    ----------
    deidentify : bool
        Neither pages nor tables carry a name, of a patient or of a file.
    key_file : Path or None
        Holds the secret of the case names; None for the results folder's own.
    again : bool
        Measure what was measured with the same files and settings already, too.
    dicom : bool
        Write the results of DICOM series as DICOM objects, too.
    clinic : ClinicTable
        What the clinic states of its patients; de-identified, a row is found by case or series.
    """

    deidentify: bool = False
    key_file: Path | None = None
    again: bool = False
    dicom: bool = False
    clinic: ClinicTable = field(default_factory=ClinicTable)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseOutcome:
    """What became of one input.

    Attributes
    ----------
    source : str
        File or series, relative to the input, for the technician at the terminal.
    case_id : str
        Keyed hash that names it.
    number : int
        Of the series in its run, from 1; 0 for an input that was not to be measured.
    femora : tuple of rows
        The measured femora as rows of ``femurs.csv``, the cells that are shown; empty where nothing
        was measured. Ten thousand of them must fit into memory.
    refusals : tuple of Refusal
        Why a scan or a side was not measured.
    bug_text : str
        Where an unexpected error came up, with the traceback; for the terminal on demand only,
        since its text may quote the file. Empty where there was none.
    state, reason : str
        As in the ledger.
    seconds : float or None
        For the measuring. [s]
    kept : bool
        An earlier run had done it.
    """

    source: str
    case_id: str
    number: int = 0
    femora: tuple[Row, ...] = ()
    refusals: tuple[Refusal, ...] = ()
    bug_text: str = ""
    state: str = ""
    reason: str = ""
    seconds: float | None = None
    kept: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BatchResult:
    """What became of all inputs.

    Attributes
    ----------
    folder : Path
        The results folder.
    outcomes : tuple of CaseOutcome
        In the order of the survey.
    left_out : tuple of Refusal
        Series that lie beside a chosen one and were not needed, with the reason.
    """

    folder: Path
    outcomes: tuple[CaseOutcome, ...]
    left_out: tuple[Refusal, ...] = ()

    @property
    def measured(self) -> tuple[CaseOutcome, ...]:
        """The outcomes with at least one measured femur."""
        return tuple(one for one in self.outcomes if one.femora)

    @property
    def refusals(self) -> tuple[Refusal, ...]:
        """All refusals of scans and sides."""
        return tuple(refusal for one in self.outcomes for refusal in one.refusals)

    @property
    def found_bug(self) -> bool:
        """Whether an unexpected error came up."""
        return any(one.bug_text for one in self.outcomes)


class BatchListener(Protocol):
    """Hears what a batch does, in order."""

    def show_survey(self, n_files: int) -> None:
        """Hear how many files were looked at so far."""

    def start_batch(self, n_cases: int) -> None:
        """Hear how many series will be measured."""

    def start_case(self, number: int, source: str) -> None:
        """Hear that the series of this number, from 1, begins."""

    def show_stage(self, number: int, stage: str) -> None:
        """Hear that a stage of the series of this number begins."""

    def end_case(self, outcome: CaseOutcome) -> None:
        """Hear what became of a series, or of an input that was not to be measured."""


@dataclass(frozen=True, slots=True)
class SilentListener:
    """Hears and says nothing."""

    def show_survey(self, n_files: int) -> None:
        """Do nothing."""

    def start_batch(self, n_cases: int) -> None:
        """Do nothing."""

    def start_case(self, number: int, source: str) -> None:
        """Do nothing."""

    def show_stage(self, number: int, stage: str) -> None:
        """Do nothing."""

    def end_case(self, outcome: CaseOutcome) -> None:
        """Do nothing."""


class MeasureScan(Protocol):
    """The pipeline's way from a volume to its measures, as `canalmorph.pipeline.measure_scan`."""

    def __call__(
        self,
        volume: CtVolume,
        settings: Settings,
        *,
        case_id: str,
        progress: Callable[[str], None] = ...,
        knees: CtVolume | None = ...,
    ) -> ScanMeasurement:
        """Measure one scan."""
