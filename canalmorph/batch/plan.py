"""What of the inputs is still to be done, by the ledger and by the cases' own folders."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from canalmorph.batch.digest import CaseDigest, read_digest
from canalmorph.batch.fingerprint import InputMarker
from canalmorph.batch.folder import ResultsFolder
from canalmorph.batch.ledger import MEASURED, QUEUED, REFUSED, Entry, Ledger, Terms
from canalmorph.batch.outcomes import CaseOutcome
from canalmorph.read.found import SeriesFound


class InputNames:
    """The keyed names of what lies in the inputs: of a series by its key, else of its place."""

    def __init__(self, paths: Sequence[Path], folder: ResultsFolder) -> None:
        self._folder = folder
        self._parents: dict[str, list[str]] = defaultdict(list)
        for path in map(Path.resolve, paths):
            self._parents[path.name].append(str(path.parent))

    def holds(self, source: str) -> bool:
        """Return whether a source's first part is one of the inputs."""
        return source.split("/")[0] in self._parents

    def name_series(self, series: SeriesFound) -> str:
        """Return the name of a series, or of its place where it has no key yet."""
        if series.series_key:
            return self._folder.name_case(series.series_key)
        return self.name_place(series.source)

    def name_place(self, source: str) -> str:
        """Return the name of a place: where the inputs lie that it may be in, and the rest."""
        places = self._parents.get(source.split("/")[0], ())
        return self._folder.name_unread("|".join([*places, source]))


class Planner:
    """Tells what an earlier run did, so that it need not be done again.

    A case counts as done where the ledger says so and its folder is whole, or where its folder
    alone says so: a run may be killed between the two.
    """

    def __init__(
        self,
        folder: ResultsFolder,
        ledger: Ledger,
        terms: Terms,
        names: InputNames,
        *,
        again: bool,
    ) -> None:
        self._folder, self._ledger, self._terms, self._again = folder, ledger, terms, again
        self._names = names
        self._marker = InputMarker()
        self._unnoted = {} if again else self._read_unnoted()

    def _read_unnoted(self) -> dict[tuple[str, str], tuple[str, CaseDigest]]:
        """Return the whole cases that the ledger does not know as measured, by their input."""
        measured = self._ledger.list_measured()
        found = {}
        for case_id in self._folder.list_cases():
            digest = None if case_id in measured else self._read_digest(case_id)
            if digest is not None:
                found[digest.work_id, digest.input_hash] = (case_id, digest)
        return found

    def make_entry(self, series: SeriesFound, *, source: str) -> Entry:
        """Return the ledger's line of a series that is to be measured."""
        name = self._names.name_series(series)
        return Entry(
            work_id=name,
            mark=self._marker.mark_input(series),
            case_id=name,
            state=QUEUED,
            source=source,
            terms=self._terms,
        )

    def find_kept(self, entry: Entry) -> CaseOutcome | None:
        """Return what an earlier run made of an input, if that still holds."""
        if self._again:
            return None
        known = self._ledger.find(entry.work_id, entry.mark)
        if known is not None and known.terms == entry.terms:
            if known.state == REFUSED and known.mark == entry.mark:
                return self._keep_refused(known)
            if known.state == MEASURED:
                digest = self._read_digest(known.case_id)
                if digest is not None and digest.fits(entry):
                    return self._keep_measured(entry, known.case_id, digest)
        return self._adopt(entry)

    def _keep_refused(self, known: Entry) -> CaseOutcome | None:
        """Return a refusal of an earlier run; None where its reason went with another case."""
        noted = self._ledger.list_refusals(known.work_id)
        refusals = tuple(refusal for name, refusal in noted if name == known.case_id)
        if not refusals:
            return None
        return CaseOutcome(
            source=known.source,
            case_id=known.case_id,
            refusals=refusals,
            state=REFUSED,
            reason=known.reason,
            seconds=known.seconds,
            kept=True,
        )

    def _adopt(self, entry: Entry) -> CaseOutcome | None:
        """Return a case that is whole though the ledger does not say so, and note it there."""
        case_id, digest = self._unnoted.get((entry.work_id, entry.mark.content), ("", None))
        if digest is None or not digest.fits(entry):
            return None
        measured = replace(entry, case_id=case_id, state=MEASURED, seconds=digest.seconds)
        self._ledger.finish(measured, digest.noted)
        return self._keep_measured(entry, case_id, digest)

    def _keep_measured(self, entry: Entry, case_id: str, digest: CaseDigest) -> CaseOutcome:
        return CaseOutcome(
            source=entry.source,
            case_id=case_id,
            femora=digest.femora,
            refusals=(*digest.refusals, *(refusal for _, refusal in digest.noted)),
            state=MEASURED,
            seconds=digest.seconds,
            kept=True,
        )

    def _read_digest(self, case_id: str) -> CaseDigest | None:
        return read_digest(self._folder.cases / case_id)
