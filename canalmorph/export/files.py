"""Files that are either whole or not there: a crash never leaves half a table."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO


@contextmanager
def open_atomically(path: Path) -> Iterator[BinaryIO]:
    """Give a binary stream whose content takes the place of `path` when the block ends well.

    Parameters
    ----------
    path : Path
        The file to make or replace; its folder must exist.

    Yields
    ------
    binary file
        A temporary file in the same folder; removed where the block raises, so that an earlier
        file stays as it was.

    Raises
    ------
    OSError
        If the folder cannot be written or the disk is full.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".part")
    try:
        with os.fdopen(handle, "wb") as stream:
            yield stream
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, 0o666 & ~_read_umask())
        os.replace(name, path)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(name)
        raise


def write_atomically(path: Path, content: bytes) -> None:
    """Write `content` to `path` as a whole: temporary name, sync, rename."""
    with open_atomically(path) as stream:
        stream.write(content)


def _read_umask() -> int:
    """Return the process's umask; mkstemp makes files that only their owner may read."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
