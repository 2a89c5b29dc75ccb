"""Files that are either whole or not there: a crash never leaves half a table."""

import os
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

#: The process's umask: mkstemp makes files that only their owner may read. The system tells it to
#: whoever sets another. Once, since two threads at a time could leave the other one in place, and a
#: strict one, since a file may be made meanwhile.
UMASK = os.umask(0o077)
os.umask(UMASK)


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
        os.chmod(name, 0o666 & ~UMASK)
        os.replace(name, path)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(name)
        raise


def write_atomically(path: Path, content: bytes) -> None:
    """Write `content` to `path` as a whole: temporary name, sync, rename."""
    with open_atomically(path) as stream:
        stream.write(content)
