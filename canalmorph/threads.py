"""Several things at once within a process, for as many processors as its loops may use."""

from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numba

T = TypeVar("T")
R = TypeVar("R")
#: The one way of running compiled loops that ends the process where two threads run them at once.
_ONE_AT_A_TIME = "workqueue"


def map_in_threads(do: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Return what becomes of each item, in their order; the processors are shared among them.

    One after another where there is one processor, or where compiled loops must not run in two
    threads. Which of both is the case changes no number.

    Examples
    --------
    >>> map_in_threads(len, ["a", "bc"])
    [1, 2]
    """
    waiting = list(items)
    processors = numba.get_num_threads()
    at_once = min(processors, len(waiting))
    if at_once < 2 or not _may_share():
        return [do(item) for item in waiting]

    def set_share() -> None:
        numba.set_num_threads(processors // at_once)

    with ThreadPoolExecutor(at_once, initializer=set_share) as pool:
        return list(pool.map(do, waiting))


def _may_share() -> bool:
    """Return whether compiled loops may run in several threads; not known before the first ran."""
    try:
        layer = numba.threading_layer()  # type: ignore[attr-defined]  # numba's types lack it
    except ValueError:
        return False
    return bool(layer != _ONE_AT_A_TIME)
