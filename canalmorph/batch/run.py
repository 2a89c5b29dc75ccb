"""Measure many scans into one results folder; one that fails stops no other.

This process alone writes the ledger and the tables; an engine measures the cases, here or
elsewhere, and whoever measures one writes its folder.
"""

import logging
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from canalmorph.batch.case_files import discard_case
from canalmorph.batch.engine import Engine, InProcessEngine
from canalmorph.batch.fingerprint import InputMark
from canalmorph.batch.folder import ResultsFolder, open_results
from canalmorph.batch.identity import hide_refusal
from canalmorph.batch.ledger import MEASURED, REFUSED, Entry, Ledger, Terms, open_ledger
from canalmorph.batch.listing import write_cohort_page
from canalmorph.batch.outcomes import (
    BatchListener,
    BatchOptions,
    BatchResult,
    CaseOutcome,
    MeasureScan,
    SilentListener,
)
from canalmorph.batch.plan import InputNames, Planner
from canalmorph.batch.redraw import follow_review
from canalmorph.batch.reviews import Reviews
from canalmorph.batch.shown import read_shown
from canalmorph.batch.tables import Tables
from canalmorph.batch.task import CaseReport, CaseTask, lacks_dicom
from canalmorph.errors import CanalMorphError
from canalmorph.export.environment import write_environment
from canalmorph.model.corrections import Review
from canalmorph.model.results import Refusal
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import survey_scans
from canalmorph.results_errors import ResultsNotWritableError
from canalmorph.version import VERSION

_log = logging.getLogger(__name__)


def measure_inputs(
    paths: Sequence[Path],
    out: Path,
    settings: Settings,
    *,
    options: BatchOptions | None = None,
    listener: BatchListener | None = None,
    engine: Engine | None = None,
    measure: MeasureScan = measure_scan,
) -> BatchResult:
    """Measure every chosen series of the inputs into a results folder.

    Each case is whole on the disk before it counts as done. A scan that cannot be measured, for a
    known reason or by a bug, becomes a refusal, and the rest goes on. What an earlier run did with
    the same files, settings and version is not done again; a case that is measured anew takes the
    place of its earlier self.

    Parameters
    ----------
    paths : sequence of Path
        Files, folders and zips.
    out : Path
        Results folder: new, empty, or of an earlier run.
    settings : Settings
        Of all stages.
    options : BatchOptions, optional
        How the results are treated.
    listener : BatchListener, optional
        Hears of the progress.
    engine : Engine, optional
        Where cases are measured; by default one after the other in this process.
    measure : callable
        The pipeline's way from a volume to its measures.

    Raises
    ------
    ResultsFolderError
        If the folder cannot take the results.
    CaseKeyUnusableError
        If the case key is none.
    """
    options = options or BatchOptions()
    # Workers may live in another folder.
    paths, out = [path.absolute() for path in paths], out.absolute()
    with (
        open_results(out, inputs=paths, key_file=options.key_file) as folder,
        open_ledger(out) as ledger,
    ):
        run = _Run(folder, ledger, settings, options, listener or SilentListener(), measure)
        return run.take_all(paths, engine or InProcessEngine())


class _Run:
    """One run into one folder."""

    def __init__(
        self,
        folder: ResultsFolder,
        ledger: Ledger,
        settings: Settings,
        options: BatchOptions,
        listener: BatchListener,
        measure: MeasureScan,
    ) -> None:
        self._folder, self._ledger = folder, ledger
        self._settings, self._options = settings, options
        self._listener, self._measure = listener, measure
        self._tables = Tables(folder, ledger)
        self._terms = Terms(
            settings_hash=settings.hash_text(),
            software_version=VERSION,
            deidentified=options.deidentify,
        )

    def take_all(self, paths: Sequence[Path], engine: Engine) -> BatchResult:
        """Survey the inputs and take what was found."""
        found = survey_scans(paths, self._settings.read, self._listener.show_survey)
        chosen = [series for series in found if series.chosen]
        self._listener.start_batch(len(chosen))
        names = InputNames(paths, self._folder)
        self._forget_mended(found, names, [path for path in paths if path.exists()])
        self._tables.write()  # A folder that cannot take tables is known before the first scan.
        outcomes: list[CaseOutcome] = []
        left_out: list[Refusal] = []
        try:
            for series in list_unused(found):
                outcome = self._refuse_unread(series, names)
                if is_companion(series, found):
                    left_out += outcome.refusals
                    continue
                outcomes.append(outcome)
                self._listener.end_case(outcome)
            outcomes += self._take_chosen(chosen, names, engine)
        finally:
            self._tables.write()
            write_cohort_page(self._folder, self._ledger)
        reviews = Reviews.of(self._ledger).list_all()
        self._follow_reviews(outcomes, reviews)
        shown = [self._show_reviewed(each, reviews.get(each.case_id)) for each in outcomes]
        return BatchResult(
            folder=self._folder.path,
            outcomes=tuple(sorted(shown, key=lambda outcome: outcome.number)),
            left_out=tuple(left_out),
        )

    def _forget_mended(
        self, found: Sequence[SeriesFound], names: InputNames, present: Sequence[Path]
    ) -> None:
        """Drop what an earlier run refused in these inputs where this survey refuses it no more.

        What was refused by its place has no name that the files' own could take over: an empty
        folder that was filled, a damaged slice that was sent again.
        """
        told = {names.name_series(series) for series in found}
        looked_at = InputNames(present, self._folder)
        for name, source in self._ledger.list_unread():
            here = looked_at.holds(source) and name == looked_at.name_place(source)
            if here and name not in told:
                self._ledger.forget_unread(name)

    def _take_chosen(
        self, chosen: Sequence[SeriesFound], names: InputNames, engine: Engine
    ) -> Iterator[CaseOutcome]:
        """Yield what became of each series; those that an earlier run did come first."""
        planner = Planner(self._folder, self._ledger, self._terms, names, again=self._options.again)
        tasks: list[CaseTask] = []
        for number, series in enumerate(chosen, start=1):
            entry = planner.make_entry(series, source=self._show_name(series.source))
            kept = planner.find_kept(entry)
            wanting = self._options.dicom and series.file_format == "dicom"
            if kept is not None and not (
                wanting and lacks_dicom(self._folder, kept.case_id, kept.femora)
            ):
                outcome = replace(kept, number=number)
                self._listener.end_case(outcome)
                yield outcome
                continue
            tasks.append(
                CaseTask(
                    number=number,
                    entry=entry,
                    series=series,
                    knees_name="" if series.knees is None else names.name_series(series.knees),
                    folder=self._folder,
                    settings=self._settings,
                    clinic=self._options.clinic,
                    measure=self._measure,
                    dicom=self._options.dicom,
                )
            )
        if tasks:
            self._note_environment()
        self._ledger.queue(task.entry for task in tasks)
        # Closed at once where this run ends early: workers must not outlive it.
        with closing(engine.take(tasks, self)) as taken:
            for task, report in taken:
                outcome = self._end_task(task, report)
                self._listener.end_case(outcome)
                yield outcome

    def _follow_reviews(
        self, outcomes: Sequence[CaseOutcome], reviews: Mapping[str, Review]
    ) -> None:
        """Draw cases that were measured anew as their reviews have them."""
        for outcome in outcomes:
            review = reviews.get(outcome.case_id)
            if review is None or outcome.kept or outcome.state != MEASURED:
                continue
            try:
                follow_review(self._folder.cases / outcome.case_id, review)
            except CanalMorphError as error:
                _log.warning("The pages of %s were not drawn (%s).", outcome.case_id, error.code)
            except OSError as error:
                raise ResultsNotWritableError(folder=str(self._folder.path)) from error

    def _show_reviewed(self, outcome: CaseOutcome, review: Review | None) -> CaseOutcome:
        """Return what became of a scan with the numbers that a person set right, as in the tables.

        A case whose record is damaged is as it was: the tables say so.
        """
        if review is None or not review.version or outcome.state != MEASURED:
            return outcome
        case_folder = self._folder.cases / outcome.case_id
        try:
            shown = read_shown(case_folder, review, name_reader=self._folder.name_reader)
        except CanalMorphError:
            return outcome
        except OSError as error:
            raise ResultsNotWritableError(folder=str(self._folder.path)) from error
        of_the_scan = [refusal for refusal in outcome.refusals if refusal.side is None]
        return replace(outcome, femora=shown.femora, refusals=(*shown.refusals, *of_the_scan))

    def _note_environment(self) -> None:
        try:
            write_environment(self._folder.path)
        except OSError as error:
            raise ResultsNotWritableError(folder=str(self._folder.path)) from error

    def start_task(self, task: CaseTask) -> None:
        """Note that a process begins with a case."""
        self._ledger.start(task.entry)
        self._listener.start_case(task.number, task.entry.source)

    def show_stage(self, number: int, stage: str) -> None:
        """Hand on that a stage begins."""
        self._listener.show_stage(number, stage)

    def _end_task(self, task: CaseTask, report: CaseReport) -> CaseOutcome:
        refusals = list(report.refusals)
        if report.state != MEASURED:
            # A number that can no longer be had is not left standing from an earlier run.
            discard_case(report.case_id, self._folder)
            if task.series.knees is not None:
                refusals.append((task.knees_name, self._describe(task.series.knees)))
        entry = replace(
            task.entry,
            case_id=report.case_id,
            state=report.state,
            reason=report.reason,
            seconds=report.seconds,
        )
        covered = [task.knees_name] if task.knees_name else []
        self._ledger.finish(entry, refusals, covered=covered)
        self._tables.refresh()
        return CaseOutcome(
            source=entry.source,
            case_id=report.case_id,
            number=task.number,
            femora=report.femora,
            refusals=(*report.side_refusals, *(refusal for _, refusal in report.refusals)),
            bug_text=report.bug_text,
            state=report.state,
            reason=report.reason,
            seconds=report.seconds,
        )

    def _refuse_unread(self, series: SeriesFound, names: InputNames) -> CaseOutcome:
        refusal = self._describe(series)
        name = names.name_series(series)
        discard_case(name, self._folder)
        entry = Entry(
            work_id=name,
            mark=InputMark(content="", dated=""),
            case_id=name,
            state=REFUSED,
            reason=refusal.code,
            source=refusal.source,
            terms=self._terms,
        )
        self._ledger.note_unread(entry, refusal)
        return CaseOutcome(
            source=refusal.source,
            case_id=name,
            refusals=(refusal,),
            state=REFUSED,
            reason=refusal.code,
        )

    def _describe(self, series: SeriesFound) -> Refusal:
        """Return why a series was not to be measured."""
        refusal = Refusal(
            stage="read",
            code=series.code,
            message=series.message,
            source=series.source,
            tag=series.tag,
            warnings=series.warnings,
        )
        if self._options.deidentify:
            return hide_refusal(refusal, series.file, self._folder)
        return refusal

    def _show_name(self, source: str) -> str:
        return self._folder.hide_text(source) if self._options.deidentify else source


def list_unused(found: Sequence[SeriesFound]) -> list[SeriesFound]:
    """Return what is not measured, neither by itself nor as the knees of another series."""
    # By the source, too: files without a series UID have no key.
    knees = {_identify(series.knees) for series in found if series.chosen and series.knees}
    return [series for series in found if not series.chosen and _identify(series) not in knees]


def _identify(series: SeriesFound) -> tuple[str, str]:
    return series.series_key, series.source


def is_companion(series: SeriesFound, found: Sequence[SeriesFound]) -> bool:
    """Return whether a series that is not measured is no loss, as its study or folder is measured.

    A localizer beside a measured scan is a companion; alone it is a scan that failed.
    """
    if series.status == "refused":
        return False
    chosen = [other for other in found if other.chosen]
    if series.study_key:
        return any(other.study_key == series.study_key for other in chosen)
    root = series.source.split("/")[0]
    used = (other for other in found if other.chosen or other.status == "refused")
    return any(other.source.split("/")[0] == root for other in used)
