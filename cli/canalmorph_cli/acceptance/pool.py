"""Processes that work for this one and end with it, however it ends."""

import os
import threading
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import active_children, get_context, parent_process


@contextmanager
def start_pool(workers: int) -> Iterator[ProcessPoolExecutor]:
    """Give a pool of so many processes; an error or a stop by hand ends them at once."""
    before = set(active_children())
    # Fresh interpreters: a forked one could inherit a lock of a compiled loop's threads.
    context = get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_end_with_parent) as pool:
        try:
            yield pool
        except BaseException:
            for process in set(active_children()) - before:
                process.terminate()
            raise


def _end_with_parent() -> None:
    """Let this process end when the one that started it does, even if that one was killed."""
    parent = parent_process()
    assert parent is not None

    def watch() -> None:
        parent.join()
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
