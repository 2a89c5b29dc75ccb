"""One promise: which numbers it is about, and its bounds."""

from dataclasses import dataclass
from math import inf

from canalmorph_cli.acceptance.records import Record


@dataclass(frozen=True, slots=True, kw_only=True)
class Promise:
    """One promise.

    Attributes
    ----------
    key, words : str
        Short name without spaces; what is promised, for people.
    columns, section_columns : frozenset of str
        Columns of ``femurs.csv`` and of ``sections.csv`` whose numbers it is about.
    unit : str
        Of bounds and errors; ``1`` for a ratio.
    bias, sd, worst : float or None
        Bounds; None where nothing is promised.
    below_mm : float
        Sections at this level and below only. [mm above the lesser trochanter]
    wall_mm : (low, high) tuple of float
        True thickness of the wall that the number rests on, the lower end included; walls are not
        asked for where low is 0. [mm]
    joint_mm : (low, high) tuple of float
        True width of the joint space, both ends included. [mm]
    flags : frozenset of str
        A number whose femur has one of these warnings does not count for the worst case.
    most_flagged : float or None
        Largest share of numbers that may be flagged so, or left blank.
    """

    key: str
    words: str
    unit: str
    columns: frozenset[str] = frozenset()
    section_columns: frozenset[str] = frozenset()
    bias: float | None = None
    sd: float | None = None
    worst: float | None = None
    below_mm: float = inf
    wall_mm: tuple[float, float] = (0.0, inf)
    joint_mm: tuple[float, float] = (0.0, inf)
    flags: frozenset[str] = frozenset()
    most_flagged: float | None = None

    def is_about(self, record: Record) -> bool:
        """Return whether the promise speaks of a number."""
        low, high = self.wall_mm
        if low > 0 and not low <= record.wall_mm < high:
            return False
        if not self.joint_mm[0] <= record.joint_mm <= self.joint_mm[1]:
            return False
        if record.level_mm is None:
            return record.column in self.columns
        return record.column in self.section_columns and record.level_mm <= self.below_mm

    def flags_record(self, record: Record) -> bool:
        """Return whether the tool said that a number is in doubt, or left it blank."""
        return record.measured is None or not self.flags.isdisjoint(record.warnings)
