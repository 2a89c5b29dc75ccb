"""The page's table of left against right."""

from dataclasses import dataclass

from canalmorph.model.results import NOTABLE_DEVIATIONS, CaseResult, SideDifference
from canalmorph.report.listing import name_column
from canalmorph.report.numbers import format_measurement


@dataclass(frozen=True, slots=True, kw_only=True)
class SideRow:
    """One number of both sides.

    Attributes
    ----------
    name, column : str
        As the page has it, and its column.
    right, left, difference : str
        With their standard uncertainties.
    share : str
        The difference in its own uncertainties.
    notable : bool
        Whether that is above 3.
    """

    name: str
    column: str
    right: str
    left: str
    difference: str
    share: str
    notable: bool


def list_sides(case: CaseResult) -> tuple[SideRow, ...]:
    """Return left against right, a line a number; empty where one side was measured alone."""
    return tuple(_make_row(found) for found in case.differences)


def describe_sides(case: CaseResult) -> str:
    """Return in a sentence how many numbers differ by more than their uncertainty explains."""
    notable = [name_column(found.column) for found in case.differences if found.is_notable]
    bound = f"{NOTABLE_DEVIATIONS:.0f} standard uncertainties"
    if not notable:
        return f"No number of the two sides differs by more than {bound} of the difference."
    return (
        f"{len(notable)} of {len(case.differences)} numbers differ by more than {bound} of the "
        "difference; they are marked with an arrow to the side with the larger number."
    )


def _make_row(found: SideDifference) -> SideRow:
    value, u = found.difference.value, found.difference.u
    share = "–"
    if value is not None and u:
        share = f"{value / u:+.1f}".replace("-", "\N{MINUS SIGN}")
    arrow = ""
    if found.is_notable and value is not None:
        arrow = " ▸ left" if value > 0 else " ▸ right"
    difference = format_measurement(found.difference, found.unit)
    return SideRow(
        name=name_column(found.column),
        column=found.column,
        right=format_measurement(found.right, found.unit),
        left=format_measurement(found.left, found.unit),
        difference=difference if (value or 0.0) < 0 else f"+{difference}",
        share=share + arrow,
        notable=found.is_notable,
    )
