"""Small texts for people: safe names, numbers with their uncertainty, counts."""

from collections.abc import Mapping


def make_printable(text: str) -> str:
    r"""Return a text without control characters, which a file's name may smuggle to a terminal.

    Examples
    --------
    >>> make_printable("scan\x1b[31m 7")
    'scan?[31m 7'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def format_measurement(row: Mapping[str, object], column: str, digits: int) -> str:
    """Return a number of a row and its standard uncertainty, or a dash.

    Examples
    --------
    >>> format_measurement({"cfi_ml": 3.914, "cfi_ml_u": 0.052}, "cfi_ml", 2)
    '3.91 ± 0.05'
    >>> format_measurement({"cfi_ml": None, "cfi_ml_u": None}, "cfi_ml", 2)
    '-'
    """
    value, uncertainty = row.get(column), row.get(f"{column}_u")
    if not isinstance(value, float):
        return "-"
    text = f"{value:.{digits}f}"
    return f"{text} ± {uncertainty:.{digits}f}" if isinstance(uncertainty, float) else text


def format_duration(seconds: float) -> str:
    """Return a time in the unit that people would say it in.

    Examples
    --------
    >>> format_duration(42), format_duration(400), format_duration(20000)
    ('42 s', '7 min', '5.6 h')
    """
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
