"""Counts in words, the same for one and for several."""


def count_noun(number: int, noun: str, plural: str = "") -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> count_noun(1, "scan"), count_noun(2, "scan"), count_noun(0, "series", "series")
    ('1 scan', '2 scans', '0 series')
    """
    return f"{number} {noun if number == 1 else plural or noun + 's'}"
