"""How surely a measurement lies on one side of a bound, said in one way everywhere."""

from math import erfc, isfinite, sqrt

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
