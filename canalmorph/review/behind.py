"""Whether the tables are behind what was said, told by a file that a kill leaves."""

from pathlib import Path
from threading import Lock

#: Lies in a results folder from before a word goes into the ledger until the tables have it.
BEHIND_NAME = ".tables_behind"


class TablesBehind:
    """The file, and how often it was asked for since it was last taken away."""

    def __init__(self, results: Path) -> None:
        self._path = results / BEHIND_NAME
        self._lock = Lock()
        self._said = 0

    def __bool__(self) -> bool:
        return self._path.exists()

    def note(self) -> None:
        """Note that something is about to be said."""
        with self._lock:
            self._said += 1
            self._path.touch()

    def count(self) -> int:
        """Return how much was noted, to be asked before the tables are written."""
        return self._said

    def clear(self, said: int) -> None:
        """Note that the tables have what was said up to a count; what came since stays noted."""
        with self._lock:
            if said == self._said:
                self._path.unlink(missing_ok=True)
