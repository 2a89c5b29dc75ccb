"""One column of a table, and the levels that stand in columns' names."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column of a table.

    Attributes
    ----------
    name, unit, definition : str
        Unit is empty for text and ``1`` for a ratio.
    source : str
        Key of `canalmorph.published.BIBLIOGRAPHY`, or empty where the definition is our own.
    measured : bool
        Whether the column is a measurement, so that its ``_u`` column follows it.
    """

    name: str
    unit: str
    definition: str
    source: str = ""
    measured: bool = False


def make_measured(name: str, unit: str, definition: str, source: str = "") -> Column:
    """Return a measured column."""
    return Column(name=name, unit=unit, definition=definition, source=source, measured=True)


def make_text(name: str, definition: str, source: str = "") -> Column:
    """Return a column of text."""
    return Column(name=name, unit="", definition=definition, source=source)


#: Levels whose widths are columns, by the name that stands in the column. [mm]
NAMED_LEVELS_MM: dict[str, float] = {
    "lt_plus20": 20.0,
    "lt": 0.0,
    "lt_minus20": -20.0,
    "lt_minus30": -30.0,
    "lt_minus70": -70.0,
    "lt_minus100": -100.0,
}
#: Lower ends of the straight rods that begin at LT+0, by the name in the column. [mm]
ROD_BOTTOMS_MM: dict[str, float] = {"minus60": -60.0, "minus100": -100.0, "minus150": -150.0}
#: Levels at which the canal's centre is compared with the proximal shaft axis. [mm]
DEVIATION_LEVELS_MM: dict[str, float] = {"lt_minus100": -100.0, "lt_minus150": -150.0}
