"""Exit statuses, and how an error becomes one sentence and a status."""

import functools
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import IntEnum
from typing import ParamSpec

import typer

from canalmorph.batch.mishaps import format_bug, name_place
from canalmorph.errors import CanalMorphError
from canalmorph.results_errors import CaseKeyUnusableError, ClusterError, ResultsFolderError

Parameters = ParamSpec("Parameters")


class ExitStatus(IntEnum):
    """What the command line returns."""

    DONE = 0
    BUG = 1
    #: `verify` found the tool less exact than promised: as much a fault of the tool as a bug is.
    PROMISE_BROKEN = 1
    WRONG_USAGE = 2
    NOTHING_MEASURED = 3
    DONE_WITH_REFUSALS = 4
    INTERRUPTED = 130


class WrongUsageError(Exception):
    """The command was called with something that it cannot take; the text is one sentence."""


#: Errors of what the command was given, not of the scans.
UNUSABLE = (WrongUsageError, ResultsFolderError, CaseKeyUnusableError, ClusterError)


def say_error(sentence: str) -> None:
    """Print one line to the standard error."""
    print(f"canalmorph: {sentence}", file=sys.stderr, flush=True)


def turn_errors_into_status(
    command: Callable[Parameters, ExitStatus],
) -> Callable[Parameters, None]:
    """Return the command so that it ends with its status, and its errors as one sentence.

    A parameter ``debug`` of the command shows tracebacks, without the errors' texts where a
    parameter ``deidentify`` asks for no names.
    """

    @functools.wraps(command)
    def run(*args: Parameters.args, **kwargs: Parameters.kwargs) -> None:
        try:
            with _stop_as_by_hand():
                status = command(*args, **kwargs)
        except Exception as error:
            if kwargs.get("debug"):
                print(format_bug(error, hide_text=bool(kwargs.get("deidentify"))), file=sys.stderr)
            status, sentence = describe_error(error)
            say_error(sentence)
        except KeyboardInterrupt:
            status = ExitStatus.INTERRUPTED
            say_error("stopped; cases that were measured are kept.")
        raise typer.Exit(int(status))

    return run


@contextmanager
def _stop_as_by_hand() -> Iterator[None]:
    """Let the signal that ends a service or a batch job do what Ctrl+C does."""
    if threading.current_thread() is not threading.main_thread():
        yield  # only there signals arrive
        return
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)


def describe_error(error: Exception) -> tuple[ExitStatus, str]:
    """Return the status and the sentence of an error that ended a command."""
    if isinstance(error, UNUSABLE):
        return ExitStatus.WRONG_USAGE, str(error)
    if isinstance(error, CanalMorphError):
        return ExitStatus.NOTHING_MEASURED, str(error)
    return ExitStatus.BUG, (
        f"this is a bug ({name_place(error)}); run the command again "
        "with --debug and send what it prints, after reading it for names."
    )
