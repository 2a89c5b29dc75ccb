"""How numbers and probabilities stand in a sentence."""

from canalmorph.model.certainty import write_with_u
from canalmorph.model.results import Measurement


def format_ratio(measurement: Measurement) -> str:
    """Return a ratio, or a number of a unit that follows, with its standard uncertainty.

    Examples
    --------
    >>> format_ratio(Measurement(value=3.456, u=0.123))
    '3.46 ± 0.12'
    """
    if measurement.value is None or measurement.u is None:
        raise ValueError("'measurement' must be known.")
    return write_with_u(measurement.value, measurement.u, most=3)


def format_chance(chance: float) -> str:
    """Return a probability in percent; never 0 % or 100 %, which no measurement earns.

    Examples
    --------
    >>> format_chance(0.934), format_chance(0.9999), format_chance(0.0)
    ('93 %', 'more than 99 %', 'less than 1 %')
    """
    if chance > 0.99:
        return "more than 99 %"
    if chance < 0.01:
        return "less than 1 %"
    return f"{100 * chance:.0f} %"
