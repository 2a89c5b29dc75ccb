"""Pages of a cohort: self-contained, in the look of the reports, no script, no network."""

from pathlib import Path
from typing import Any

from canalmorph.export.files import write_atomically
from canalmorph.report.numbers import MOST_DECIMALS, UNIT_WORDS
from canalmorph.report.templating import load_template
from canalmorph.report.wording import name_class

STANDING = (
    "A measuring and teaching aid, not a medical device. Statistics of these femora, no reference "
    "values of a population."
)


def write_page(path: Path, template: str, **content: Any) -> Path:
    """Write a page from one of the package's templates and return where it is.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    loaded = load_template(template, package="canalmorph.cohort")
    text = loaded.render(standing=STANDING, name_class=name_class, **content)
    write_atomically(path, text.encode("utf-8", "replace"))
    return path


def format_number(value: float | None, unit: str, *, further: int = 0) -> str:
    """Return a number as finely as its unit deserves, an en dash where it is not known.

    Examples
    --------
    >>> format_number(12.3456, "mm"), format_number(-0.5, "deg"), format_number(None, "mm")
    ('12.35', '−0.5', '–')
    >>> format_number(-0.001, "mm")  # a rounded minus zero is zero
    '0.00'
    >>> format_number(0.12345, "1", further=1)
    '0.1235'
    """
    if value is None or value != value:
        return "–"
    decimals = MOST_DECIMALS.get(unit, 3) + further
    text = f"{round(value, decimals) + 0.0:.{decimals}f}"
    return text.replace("-", "\N{MINUS SIGN}")


def name_unit(unit: str) -> str:
    """Return a unit as it is read, in brackets; empty for a ratio."""
    words = UNIT_WORDS.get(unit, unit)
    return f"[{words}]" if words else ""
