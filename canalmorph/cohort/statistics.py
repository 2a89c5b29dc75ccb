"""Plain statistics of a cohort: of numbers, of classes, and of what is missing.

Quartiles are linear between the two nearest numbers; the SD has n - 1 below it. Shares have
Wilson's interval, which holds for small groups and shares near 0 and 1.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Probability of every interval.
CONFIDENCE = 0.95


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberSummary:
    """One number over a group of femora; None where there are too few.

    Attributes
    ----------
    n, n_missing : int
        Femora with the number, and without it.
    mean, sd, least, quartile_1, median, quartile_3, largest : float or None
        In the number's unit.
    u_rms : float or None
        Root mean square of its standard uncertainties: the part of the SD that is measurement.
    """

    n: int
    n_missing: int
    mean: float | None = None
    sd: float | None = None
    least: float | None = None
    quartile_1: float | None = None
    median: float | None = None
    quartile_3: float | None = None
    largest: float | None = None
    u_rms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ClassShare:
    """One class among the femora of which the class is known."""

    name: str
    n: int
    n_known: int
    share: float
    low: float
    high: float


def summarise_numbers(
    values: NDArray[np.float64], u: NDArray[np.float64] | None = None
) -> NumberSummary:
    """Return the statistics of a number; NaN is missing.

    Examples
    --------
    >>> found = summarise_numbers(np.array([1.0, 2.0, 4.0, np.nan]))
    >>> found.n, found.n_missing, found.median, found.quartile_1
    (3, 1, 2.0, 1.5)
    """
    known = np.isfinite(values)
    kept = values[known]
    counts = {"n": int(known.sum()), "n_missing": int((~known).sum())}
    if not len(kept):
        return NumberSummary(**counts)
    quartiles = np.quantile(kept, [0.25, 0.5, 0.75])
    spread = None if u is None else u[known & np.isfinite(u)]
    return NumberSummary(
        **counts,
        mean=float(kept.mean()),
        sd=float(kept.std(ddof=1)) if len(kept) > 1 else None,
        least=float(kept.min()),
        quartile_1=float(quartiles[0]),
        median=float(quartiles[1]),
        quartile_3=float(quartiles[2]),
        largest=float(kept.max()),
        u_rms=float(np.sqrt(np.mean(spread**2))) if spread is not None and len(spread) else None,
    )


def share_classes(names: Sequence[Any], order: Sequence[str] = ()) -> list[ClassShare]:
    """Return the share of every class, with Wilson's interval; a blank is not counted.

    Parameters
    ----------
    names : sequence
        The class of each femur; what is not text is blank.
    order : sequence of str
        Classes that come first, also where none is in it; others follow by name.

    Examples
    --------
    >>> a, b = share_classes(["A", "A", "B", None])
    >>> a.name, a.n, a.n_known, round(a.low, 3), round(a.high, 3)
    ('A', 2, 3, 0.208, 0.939)
    """
    from scipy.stats import binomtest

    known = [name for name in names if isinstance(name, str) and name]
    if not known:
        return []
    shares = []
    for name in [*order, *sorted(set(known) - set(order))]:
        found = binomtest(known.count(name), len(known))
        low, high = found.proportion_ci(CONFIDENCE, method="wilson")
        shares.append(
            ClassShare(
                name=name,
                n=known.count(name),
                n_known=len(known),
                share=known.count(name) / len(known),
                low=float(low),
                high=float(high),
            )
        )
    return shares
