"""Measure many scans, one after the other, so that one that fails stops no other."""

import traceback
from collections.abc import Sequence
from pathlib import Path

from canalmorph.batch.case_files import discard_case, write_case
from canalmorph.batch.folder import ResultsFolder, open_results
from canalmorph.batch.identity import hide_refusal, hide_volume
from canalmorph.batch.mishaps import name_place
from canalmorph.batch.outcomes import (
    BatchListener,
    BatchOptions,
    BatchResult,
    CaseOutcome,
    MeasureScan,
    SilentListener,
)
from canalmorph.batch.tables import Tables
from canalmorph.errors import CanalMorphError
from canalmorph.export.rows import make_case_rows
from canalmorph.model.codes import INTERNAL_ERROR
from canalmorph.model.results import CaseResult, Refusal
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.found import SeriesFound
from canalmorph.read.scans import read_series, survey_scans
from canalmorph.results_errors import ResultsFolderError


def measure_inputs(
    paths: Sequence[Path],
    out: Path,
    settings: Settings,
    *,
    options: BatchOptions | None = None,
    listener: BatchListener | None = None,
    measure: MeasureScan = measure_scan,
) -> BatchResult:
    """Measure every chosen series of the inputs into a results folder.

    Each case is whole on the disk, and in the tables, before the next begins. A scan that cannot
    be measured, for a known reason or by a bug, becomes a refusal, and the rest goes on. Measured
    again into the same folder, a case takes the place of its earlier self.

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
    with open_results(out, inputs=paths, key_file=options.key_file) as folder:
        run = _Run(folder, settings, options, listener or SilentListener(), measure)
        return run.take_all(paths)


class _Run:
    """One run into one folder."""

    def __init__(
        self,
        folder: ResultsFolder,
        settings: Settings,
        options: BatchOptions,
        listener: BatchListener,
        measure: MeasureScan,
    ) -> None:
        self._folder, self._settings, self._options = folder, settings, options
        self._listener, self._measure = listener, measure
        self._tables = Tables(folder)

    def take_all(self, paths: Sequence[Path]) -> BatchResult:
        """Survey the inputs and take what was found, one by one."""
        found = survey_scans(paths, self._settings.read, self._listener.show_survey)
        chosen = [series for series in found if series.chosen]
        self._listener.start_batch(len(chosen))
        self._tables.write()  # A folder that cannot take tables is known before the first scan.
        outcomes: list[CaseOutcome] = []
        left_out: list[Refusal] = []
        try:
            for series in (one for one in found if not one.chosen):
                outcome = self._refuse_unread(series, paths)
                if is_companion(series, found):
                    left_out += outcome.refusals
                    continue
                outcomes.append(outcome)
                self._listener.end_case(outcome)
            for number, series in enumerate(chosen, start=1):
                self._listener.start_case(number, self._show_name(series.source))
                outcomes.append(self._take_series(series, paths))
                self._listener.end_case(outcomes[-1])
        finally:
            self._tables.write()
        return BatchResult(
            folder=self._folder.path, outcomes=tuple(outcomes), left_out=tuple(left_out)
        )

    def _take_series(self, series: SeriesFound, paths: Sequence[Path]) -> CaseOutcome:
        """Measure one series, whatever comes."""
        name = unread_name = self._name_unread(series, paths)
        stage, warnings = "read", series.warnings
        try:
            volume = self._read_volume(series)
            warnings = volume.facts.warnings
            knees, unread_knees = self._read_knees(series)
            name, stage = self._folder.name_case(volume.facts.series_key), "measure"
            case = self._measure_volume(volume, name, knees)
        except ResultsFolderError:
            raise
        except CanalMorphError as error:
            refusal = _describe_refusal(error, series, stage, warnings)
            return self._note_refusal(name, refusal, file=getattr(error, "file", ""))
        except Exception as error:
            refusal = describe_bug(error, series, stage)
            return self._note_refusal(name, refusal, bug_text=traceback.format_exc())
        # What was refused on an earlier day, under either name, is measured now.
        for outdated in {unread_name, name}:
            self._tables.note_refusals(outdated, ())
        if series.knees is not None:
            self._tables.note_refusals(self._name_unread(series.knees, paths), unread_knees)
        self._tables.refresh()
        return CaseOutcome(
            source=self._show_name(series.source),
            case_id=name,
            femora=tuple(make_case_rows(case).femurs),
            refusals=(*case.refusals, *unread_knees),
        )

    def _read_volume(self, series: SeriesFound) -> CtVolume:
        def show_files(n_read: int, n_files: int) -> None:
            self._listener.show_stage(f"read {n_read} of {n_files}")

        self._listener.show_stage("read")
        return read_series(series, self._settings.read, show_files)

    def _read_knees(self, series: SeriesFound) -> tuple[CtVolume | None, tuple[Refusal, ...]]:
        """Return the block with the knees, or why it cannot be read: the hips are measured then."""
        if series.knees is None:
            return None, ()
        try:
            return self._read_volume(series.knees), ()
        except CanalMorphError as error:
            refusal = _describe_refusal(error, series.knees, "read", series.knees.warnings)
            if self._options.deidentify:
                refusal = hide_refusal(refusal, getattr(error, "file", ""), self._folder)
            return None, (refusal,)

    def _measure_volume(self, volume: CtVolume, case_id: str, knees: CtVolume | None) -> CaseResult:
        if self._options.deidentify:
            volume = hide_volume(volume, self._folder)
            knees = None if knees is None else hide_volume(knees, self._folder)
        block = {} if knees is None else {"knees": knees}
        measurement = self._measure(
            volume, self._settings, case_id=case_id, progress=self._listener.show_stage, **block
        )
        self._listener.show_stage("write")
        write_case(measurement, volume, self._folder, deidentify=self._options.deidentify)
        return measurement.case

    def _refuse_unread(self, series: SeriesFound, paths: Sequence[Path]) -> CaseOutcome:
        refusal = Refusal(
            stage="read",
            code=series.code,
            message=series.message,
            source=series.source,
            tag=series.tag,
            warnings=series.warnings,
        )
        return self._note_refusal(self._name_unread(series, paths), refusal, file=series.file)

    def _note_refusal(
        self, name: str, refusal: Refusal, *, file: str = "", bug_text: str = ""
    ) -> CaseOutcome:
        if self._options.deidentify:
            refusal = hide_refusal(refusal, file, self._folder)
        # A number that can no longer be had is not left standing from an earlier run.
        discard_case(name, self._folder)
        self._tables.note_refusals(name, (refusal,))
        self._tables.refresh()
        return CaseOutcome(
            source=refusal.source, case_id=name, refusals=(refusal,), bug_text=bug_text
        )

    def _name_unread(self, series: SeriesFound, paths: Sequence[Path]) -> str:
        """Return the keyed name of a series, or of its place where it has no key yet."""
        if series.series_key:
            return self._folder.name_case(series.series_key)
        root = series.source.split("/")[0]
        places = [str(path.resolve().parent) for path in paths if path.resolve().name == root]
        return self._folder.name_unread("|".join([*places, series.source]))

    def _show_name(self, source: str) -> str:
        return self._folder.hide_text(source) if self._options.deidentify else source


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
