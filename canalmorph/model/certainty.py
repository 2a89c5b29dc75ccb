"""How surely a measurement lies on one side of a bound, said in one way everywhere."""

from math import erfc, floor, isfinite, log10, sqrt

from canalmorph.model.results import Measurement

#: A class or a side of a bound that is less probable than this is undecided. Our own rule.
SURE_FROM = 0.8


def get_chance_below(measurement: Measurement, bound: float) -> float:
    """Return the probability that the true value lies below `bound`, from a normal error.

    Parameters
    ----------
    measurement : Measurement
        Known, with its standard uncertainty; an uncertainty of zero makes a step, and a value
        exactly on the bound counts half.
    bound : float
        In the unit of the measurement.

    Returns
    -------
    float
        0 to 1. [dimensionless]

    Raises
    ------
    ValueError
        If the value is unknown or not finite, or its uncertainty is absent or negative.

    Examples
    --------
    >>> round(get_chance_below(Measurement(value=3.0, u=0.1), 3.1), 4)
    0.8413
    >>> get_chance_below(Measurement(value=3.0, u=0.0), 3.0)
    0.5
    """
    value, u = measurement.value, measurement.u
    if value is None or u is None or not isfinite(value) or not isfinite(u) or u < 0:
        raise ValueError(
            "'measurement' must have a finite value and a finite uncertainty of at least 0, "
            f"got value {value} and u {u}."
        )
    distance = bound - value
    if u == 0:
        return 0.5 if distance == 0 else float(distance > 0)
    return 0.5 * erfc(-distance / (u * sqrt(2)))


def count_decimals(u: float, *, most: int) -> int:
    """Return with how many decimals a value with this uncertainty is written.

    Parameters
    ----------
    u : float
        Standard uncertainty, in the unit of the value.
    most : int
        Never more than this.

    Returns
    -------
    int
        As many as show two digits of an uncertainty that begins with 1 or 2, else one digit.

    Examples
    --------
    >>> [count_decimals(u, most=3) for u in (0.06, 0.12, 0.008, 1.7, 25.0, 0.0)]
    [2, 2, 3, 1, 0, 3]
    """
    if not u > 0:
        return most
    power = floor(log10(u))
    digits = 2 if u / 10**power < 3 else 1
    return max(0, min(most, digits - 1 - power))
