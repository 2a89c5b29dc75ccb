"""The whole acceptance: scans, plain methods, studies, and every promise judged."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import canalmorph
from canalmorph.pipeline import Settings
from canalmorph_cli.acceptance.examine import WORKERS, ExaminedScan, start_examiner
from canalmorph_cli.acceptance.judging import Domain, Judgement, Standing, get_domain, judge_records
from canalmorph_cli.acceptance.plain_methods import PlainMethod
from canalmorph_cli.acceptance.promise import Promise
from canalmorph_cli.acceptance.promises import PROMISES
from canalmorph_cli.acceptance.records import Record
from canalmorph_cli.acceptance.studies import Study
from canalmorph_cli.acceptance.summaries import ErrorSummary, summarise
from canalmorph_phantoms.spec import PhantomScan

#: Told what ended: how many of how many, and the scan.
Listener = Callable[[int, int, ExaminedScan], None]


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyResult:
    """A study and the records of each of its points."""

    study: Study
    records: tuple[tuple[Record, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AcceptanceResult:
    """What an acceptance came to.

    Attributes
    ----------
    software_version, settings_hash : str
        What was accepted.
    quick : bool
        Whether only a few scans were measured.
    specs : tuple of PhantomScan
        What was made.
    scans : tuple of ExaminedScan
        What was found, in the same order.
    studies : tuple of StudyResult
        Empty where they were left out.
    judgements : tuple of Judgement
        Every promise.
    seconds : float
        For everything. [s]
    """

    software_version: str
    settings_hash: str
    quick: bool
    specs: tuple[PhantomScan, ...]
    scans: tuple[ExaminedScan, ...]
    studies: tuple[StudyResult, ...]
    judgements: tuple[Judgement, ...]
    seconds: float

    @property
    def records(self) -> list[Record]:
        """All records of the tool, those of the studies left out."""
        return [record for scan in self.scans for record in scan.records]

    @property
    def broken(self) -> list[Judgement]:
        """The promises that are broken."""
        return [one for one in self.judgements if one.standing is Standing.BROKEN]

    def list_plain(self, method: PlainMethod) -> list[Record]:
        """Return all records of a plain method."""
        return [record for scan in self.scans for record in scan.plain.get(method, ())]

    def summarise_plain(self, judgement: Judgement) -> Mapping[PlainMethod, ErrorSummary]:
        """Return the errors of the plain methods in the numbers of a promise."""
        return {
            method: summarise(
                record
                for record in self.list_plain(method)
                if get_domain(record.conditions) is judgement.domain
                and judgement.promise.is_about(record)
            )
            for method in PlainMethod
        }

    def select(self, promise: Promise, domain: Domain) -> list[Record]:
        """Return the tool's records that a promise is about."""
        return [
            record
            for record in self.records
            if get_domain(record.conditions) is domain and promise.is_about(record)
        ]


def run_acceptance(
    specs: Sequence[PhantomScan],
    studies: Sequence[Study] = (),
    *,
    quick: bool = False,
    promises: Sequence[Promise] = PROMISES,
    workers: int = WORKERS,
    listener: Listener = lambda number, total, scan: None,
) -> AcceptanceResult:
    """Make and measure scans and judge every promise.

    Parameters
    ----------
    specs : sequence of PhantomScan
        What to make; names must differ.
    studies : sequence of Study
        Measured for their figures; no promise is judged on them.
    quick : bool
        Whether the scans are only a few, for the page to say so.
    promises : sequence of Promise
        By default all of the registry.
    workers : int
        Processes; 1 does everything in this one.
    listener : callable
        Told after each scan.

    Returns
    -------
    AcceptanceResult
        A scan that the tool refuses is a broken promise, no exception.

    Raises
    ------
    ValueError
        If two scans have the same name.
    """
    points = [point.spec for study in studies for point in study.points]
    names = [spec.name for spec in (*specs, *points)]
    if len(set(names)) != len(names):
        raise ValueError(f"'specs' and 'studies' must have different names, got {sorted(names)}.")
    start = time.monotonic()
    scans: list[ExaminedScan] = []
    with start_examiner(workers) as examiner:
        for some, plainly in ((specs, True), (points, False)):
            for scan in examiner.examine(some, plainly=plainly):
                scans.append(scan)
                listener(len(scans), len(names), scan)
    measured, studied = scans[: len(specs)], iter(scans[len(specs) :])
    return AcceptanceResult(
        software_version=canalmorph.__version__,
        settings_hash=Settings().hash_text(),
        quick=quick,
        specs=tuple(specs),
        scans=tuple(measured),
        studies=tuple(
            StudyResult(study=study, records=tuple(next(studied).records for _ in study.points))
            for study in studies
        ),
        judgements=judge_records(
            [record for scan in measured for record in scan.records], promises
        ),
        seconds=time.monotonic() - start,
    )
