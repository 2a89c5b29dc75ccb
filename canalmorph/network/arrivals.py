"""Which studies are complete: nothing of them arrives any more, and nobody is about to send more.

DICOM does not tell how many images a study has. It counts as complete once it was quiet for some
time, with no association open that brought part of it; longer, where the last one broke off, since
its sender will try again.
"""

import threading
import time
from dataclasses import dataclass, field

from canalmorph.network.inbox import Inbox
from canalmorph.network.memory import RECEIVED, NodeMemory


@dataclass(slots=True)
class _Arriving:
    """A study that is owed its measuring."""

    latest: float
    whole: bool
    open: set[int] = field(default_factory=set)
    taken: bool = False


class Arrivals:
    """The studies that are to be measured, for all threads of the node."""

    def __init__(self, memory: NodeMemory, *, quiet_s: float, broken_quiet_s: float) -> None:
        self._memory = memory
        self._quiet_s, self._broken_quiet_s = quiet_s, broken_quiet_s
        self._lock = threading.Lock()
        self._studies: dict[str, _Arriving] = {}
        #: Set whenever an association ends.
        self.changed = threading.Event()

    def recall(self, inbox: Inbox) -> None:
        """Take up what an ended process left: the clocks begin anew, so that senders can go on."""
        self._memory.recall_taken()
        for study in inbox.list_studies():
            if not self._memory.knows_study(study):
                self._memory.note_received(study, whole=False)
        self.look_around()

    def look_around(self) -> None:
        """Take up what another process noted: a fetch into the inbox."""
        noted = self._memory.list_studies(RECEIVED)
        with self._lock:
            for study, whole in noted.items():
                known = self._studies.get(study)
                if known is None:
                    self._studies[study] = _Arriving(latest=time.monotonic(), whole=whole)
                elif whole and not known.whole and not known.open:
                    known.whole, known.latest = True, time.monotonic()

    def begin_object(self, study: str, association: int) -> None:
        """Note, before it is kept, that an object of a study arrives over an association."""
        with self._lock:
            known = self._studies.get(study)
            if known is None or known.taken or known.whole:
                self._memory.note_received(study, whole=False)
                known = self._studies[study] = _Arriving(
                    latest=0.0, whole=False, open=set() if known is None else known.open
                )
            known.latest = time.monotonic()
            known.open.add(association)

    def end_association(self, association: int, *, whole: bool) -> None:
        """Note the end of an association: `whole` if both sides agreed on it."""
        with self._lock:
            for study, known in self._studies.items():
                if association not in known.open:
                    continue
                known.open.discard(association)
                known.latest = time.monotonic()
                known.whole = whole and not known.open
                if known.whole:
                    self._memory.note_received(study, whole=True)
        self.changed.set()

    def take_quiet(self) -> list[str]:
        """Return the studies that are complete now; each is taken until it is given back."""
        with self._lock:
            found = [name for name, one in self._studies.items() if self._wait_s(one) <= 0.0]
            self._memory.note_taken(found)
            for study in found:
                self._studies[study].taken = True
        return sorted(found)

    def give_back(self, study: str, *, wait_s: float) -> None:
        """Have a study that was taken measured again after `wait_s` [s]."""
        with self._lock:
            known = self._studies.get(study)
            if known is not None and known.taken:
                known.taken = False
                known.latest = time.monotonic() + wait_s - self._quiet_s
                known.whole = True

    def end_study(self, study: str, case_ids: list[str], *, state: str) -> None:
        """Note that a study that was taken is done, unless more of it arrived meanwhile."""
        with self._lock:
            self._memory.note_measured(study, case_ids, state=state)
            known = self._studies.get(study)
            # More over an association is known anew; more that was fetched is found in the memory.
            if known is not None and known.taken:
                del self._studies[study]

    def count_open(self) -> int:
        """Return how many studies wait for their end or their measuring."""
        with self._lock:
            return len(self._studies)

    def _wait_s(self, one: _Arriving) -> float:
        """Return how long a study must be quiet still [s]."""
        if one.taken or one.open:
            return float("inf")
        quiet_s = self._quiet_s if one.whole else self._broken_quiet_s
        return one.latest + quiet_s - time.monotonic()
