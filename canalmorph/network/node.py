"""The node: what arrives becomes a case of the results folder, and its results are sent back.

Three kinds of threads: those of the provider keep what arrives, one for each archive sends, and the
caller's own measures, one run of `canalmorph.batch` after the other. What they owe stands in the
node's memory, so that the process may end at any moment.
"""

import contextlib
import shutil
import threading
import time
from collections.abc import Iterator, Sequence
from pathlib import Path

from canalmorph.batch.clinic import ClinicTable, read_clinic_table
from canalmorph.batch.engine import Engine, FittingEngine
from canalmorph.batch.folder import ResultsFolder, hold_lock, open_results
from canalmorph.batch.ledger import FAILED as CASE_FAILED
from canalmorph.batch.mishaps import name_place
from canalmorph.batch.outcomes import BatchOptions, BatchResult, CaseOutcome, MeasureScan
from canalmorph.batch.run import measure_inputs
from canalmorph.errors import CanalMorphError
from canalmorph.network.arrivals import Arrivals
from canalmorph.network.inbox import Inbox
from canalmorph.network.log import Fact, NodeLog, silence_libraries
from canalmorph.network.memory import (
    ASKED,
    FAILED,
    KEPT,
    MEASURED,
    MEASURING,
    RECEIVED,
    WAITING,
    NodeMemory,
    open_memory,
)
from canalmorph.network.outbox import Courier, Outbox, note_report
from canalmorph.network.provider import Provider
from canalmorph.network.settings import NodeSettings
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.quiet import keep_libraries_quiet
from canalmorph.results_errors import NodeBusyError, NodeMemoryError, ResultsNotWritableError

#: Pause between two health lines, between two looks for studies, and for results that were made
#: anew. [s]
HEALTH_S, LOOK_S, SWEEP_S = 60.0, 1.0, 60.0
#: A study that could not be measured by a bug or for lack of memory is tried so often, after so
#: long a pause. [s]
MOST_ATTEMPTS, PAUSE_S = 3, 60.0


@contextlib.contextmanager
def open_node(
    settings: NodeSettings,
    log: NodeLog,
    *,
    engine: Engine | None = None,
    measure: MeasureScan = measure_scan,
) -> Iterator["Node"]:
    """Give a node that receives already; it ends with the block.

    Parameters
    ----------
    settings : NodeSettings
        As the site decides.
    log : NodeLog
        Hears what happens.
    engine : Engine, optional
        Where cases are measured; by default in processes of their own.
    measure : callable
        The pipeline's way from a volume to its measures.

    Raises
    ------
    ResultsFolderError
        If a folder cannot be used.
    CaseKeyUnusableError
        If the case key is none.
    ValueError
        If the port is taken, or a file that the settings name cannot be used.
    """
    silence_libraries()
    chosen = engine or FittingEngine(
        workers=settings.measure.workers, case_timeout_s=settings.measure.case_timeout_s
    )
    with contextlib.ExitStack() as stack:
        stack.enter_context(keep_libraries_quiet())
        stack.enter_context(_hold_folder(settings.folder))
        with open_results(
            settings.results, inputs=[settings.inbox], key_file=settings.measure.case_key
        ) as folder:
            results = folder
        memory = stack.enter_context(open_memory(settings.folder))
        node = Node(settings, log, results, memory, chosen, measure)
        node.start()
        stack.callback(node.stop)
        yield node


@contextlib.contextmanager
def _hold_folder(folder: Path) -> Iterator[None]:
    """Make and lock the node's folder."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsNotWritableError(folder=str(folder)) from error
    with hold_lock(folder / ".lock", NodeBusyError(folder=str(folder))):
        yield


class Node:
    """One running node."""

    def __init__(
        self,
        settings: NodeSettings,
        log: NodeLog,
        results: ResultsFolder,
        memory: NodeMemory,
        engine: Engine,
        measure: MeasureScan,
    ) -> None:
        self._settings, self._log, self._results, self._memory = settings, log, results, memory
        self._engine, self._measure_scan = engine, measure
        self._inbox = Inbox(settings.inbox, results.key)
        self._outbox = Outbox(settings, memory)
        self._arrivals = Arrivals(
            memory, quiet_s=settings.quiet_s, broken_quiet_s=settings.broken_quiet_s
        )
        self._provider = Provider(settings, self._inbox, self._arrivals, log, self._take_report)
        self._couriers = [
            Courier(settings, archive, memory, self._outbox, log)
            for archive in settings.archives
            if archive.send
        ]
        self._next_sweep = self._next_take = 0.0
        self._ended = threading.Event()
        self._health = threading.Thread(target=self._watch_health, daemon=True)

    @property
    def port(self) -> int:
        """Where the node listens."""
        return self._provider.port

    def start(self) -> None:
        """Take up what an earlier process left, and begin to receive and to send."""
        self._read_facts()
        try:
            self._inbox.prepare()
            self._outbox.prepare()
        except OSError as error:
            raise ResultsNotWritableError(folder=str(self._settings.folder)) from error
        self._arrivals.recall(self._inbox)
        self._provider.start()
        for courier in self._couriers:
            courier.start()
        self._log.tell("started", port=self.port, studies=self._arrivals.count_open())
        self._health.start()

    def stop(self) -> None:
        """End receiving and sending."""
        self._ended.set()
        self._health.join()
        self._provider.stop()
        for courier in self._couriers:
            courier.stop()
        self._log.tell("stopped")

    def run(self, stop: threading.Event) -> None:
        """Measure what is complete, until `stop` is set."""
        while not stop.is_set():
            self.work()
            self._arrivals.changed.wait(min(LOOK_S, self._settings.quiet_s / 4))
            self._arrivals.changed.clear()

    def _watch_health(self) -> None:
        """Tell of the health while a long scan is measured, too."""
        while not self._ended.is_set():
            try:
                self._log.tell("health", **tell_health(self._memory, self._settings))
            except (NodeMemoryError, OSError) as error:
                self._log.tell("no_health", reason=name_place(error))
            self._ended.wait(HEALTH_S)

    def work(self) -> None:
        """Measure the studies that are complete now, and queue what came of them."""
        studies = self._take_quiet()
        if studies:
            self._measure(studies)
        if not studies and time.monotonic() < self._next_sweep:
            return
        self._next_sweep = time.monotonic() + SWEEP_S
        try:
            self._queue_results(self._memory.list_cases())
        except NodeMemoryError as error:
            self._log.tell("cannot_queue", reason=name_place(error))

    def _take_quiet(self) -> list[str]:
        """Return the studies that are complete; none for a while where that cannot be noted."""
        if time.monotonic() < self._next_take:
            return []
        try:
            self._arrivals.look_around()
            return self._arrivals.take_quiet()
        except NodeMemoryError as error:
            self._log.tell("cannot_take", reason=error.code)
            self._next_take = time.monotonic() + PAUSE_S
            return []

    def _measure(self, studies: Sequence[str]) -> None:
        self._log.tell("measuring", studies=len(studies))
        try:
            result = measure_inputs(
                [self._settings.inbox / study for study in studies],
                self._settings.results,
                Settings(),
                options=self._make_options(),
                engine=self._engine,
                measure=self._measure_scan,
            )
            outcomes = self._sort_outcomes(studies, result)
            for study in studies:
                self._end_study(study, outcomes[study])
        except Exception as error:
            # The node goes on, whatever comes; what it owes stays owed.
            reason = error.code if isinstance(error, CanalMorphError) else name_place(error)
            self._log.tell("measuring_failed", reason=reason)
            for study in studies:
                self._arrivals.give_back(study, wait_s=PAUSE_S)

    def _make_options(self) -> BatchOptions:
        measure = self._settings.measure
        return BatchOptions(
            dicom=True,
            deidentify=measure.deidentify,
            key_file=measure.case_key,
            clinic=self._read_facts(),
        )

    def _read_facts(self) -> ClinicTable:
        facts = self._settings.measure.facts
        return ClinicTable() if facts is None else read_clinic_table(facts)

    def _sort_outcomes(
        self, studies: Sequence[str], result: BatchResult
    ) -> dict[str, list[CaseOutcome]]:
        """Return what became of each study; outcomes name their source, which may be hidden."""
        hide = self._results.hide_text if self._settings.measure.deidentify else str
        owners = {
            hide(source): study for study in studies for source in self._inbox.list_sources(study)
        }
        sorted_: dict[str, list[CaseOutcome]] = {study: [] for study in studies}
        for outcome in result.outcomes:
            if outcome.source in owners:
                sorted_[owners[outcome.source]].append(outcome)
        return sorted_

    def _end_study(self, study: str, outcomes: Sequence[CaseOutcome]) -> None:
        for one in outcomes:
            self._log.tell("case", case=one.case_id, state=one.state, reason=one.reason)
        cases = [one.case_id for one in outcomes if one.femora]
        if any(one.state == CASE_FAILED for one in outcomes):
            if self._memory.note_attempt(study) < MOST_ATTEMPTS:
                self._arrivals.give_back(study, wait_s=PAUSE_S)
                return
            self._arrivals.end_study(study, cases, state=FAILED)
        else:
            self._arrivals.end_study(study, cases, state=MEASURED)

    def _queue_results(self, case_ids: Sequence[str]) -> None:
        """Queue objects that are new: of cases just measured, or made anew after a correction."""
        n_queued = 0
        for each in case_ids:
            try:
                n_queued += self._outbox.queue_case(each, self._results.cases / each / "dicom")
            except NodeMemoryError:
                raise
            except Exception as error:  # a damaged object: other cases are sent all the same
                self._log.tell("cannot_queue", case=each, reason=name_place(error))
        if n_queued:
            self._log.tell("queued", objects=n_queued)
            for courier in self._couriers:
                courier.wake.set()

    def _take_report(self, title: str, asked_as: str, kept: list[str], lost: list[str]) -> None:
        for archive in self._settings.archives:
            if archive.ae_title == title:
                note_report(self._memory, archive, asked_as, kept, lost)


def tell_health(memory: NodeMemory, settings: NodeSettings) -> dict[str, Fact]:
    """Return what a monitor should watch: what waits, for how long, and the room on the disk."""
    counts = memory.count()
    oldest = memory.tell_oldest()
    return {
        "studies_waiting": counts[RECEIVED] + counts[MEASURING],
        "studies_measured": counts[MEASURED],
        "studies_failed": counts[FAILED],
        "objects_waiting": counts[WAITING],
        "objects_unconfirmed": counts[ASKED],
        "objects_kept": counts[KEPT],
        "oldest_unsent_s": None if oldest is None else round(time.time() - oldest),
        "free_gb": round(shutil.disk_usage(settings.folder).free / 2**30, 1),
    }


def read_health(settings: NodeSettings) -> dict[str, Fact]:
    """Return the health of a node from its memory, whether it runs or not.

    Raises
    ------
    NodeMemoryError
        If there is none yet, or it cannot be read.
    """
    with open_memory(settings.folder) as memory:
        return tell_health(memory, settings)
