"""Statistics of agreement between two measurements of the same femora.

Intraclass correlation by the mean squares of a two-way analysis of variance, with the intervals of
Shrout and Fleiss 1979 (the same as McGraw and Wong 1996); limits of agreement and their intervals
by Bland and Altman 1986; Cohen's kappa by statsmodels. A difference is always B less A.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import stats

from canalmorph.cohort.statistics import CONFIDENCE

#: Standard deviations to each side that hold 95 % of normal differences.
LIMIT_SD = 1.96
#: Fewer pairs than this give no statistics: a spread needs two degrees of freedom at least.
FEWEST_PAIRS = 3
#: Fewer pairs than this are called few. Common practice, no source; what they cost is computed.
FEW_PAIRS = 30
#: Units in which a share of the number itself makes sense.
_SHARE_UNITS = ("mm", "mm2", "mm3", "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A number with its 95 % interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberAgreement:
    """How far two measurements of one number agree; None where it cannot be said.

    Attributes
    ----------
    n, n_only_a, n_only_b, n_equal : int
        Femora with both numbers, with one of them, and with the same in both.
    mean_a, mean_b : float or None
        Of the pairs.
    bias, limit_low, limit_high : Estimate or None
        Mean difference B - A, and the limits of agreement (bias -+ 1.96 SD).
    sd : float or None
        Of the differences.
    repeatability : float or None
        1.96 * sqrt(2) within-subject standard deviations: what two measurements of one femur
        differ by at most, 95 times in 100, any bias included.
    cv_percent : float or None
        Within-subject coefficient of variation (root mean square); for positive numbers only.
    icc_agreement : Estimate or None
        ICC(2,1): two-way random, single measurement, absolute agreement.
    icc_consistency : Estimate or None
        ICC(3,1): two-way mixed, single measurement, consistency; a bias is left out.
    trend : Estimate or None
        Slope of the difference over the mean: limits hold for all sizes only if it is near 0.
    z_rms : float or None
        Root mean square of the difference over both stated standard uncertainties together: about
        1 where these explain it.
    worst : float or None
        The difference that is farthest from 0.
    """

    n: int
    n_only_a: int
    n_only_b: int
    n_equal: int
    mean_a: float | None = None
    mean_b: float | None = None
    bias: Estimate | None = None
    limit_low: Estimate | None = None
    limit_high: Estimate | None = None
    sd: float | None = None
    repeatability: float | None = None
    cv_percent: float | None = None
    icc_agreement: Estimate | None = None
    icc_consistency: Estimate | None = None
    trend: Estimate | None = None
    z_rms: float | None = None
    worst: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ClassAgreement:
    """How far two classifications agree.

    Attributes
    ----------
    names : tuple of str
        The classes.
    table : (k, k) int array
        Femora by class in A (row) and in B (column).
    n, n_blank : int
        Femora with both classes, and with at least one blank.
    share_equal : float or None
        Share of the same class in both.
    kappa, kappa_weighted : Estimate or None
        Cohen's kappa; weighted linearly where the classes have an order. None where all femora
        are of one class, so that chance alone would agree, or where there are too few.
    """

    names: tuple[str, ...]
    table: NDArray[np.int64]
    n: int
    n_blank: int
    share_equal: float | None = None
    kappa: Estimate | None = None
    kappa_weighted: Estimate | None = None


def compute_icc(ratings: NDArray[np.float64]) -> tuple[Estimate, Estimate] | None:
    """Return ICC(2,1) and ICC(3,1) of a table of ratings, or None where nothing varies.

    Parameters
    ----------
    ratings : (n, k) float array
        One row a target, one column a rater; none missing.

    Notes
    -----
    Shrout and Fleiss 1979, Psychol Bull 86:420: BMS between targets, JMS between judges, EMS
    residual.
    """
    n, k = ratings.shape
    targets, judges = ratings.mean(axis=1), ratings.mean(axis=0)
    grand = ratings.mean()
    bms = k * ((targets - grand) ** 2).sum() / (n - 1)
    jms = n * ((judges - grand) ** 2).sum() / (k - 1)
    residual = ratings - targets[:, None] - judges[None, :] + grand
    df_error = (n - 1) * (k - 1)
    ems = (residual**2).sum() / df_error
    if bms == 0:
        return None
    if (ratings == ratings[:, :1]).all():  # rounding would leave the mean squares above 0
        same = Estimate(value=1.0, low=1.0, high=1.0)
        return same, same
    return (
        _estimate_agreement(float(bms), float(jms), float(ems), n, k),
        _estimate_consistency(float(bms), float(ems), n, k),
    )


def _estimate_agreement(bms: float, jms: float, ems: float, n: int, k: int) -> Estimate:
    whole = bms + (k - 1) * ems + k * (jms - ems) / n
    icc = (bms - ems) / whole
    # What is left of 1, which the ratio's own rounding would swallow where it is small.
    left = k * (ems + (jms - ems) / n) / whole
    # Satterthwaite's degrees of freedom of the mean square that the ratio is taken over.
    a = k * icc / (n * left)
    b = 1 + k * icc * (n - 1) / (n * left)
    parts = (a * jms) ** 2 / (k - 1) + (b * ems) ** 2 / ((n - 1) * (k - 1))
    v = (a * jms + b * ems) ** 2 / parts
    tail = (1 + CONFIDENCE) / 2
    below, above = stats.f.ppf(tail, n - 1, v), stats.f.ppf(tail, v, n - 1)
    rest = k * jms + (k * n - k - n) * ems
    return Estimate(
        value=icc,
        low=float(n * (bms - below * ems) / (below * rest + n * bms)),
        high=float(n * (above * bms - ems) / (rest + n * above * bms)),
    )


def _estimate_consistency(bms: float, ems: float, n: int, k: int) -> Estimate:
    if ems == 0:
        return Estimate(value=1.0, low=1.0, high=1.0)
    ratio, tail = bms / ems, (1 + CONFIDENCE) / 2
    low = ratio / stats.f.ppf(tail, n - 1, (n - 1) * (k - 1))
    high = ratio * stats.f.ppf(tail, (n - 1) * (k - 1), n - 1)
    return Estimate(
        value=(ratio - 1) / (ratio + k - 1),
        low=float((low - 1) / (low + k - 1)),
        high=float((high - 1) / (high + k - 1)),
    )


def compare_numbers(
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    *,
    unit: str,
    u_a: NDArray[np.float64] | None = None,
    u_b: NDArray[np.float64] | None = None,
) -> NumberAgreement:
    """Return how far two measurements agree; NaN is missing.

    Parameters
    ----------
    a, b : (n,) float array
        The same femora in the same order.
    unit : str
        Of the number.
    u_a, u_b : (n,) float array, optional
        Standard uncertainties.
    """
    known_a, known_b = np.isfinite(a), np.isfinite(b)
    both = known_a & known_b
    first, second = a[both], b[both]
    difference = second - first
    counted = NumberAgreement(
        n=int(both.sum()),
        n_only_a=int((known_a & ~known_b).sum()),
        n_only_b=int((known_b & ~known_a).sum()),
        n_equal=int((difference == 0).sum()),
    )
    if counted.n < FEWEST_PAIRS:
        return counted
    sd = float(difference.std(ddof=1))
    bias, low, high = estimate_limits(difference)
    iccs = compute_icc(np.stack([first, second], axis=1))
    within = float(np.sqrt(np.mean(difference**2) / 2))
    return replace(
        counted,
        mean_a=float(first.mean()),
        mean_b=float(second.mean()),
        bias=bias,
        limit_low=low,
        limit_high=high,
        sd=sd,
        repeatability=LIMIT_SD * np.sqrt(2).item() * within,
        cv_percent=_compute_cv(first, second) if unit in _SHARE_UNITS else None,
        icc_agreement=None if iccs is None else iccs[0],
        icc_consistency=None if iccs is None else iccs[1],
        trend=_estimate_trend((first + second) / 2, difference),
        z_rms=None if u_a is None or u_b is None else _scale(difference, u_a[both], u_b[both]),
        worst=float(difference[np.argmax(np.abs(difference))]),
    )


def estimate_limits(difference: NDArray[np.float64]) -> tuple[Estimate, Estimate, Estimate]:
    """Return the mean difference and both limits of agreement, with their intervals.

    Notes
    -----
    Bland and Altman 1986, Lancet i:307: the standard error of a limit is about sqrt(3 / n) SD.
    """
    n = len(difference)
    mean, sd = float(difference.mean()), float(difference.std(ddof=1))
    t = float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 1))
    half_mean, half_limit = t * sd / np.sqrt(n), t * sd * np.sqrt(3 / n)
    low, high = mean - LIMIT_SD * sd, mean + LIMIT_SD * sd
    return (
        _bracket(mean, float(half_mean)),
        _bracket(low, float(half_limit)),
        _bracket(high, float(half_limit)),
    )


def _bracket(value: float, half: float) -> Estimate:
    return Estimate(value=value, low=value - half, high=value + half)


def tell_limit_doubt(n: int) -> float:
    """Return how far, in SD of the differences, a limit of n pairs is known (95 %).

    Examples
    --------
    >>> round(tell_limit_doubt(12), 2), round(tell_limit_doubt(100), 2)
    (1.1, 0.34)
    """
    return float(stats.t.ppf((1 + CONFIDENCE) / 2, n - 1) * np.sqrt(3 / n))


def _compute_cv(first: NDArray[np.float64], second: NDArray[np.float64]) -> float | None:
    if min(first.min(), second.min()) <= 0:
        return None
    mean = (first + second) / 2
    return float(100 * np.sqrt(np.mean((second - first) ** 2 / (2 * mean**2))))


def _estimate_trend(mean: NDArray[np.float64], difference: NDArray[np.float64]) -> Estimate | None:
    if np.ptp(mean) == 0:
        return None
    line = stats.linregress(mean, difference)
    half = float(stats.t.ppf((1 + CONFIDENCE) / 2, len(mean) - 2)) * float(line.stderr)
    return _bracket(float(line.slope), half)


def _scale(
    difference: NDArray[np.float64], u_a: NDArray[np.float64], u_b: NDArray[np.float64]
) -> float | None:
    together = np.hypot(u_a, u_b)
    known = np.isfinite(together) & (together > 0)
    if not known.any():
        return None
    return float(np.sqrt(np.mean((difference[known] / together[known]) ** 2)))


def compare_classes(
    a: Sequence[object], b: Sequence[object], names: Sequence[str], *, ordered: bool
) -> ClassAgreement:
    """Return how far two classifications agree.

    Parameters
    ----------
    a, b : sequence
        The class of each femur, in the same order; what is not text is blank.
    names : sequence of str
        Classes in their order; others that are found follow by name.
    ordered : bool
        Whether two classes lie nearer to each other than others: then kappa is weighted, too.
    """
    pairs = [
        (one, other)
        for one, other in zip(a, b, strict=True)
        if isinstance(one, str) and isinstance(other, str) and one and other
    ]
    found = {name for pair in pairs for name in pair}
    every = (*names, *sorted(found - set(names)))
    table = np.zeros((len(every), len(every)), dtype=np.int64)
    for one, other in pairs:
        table[every.index(one), every.index(other)] += 1
    kappas = None if len(pairs) < FEWEST_PAIRS else compute_kappa(table, ordered=ordered)
    return ClassAgreement(
        names=every,
        table=table,
        n=len(pairs),
        n_blank=len(a) - len(pairs),
        share_equal=float(np.trace(table) / len(pairs)) if pairs else None,
        kappa=None if kappas is None else kappas[0],
        kappa_weighted=None if kappas is None else kappas[1],
    )


def compute_kappa(
    table: NDArray[np.int64], *, ordered: bool
) -> tuple[Estimate, Estimate | None] | None:
    """Return Cohen's kappa of a table, and the linearly weighted one where classes have an order.

    None where either has all in one class: it then agrees as chance does, whatever the other says.
    """
    if min(np.count_nonzero(table.sum(axis=axis)) for axis in (0, 1)) < 2:
        return None
    if np.trace(table) == table.sum():  # whose variance, 0, rounding may leave below it
        same = Estimate(value=1.0, low=1.0, high=1.0)
        return same, same if ordered else None
    from statsmodels.stats.inter_rater import cohens_kappa

    plain = cohens_kappa(table, return_results=True)
    kappa = Estimate(value=plain.kappa, low=plain.kappa_low, high=plain.kappa_upp)
    if not ordered:
        return kappa, None
    weighted = cohens_kappa(table, wt="linear", return_results=True)
    return kappa, Estimate(value=weighted.kappa, low=weighted.kappa_low, high=weighted.kappa_upp)
