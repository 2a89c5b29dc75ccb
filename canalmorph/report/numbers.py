"""How a number stands on the page: never without its unit and its uncertainty."""

from math import isfinite

from canalmorph.model.certainty import write_with_u
from canalmorph.model.results import Measurement

#: Units as they are read; ratios have none.
UNIT_WORDS = {"mm": "mm", "mm2": "mm²", "mm3": "mm³", "deg": "°", "HU": "HU", "1": ""}
#: Most decimals by unit: finer ones would only look exact.
MOST_DECIMALS = {"mm": 2, "mm2": 1, "mm3": 0, "deg": 1, "HU": 0, "1": 3}


def format_measurement(measurement: Measurement, unit: str) -> str:
    """Return value and standard uncertainty, as finely as the uncertainty allows, with the unit.

    Parameters
    ----------
    measurement : Measurement
        The number.
    unit : str
        A unit of the registry of columns.

    Returns
    -------
    str
        An en dash where it is not known.

    Examples
    --------
    >>> format_measurement(Measurement(value=12.345, u=0.123), "mm")
    '12.35 ± 0.12 mm'
    >>> format_measurement(Measurement(value=131.26, u=1.7), "deg")
    '131.3 ± 1.7 °'
    >>> format_measurement(Measurement(value=-0.001, u=0.2), "mm")
    '0.00 ± 0.20 mm'
    >>> format_measurement(Measurement(), "mm")
    '–'
    """
    value, u = measurement.value, measurement.u
    if value is None or u is None or not isfinite(value) or not isfinite(u):
        return "–"
    text = f"{write_with_u(value, u, most=MOST_DECIMALS[unit])} {UNIT_WORDS[unit]}"
    return text.replace("-", "\N{MINUS SIGN}").strip()


def format_chance(chance: float) -> str:
    """Return a probability in percent; never 0 % or 100 %.

    Examples
    --------
    >>> format_chance(0.934), format_chance(0.9999), format_chance(1e-5)
    ('93 %', '> 99 %', '< 1 %')
    """
    if chance > 0.99:
        return "> 99 %"
    if chance < 0.01:
        return "< 1 %"
    return f"{100 * chance:.0f} %"


def format_level(level_mm: float) -> str:
    """Return a level by its distance from the lesser trochanter.

    Examples
    --------
    >>> format_level(20.0), format_level(0.0), format_level(-100.0)
    ('LT+20', 'LT', 'LT−100')
    """
    rounded = round(level_mm)
    if rounded == 0:
        return "LT"
    return f"LT{rounded:+d}".replace("-", "\N{MINUS SIGN}")


def count_numbers(count: int) -> str:
    """Return a count of numbers in words.

    Examples
    --------
    >>> count_numbers(1), count_numbers(20)
    ('1 number', '20 numbers')
    """
    return f"{count} number{'' if count == 1 else 's'}"
