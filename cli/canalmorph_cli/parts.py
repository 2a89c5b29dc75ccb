"""What several commands check before they begin: installed parts, the folder, the words."""

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from importlib.util import find_spec
from pathlib import Path

from canalmorph_cli.exits import WrongUsageError


def check_parts(command: str, parts: Sequence[str], extra: str) -> None:
    """Refuse to begin where the work could not be finished.

    Raises
    ------
    WrongUsageError
        If a part is not installed.
    """
    missing = [part for part in parts if find_spec(part) is None]
    if missing:
        raise WrongUsageError(
            f"{command} needs {' and '.join(missing)}, not installed here; install {extra}."
        )


def make_folder(out: Path) -> None:
    """Make the folder that a command writes to.

    Raises
    ------
    WrongUsageError
        If it cannot be made.
    """
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        reason = error.strerror or "it cannot be made"
        sentence = f"{out} cannot be a folder: {reason}; name another with --out."
        raise WrongUsageError(sentence) from error


@contextmanager
def refuse_wrong_words() -> Iterator[None]:
    """Turn a `ValueError` of the library, which was called with the user's words, into wrong usage.

    Raises
    ------
    WrongUsageError
        With the library's sentence.
    """
    try:
        yield
    except ValueError as error:
        raise WrongUsageError(str(error)) from error
