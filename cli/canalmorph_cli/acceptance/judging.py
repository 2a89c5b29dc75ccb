"""How a set of records is judged by the promises."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite, nan

from canalmorph_cli.acceptance.promise import Promise
from canalmorph_cli.acceptance.promises import NOISE_UP_TO_HU, PROMISES, SLICE_UP_TO_MM
from canalmorph_cli.acceptance.records import Record, ScanConditions
from canalmorph_cli.acceptance.summaries import ErrorSummary, summarise

#: Beyond them the spread may be so many times larger.
BEYOND_SD_FACTOR = 2.0
#: And so large a share of the numbers may be wrong by more than three standard uncertainties.
BEYOND_SHARE = 0.01
#: Of fewer femora a mean and a spread say little: only the worst case is then judged.
FEWEST_FEMORA = 5
#: Of fewer numbers one in a hundred cannot be told.
FEWEST_SCORED = 300


class Domain(StrEnum):
    """Which scans a promise is judged on."""

    ORDINARY = "ordinary"
    BEYOND = "beyond"


class Standing(StrEnum):
    """How a promise stands."""

    HELD = "held"
    BROKEN = "broken"
    NOT_JUDGED = "not judged"


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One bound of a promise, and what was found.

    Attributes
    ----------
    name : str
        ``bias``, ``SD``, ``worst``, ``flagged`` or ``beyond 3 u``.
    found, bound : float
        The bound is for the absolute value.
    judged : bool
        False where there were too few femora.
    """

    name: str
    found: float
    bound: float
    judged: bool = True

    @property
    def held(self) -> bool:
        """Whether what was found lies within the bound."""
        return abs(self.found) <= self.bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Judgement:
    """A promise, judged.

    Attributes
    ----------
    promise, domain
        Which promise, on which scans.
    summary : ErrorSummary
        Of all its numbers.
    checks : tuple of Check
        One a bound.
    n_femora : int
        On how many femora it was judged.
    flagged : float
        Share of numbers that the tool flagged or left blank.
    """

    promise: Promise
    domain: Domain
    summary: ErrorSummary
    checks: tuple[Check, ...]
    n_femora: int
    flagged: float

    @property
    def standing(self) -> Standing:
        """Broken where any judged bound is, not judged where none was."""
        judged = [check for check in self.checks if check.judged]
        if not judged:
            return Standing.NOT_JUDGED
        return Standing.HELD if all(check.held for check in judged) else Standing.BROKEN


def get_domain(conditions: ScanConditions) -> Domain:
    """Return which promise a scan is judged by; what is not known is taken as ordinary.

    Examples
    --------
    >>> str(get_domain(ScanConditions(slice_mm=1.0, noise_hu=15.0)))
    'ordinary'
    >>> str(get_domain(ScanConditions(slice_mm=3.0, noise_hu=15.0)))
    'beyond'
    """
    # A slice distance from a file is a difference of two positions.
    thick = conditions.slice_mm > SLICE_UP_TO_MM + 1e-6
    noisy = conditions.noise_hu > NOISE_UP_TO_HU
    return Domain.BEYOND if thick or noisy or conditions.edge_enhancement > 0 else Domain.ORDINARY


def judge_records(
    records: Iterable[Record], promises: Sequence[Promise] = PROMISES
) -> tuple[Judgement, ...]:
    """Return every promise judged, first on ordinary scans, then on those beyond.

    Parameters
    ----------
    records : iterable of Record
        Of any scans.
    promises : sequence of Promise
        By default all of the registry.
    """
    by_domain: dict[Domain, list[Record]] = {domain: [] for domain in Domain}
    for record in records:
        by_domain[get_domain(record.conditions)].append(record)
    judgements = [judge_promise(one, by_domain[Domain.ORDINARY]) for one in promises]
    beyond = by_domain[Domain.BEYOND]
    if beyond:
        judgements += [judge_promise(one, beyond, domain=Domain.BEYOND) for one in promises]
        judgements.append(_judge_uncertainty(beyond))
    return tuple(judgements)


def judge_promise(
    promise: Promise, records: Iterable[Record], *, domain: Domain = Domain.ORDINARY
) -> Judgement:
    """Return one promise judged on records of scans of one domain."""
    chosen = [record for record in records if promise.is_about(record)]
    plain = [record for record in chosen if not promise.flags_record(record)]
    summary, unflagged = summarise(chosen), summarise(plain)
    n_femora = _count_femora(chosen)
    flagged = 1 - len(plain) / len(chosen) if chosen else nan
    many = n_femora >= FEWEST_FEMORA
    # A promise without bias and SD is about events: it holds beyond as well.
    sd_factor = 1.0 if domain is Domain.ORDINARY else BEYOND_SD_FACTOR
    checks = [_check("SD", summary.sd, promise.sd, sd_factor, judged=many)]
    if domain is Domain.ORDINARY:
        checks.insert(0, _check("bias", summary.bias, promise.bias, judged=many))
        checks.append(_check("flagged", flagged, promise.most_flagged, judged=many))
    if domain is Domain.ORDINARY or promise.worst == 0:
        checks.append(_check("worst", unflagged.worst, promise.worst))
    return Judgement(
        promise=promise,
        domain=domain,
        summary=summary,
        checks=tuple(check for check in checks if check is not None),
        n_femora=n_femora,
        flagged=flagged,
    )


#: What the stated uncertainties are promised to be, on scans beyond the ordinary ones.
UNCERTAINTY_PROMISE = Promise(
    key="uncertainty_beyond",
    words="All numbers: errors over 3 stated standard uncertainties in at most 1 %",
    unit="1",
)


def _judge_uncertainty(records: Sequence[Record]) -> Judgement:
    scored = [record for record in records if record.z is not None]
    summary = summarise(scored)
    n_femora = _count_femora(scored)
    # Numbers of one femur share their errors, so that many of them say no more than a few.
    judged = summary.n_scored >= FEWEST_SCORED and n_femora >= FEWEST_FEMORA
    check = Check(name="beyond 3 u", found=summary.beyond, bound=BEYOND_SHARE, judged=judged)
    return Judgement(
        promise=UNCERTAINTY_PROMISE,
        domain=Domain.BEYOND,
        summary=summary,
        checks=(check,),
        n_femora=n_femora,
        flagged=0.0,
    )


def _count_femora(records: Sequence[Record]) -> int:
    return len({(record.scan, record.side) for record in records if record.measured is not None})


def _check(
    name: str, found: float, bound: float | None, factor: float = 1.0, *, judged: bool = True
) -> Check | None:
    if bound is None or not isfinite(found):
        return None
    return Check(name=name, found=found, bound=factor * bound, judged=judged)
