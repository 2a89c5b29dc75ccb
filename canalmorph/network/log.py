"""What the node tells: one JSON object a line, without the identity of any patient.

Studies and objects go by keyed hashes, peers by the name that the configuration gives them or by
their network address; what a stranger calls itself is text from outside and is left out.
"""

import json
import logging
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime

#: Loggers of libraries that quote titles, UIDs and values of the files.
_TALKERS = ("pynetdicom", "dicomweb_client", "urllib3", "retrying")
#: What may stand in a line.
Fact = str | int | float | bool | None


def _print_line(line: str) -> None:
    print(line, file=sys.stderr, flush=True)


class NodeLog:
    """Writes lines, from any thread."""

    def __init__(self, write: Callable[[str], None] = _print_line) -> None:
        self._write, self._lock = write, threading.Lock()

    def tell(self, event: str, **facts: Fact) -> None:
        """Write one line."""
        moment = datetime.now(UTC).isoformat(timespec="milliseconds")
        line = json.dumps({"at": moment, "event": event, **facts}, ensure_ascii=True)
        with self._lock:
            self._write(line)


def silence_libraries() -> None:
    """Have the libraries of the network log nothing: what matters stands in the node's own log."""
    for name in _TALKERS:
        logging.getLogger(name).setLevel(logging.CRITICAL + 1)
