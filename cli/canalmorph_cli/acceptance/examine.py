"""From a phantom's specification to its records: made, measured, measured plainly, thrown away."""

import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass, field

from canalmorph_cli.acceptance.plain_methods import PlainMethod, measure_plainly
from canalmorph_cli.acceptance.pool import start_pool
from canalmorph_cli.acceptance.records import Record, collect_records
from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.spec import PhantomScan

#: Processes that make and measure; each needs up to 1.5 GB.
WORKERS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class ExaminedScan:
    """What became of one scan.

    Attributes
    ----------
    name : str
        Of the phantom.
    records : tuple of Record
        Of the tool.
    plain : mapping of PlainMethod to tuple of Record
        Of the plain methods; empty where they were not asked for.
    seconds : float
        For making and measuring. [s]
    """

    name: str
    records: tuple[Record, ...]
    plain: Mapping[PlainMethod, tuple[Record, ...]] = field(default_factory=dict)
    seconds: float = 0.0


def examine_scan(spec: PhantomScan, *, plainly: bool = True) -> ExaminedScan:
    """Make a phantom's scan and measure it.

    Parameters
    ----------
    spec : PhantomScan
        What to make.
    plainly : bool
        Whether the plain methods measure it too.
    """
    start = time.monotonic()
    made = build_scan(spec)
    records = collect_records(
        spec.name,
        made.volume,
        made.truth,
        edge_enhancement=spec.scanner.edge_enhancement,
    )
    plain = {}
    if plainly:
        conditions = records[0].conditions
        found = measure_plainly(spec.name, made.volume, made.truth, conditions=conditions)
        plain = {method: tuple(found[method]) for method in PlainMethod}
    return ExaminedScan(
        name=spec.name,
        records=tuple(records),
        plain=plain,
        seconds=time.monotonic() - start,
    )


def examine_for_study(spec: PhantomScan) -> ExaminedScan:
    """Make a phantom's scan and measure it with the tool alone."""
    return examine_scan(spec, plainly=False)


class Examiner:
    """Examines scans one by one, here or in processes of its own."""

    def __init__(self, pool: ProcessPoolExecutor | None) -> None:
        self._pool = pool

    def examine(
        self, specs: Iterable[PhantomScan], *, plainly: bool = True
    ) -> Iterator[ExaminedScan]:
        """Yield what became of each scan, in the order of the specifications."""
        work = examine_scan if plainly else examine_for_study
        yield from (map(work, specs) if self._pool is None else self._pool.map(work, specs))


@contextmanager
def start_examiner(workers: int = WORKERS) -> Iterator[Examiner]:
    """Give an examiner; with one worker everything happens in this process."""
    if workers == 1:
        yield Examiner(None)
        return
    with start_pool(workers) as pool:
        yield Examiner(pool)
