"""A results folder as a person works on it: cases opened, marked, signed, written.

What a person says goes into the ledger first; files and tables that follow from it can be made
again at any time, and are by whoever opens the folder next.
"""

import logging
import threading
import time
from collections import OrderedDict
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from math import inf
from pathlib import Path

from canalmorph.batch.clinic import CLINIC_NAME, CaseClinic, read_clinic
from canalmorph.batch.digest import RECORD_NAME
from canalmorph.batch.folder import ResultsFolder, find_key, hold_results
from canalmorph.batch.ledger import open_ledger
from canalmorph.batch.listing import write_cohort_page
from canalmorph.batch.mishaps import name_place
from canalmorph.batch.redraw import follow_review, is_due
from canalmorph.batch.repeat import decode_settings
from canalmorph.batch.reviews import (
    CHANGES,
    ReviewAction,
    ReviewEntry,
    Reviews,
    open_reviews,
)
from canalmorph.batch.shown import read_corrected, write_reviewed
from canalmorph.batch.tables import Tables
from canalmorph.correcting import CorrectedCase, MeasuredSides, correct_case, place_bases
from canalmorph.export.record import read_record
from canalmorph.export.surfaces import SURFACES_NAME, read_surfaces
from canalmorph.export.tables import CODEBOOK_NAME
from canalmorph.model.corrections import Correction, Review, Unfit
from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import CaseResult
from canalmorph.pipeline import Settings
from canalmorph.results_errors import (
    RecordUnreadableError,
    ResultsBusyError,
    ReviewOutrunError,
)
from canalmorph.review.behind import TablesBehind
from canalmorph.review.case_index import CaseIndex, read_terms
from canalmorph.version import VERSION

#: Cases that are kept at hand; each is some 50 MB.
N_AT_HAND = 4
#: Tables are written when nothing was said for so long, and so are the pages of a case that was
#: corrected and not signed: drawing takes seconds, and the next mark comes sooner. [s]
QUIET_S, PAGES_QUIET_S, TICK_S = 1.0, 30.0, 0.2
#: A browser that said nothing for so long has left the case. [s]
LEFT_AFTER_S = 20.0
_log = logging.getLogger(__name__)


@dataclass(slots=True, kw_only=True)
class Bench:
    """A case at hand: its record, what it was measured on, and what was measured with marks.

    Attributes
    ----------
    case : CaseResult
        As it was measured.
    aligned : tuple of AlignedFemur
        Empty for a case of an earlier version, which can be seen and signed only.
    settings : Settings or None
        That it was measured with; None where this version has not the same.
    why_fixed : str
        Why it cannot be corrected, and what to do, in sentences; empty where it can.
    known : MeasuredSides
        Femora with marks.
    stamp : int
        Changes where the case is measured anew.
    lock, turn : Lock
        Held while it is measured whole, and while a person's word is taken.
    """

    case: CaseResult
    aligned: tuple[AlignedFemur, ...]
    settings: Settings | None
    stamp: int
    why_fixed: str = ""
    known: MeasuredSides = field(default_factory=MeasuredSides)
    lock: threading.Lock = field(default_factory=threading.Lock)
    turn: threading.Lock = field(default_factory=threading.Lock)

    def correct(self, marks: tuple[Correction, ...], *, brief: bool = False) -> CorrectedCase:
        """Return the case with marks; `brief` puts off what takes longest.

        Raises
        ------
        ValueError
            If the marks leave nothing, or the case cannot be measured again.
        """
        if not marks:
            return CorrectedCase(case=self.case, aligned=self.aligned)
        if not brief:
            # Who is second finds the numbers of the first.
            with self.lock:
                return self._correct(marks, brief=False)
        return self._correct(marks, brief=True)

    def _correct(self, marks: tuple[Correction, ...], *, brief: bool) -> CorrectedCase:
        if not self.aligned or self.settings is None:
            raise ValueError(self.why_fixed)
        return correct_case(
            self.case, self.aligned, marks, self.settings, known=self.known, brief=brief
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenCase:
    """A case as it stands: what was measured, what persons said, what follows."""

    automatic: CaseResult
    automatic_aligned: tuple[AlignedFemur, ...]
    review: Review
    corrected: CorrectedCase
    why_fixed: str
    is_brief: bool = False


class ReviewDesk:
    """The work on one results folder."""

    def __init__(self, results: Path, reviews: Reviews) -> None:
        self.results = results
        key = find_key(results)
        self._folder = ResultsFolder(path=results, key=key or b"")
        self.reviews = reviews
        self.index = CaseIndex(results, self._folder.name_reader)
        self._benches: OrderedDict[str, Bench] = OrderedDict()
        self._lock = threading.RLock()
        self._watchers: dict[str, dict[str, float]] = {}
        #: When the pages of a case and the tables are to be written, by the monotonic clock. [s]
        self._pages_due: dict[str, float] = {}
        self._tables_due = inf
        self._files_due: set[str] = set()
        self._writing = threading.Lock()
        self._stop = threading.Event()
        self._behind = TablesBehind(results)
        self._take_up()
        self._writer = threading.Thread(target=self._write_later, daemon=True)
        self._writer.start()

    def _take_up(self) -> None:
        """Note what an earlier desk, or a run, left behind what was said: pages and tables."""
        if self._behind:
            self._tables_due = time.monotonic() + QUIET_S
        for case_id, review in self.reviews.list_all().items():
            folder = self._folder.cases / case_id
            if (folder / RECORD_NAME).is_file() and is_due(folder, review):
                self._pages_due[case_id] = time.monotonic() + PAGES_QUIET_S

    def close(self) -> None:
        """Write what is left to write, and free the files."""
        self._stop.set()
        self._writer.join()
        self.index.close()

    def find_folder(self, case_id: str) -> Path:
        """Return the folder of a case.

        Raises
        ------
        KeyError
            If there is none of that name within the results.
        """
        cases = self._folder.cases.resolve()
        place = (cases / case_id).resolve()
        if place.parent != cases or place.name != case_id or case_id.startswith("."):
            raise KeyError(case_id)
        if not (place / RECORD_NAME).is_file():
            raise KeyError(case_id)
        return place

    def open_case(self, case_id: str, *, brief: bool = False) -> OpenCase:
        """Return a case as it stands; `brief` puts off what takes longest, for who waits.

        Raises
        ------
        KeyError
            If there is none of that name.
        RecordUnreadableError
            If its record is damaged.
        """
        bench = self._take_bench(case_id)
        review = self.reviews.get(case_id)
        try:
            corrected = self._find_written(bench, review) if brief else None
            corrected = corrected or bench.correct(review.corrections, brief=brief)
        except ValueError as error:
            unfit = tuple(Unfit(mark=one, reason=str(error)) for one in review.corrections)
            corrected = CorrectedCase(case=bench.case, aligned=bench.aligned, unfit=unfit)
        return OpenCase(
            automatic=bench.case,
            automatic_aligned=bench.aligned,
            review=review,
            corrected=corrected,
            why_fixed=bench.why_fixed,
            is_brief=brief and bool(review.corrections),
        )

    def _find_written(self, bench: Bench, review: Review) -> CorrectedCase | None:
        """Return a case that nobody changed since its files were written, from them."""
        if not review.corrections or bench.known.results or not bench.aligned:
            return None
        written = read_corrected(self.find_folder(review.case_id), review.corrections)
        if written is None:
            return None
        bases = place_bases(written.case, bench.aligned, swapped=review.swaps_sides)
        return replace(written, aligned=bases)

    def change(
        self,
        case_id: str,
        action: ReviewAction,
        *,
        version: int,
        by: str,
        reason: str = "",
        mark: Correction | None = None,
    ) -> OpenCase:
        """Do what a person says, and return the case as it stands then, in brief.

        Parameters
        ----------
        case_id : str
            The case.
        action : ReviewAction
            What to do.
        version : int
            Of the case that the person saw.
        by, reason : str
            As typed.
        mark : Correction, optional
            To set or to withdraw.

        Raises
        ------
        ReviewOutrunError
            If somebody else went on from that version.
        ValueError
            If the mark does not fit, nothing would be left, or something is not named.
        KeyError
            If there is no such case.
        """
        bench = self._take_bench(case_id)
        folder = self.find_folder(case_id)
        said = {"by": by, "reason": reason, "measured_with": read_terms(folder)}
        with bench.turn:
            seen = self.reviews.get(case_id)
            if seen.version != version:
                raise ReviewOutrunError(case=case_id)
            if action is ReviewAction.CORRECT:
                _check_fit(bench, seen, _need(mark))
            self._behind.note()
            if action is ReviewAction.CORRECT:
                new = self.reviews.correct(seen, _need(mark), **said)
            elif action is ReviewAction.WITHDRAW:
                new = self.reviews.withdraw(seen, _need(mark), **said)
            elif action is ReviewAction.UNDO:
                new = self.reviews.undo(seen, **said)
            else:
                new = self.reviews.say(seen, action, **said)
            case = self.open_case(case_id, brief=True)
        self.index.note_state(folder, new)
        self._follow(folder.name, draw=action not in CHANGES or not new.corrections)
        return case

    def list_entries(self, case_id: str) -> tuple[ReviewEntry, ...]:
        """Return the log of a case."""
        return self.reviews.list_entries(case_id)

    def watch(self, case_id: str, browser: str) -> int:
        """Note that a browser shows a case, and return how many others do."""
        now = time.monotonic()
        with self._lock:
            here = self._watchers.setdefault(case_id, {})
            here[browser[:40]] = now
            for name in [name for name, seen in here.items() if now - seen > LEFT_AFTER_S]:
                del here[name]
            return len(here) - 1

    def write_due(self, now_s: float = inf) -> None:
        """Write the pages and tables that are due by a time; all that are left by default."""
        with self._writing:
            with self._lock:
                drawn = sorted(name for name, due in self._pages_due.items() if due <= now_s)
                for name in drawn:
                    del self._pages_due[name]
                due = self._tables_due <= now_s and self._tables_due < inf
                files = sorted(self._files_due) if due or drawn else []
                if files:
                    self._files_due = set()
                if due:
                    self._tables_due = inf
            for name in files:
                self._write_files(name)
            for name in drawn:
                self._draw(name)
            if due:
                self._write_tables()

    def _take_bench(self, case_id: str) -> Bench:
        folder = self.find_folder(case_id)
        stamp = (folder / RECORD_NAME).stat().st_mtime_ns
        with self._lock:
            bench = self._benches.get(case_id)
            if bench is None or bench.stamp != stamp:
                bench = _lay_out(folder, stamp)
                self._benches[case_id] = bench
            self._benches.move_to_end(case_id)
            while len(self._benches) > N_AT_HAND:
                self._benches.popitem(last=False)
        return bench

    def _follow(self, case_id: str, *, draw: bool) -> None:
        """Note that files follow from what was said; the ledger has it, they can wait."""
        now = time.monotonic()
        with self._lock:
            self._files_due.add(case_id)
            self._tables_due = now + QUIET_S
            self._pages_due[case_id] = now + (0.0 if draw else PAGES_QUIET_S)

    def _write_later(self) -> None:
        while not self._stop.wait(TICK_S):
            self.write_due(time.monotonic())
        self.write_due()

    def _write_files(self, case_id: str) -> None:
        """Write what follows from the marks of a case beside it, and bring its row up to date."""
        try:
            folder = self.find_folder(case_id)
            case = self.open_case(case_id)
            reader = self._folder.name_reader(case.review.marked_by)
            write_reviewed(folder, case.review, reader=reader, corrected=case.corrected)
            self.index.note(folder, case.review)
        except Exception as error:  # what was said of other cases is written all the same
            _log.warning("The files of %s were not written (%s).", case_id, name_place(error))

    def _draw(self, case_id: str) -> None:
        try:
            folder = self.find_folder(case_id)
            case = self.open_case(case_id)
            follow_review(folder, case.review, case.corrected)
        except Exception as error:  # as above
            _log.warning("The pages of %s were not drawn (%s).", case_id, name_place(error))

    def read_clinic(self, case_id: str) -> CaseClinic:
        """Return patient and facts of a case; raises as `canalmorph.batch.clinic.read_clinic`."""
        return read_clinic(self.find_folder(case_id) / CLINIC_NAME)

    def _write_tables(self) -> None:
        """Write tables and list, unless a run holds the folder: it writes them itself."""
        said = self._behind.count()
        try:
            with hold_results(self.results), open_ledger(self.results) as ledger:
                Tables(self._folder, ledger).write()
                write_cohort_page(self._folder, ledger)
            self._behind.clear(said)
        except ResultsBusyError:
            return
        except Exception as error:  # the next change is written all the same
            _log.warning("The tables were not written (%s).", name_place(error))


@contextmanager
def open_desk(results: Path) -> Iterator[ReviewDesk]:
    """Give the desk of a results folder; at the end what follows from the work is written.

    Raises
    ------
    ValueError
        If it is no results folder.
    ResultsLedgerError, ResultsNotWritableError
        If its ledger cannot be used.
    """
    if not (results / CODEBOOK_NAME).is_file():
        raise ValueError("RESULTS must be a folder that `canalmorph measure` made.")
    with open_reviews(results) as reviews:
        desk = ReviewDesk(results, reviews)
        try:
            yield desk
        finally:
            desk.close()


def _lay_out(folder: Path, stamp: int) -> Bench:
    case = read_record(folder / RECORD_NAME)
    aligned: tuple[AlignedFemur, ...] = ()
    settings: Settings | None = None
    why = ""
    try:
        settings = decode_settings(case.settings)
        aligned = read_surfaces(folder / SURFACES_NAME)
    except RecordUnreadableError:
        why = f"{SURFACES_NAME}, from which it would be measured again, is absent or damaged, or is"
    except (TypeError, ValueError):
        why = "The settings that it was measured with are"
    if why:
        why = (
            f"This case can be seen and signed, and not be corrected. {why} of another version "
            f"(measured with {case.software_version}, this is {VERSION}). To correct it, measure "
            "its scan again into the same results: canalmorph measure SCANS --out RESULTS --again. "
            "What was said of it stays."
        )
    return Bench(case=case, aligned=aligned, settings=settings, stamp=stamp, why_fixed=why)


def _need(mark: Correction | None) -> Correction:
    if mark is None:
        raise ValueError("'mark' is missing.")
    return mark


def _check_fit(bench: Bench, seen: Review, mark: Correction) -> None:
    """Refuse a mark that would be left out, or leaves nothing."""
    others = tuple(one for one in seen.corrections if one.slot != mark.slot)
    found = bench.correct((*others, mark), brief=True)
    for unfit in found.unfit:
        if unfit.mark == mark:
            raise ValueError(unfit.reason)
