"""The page of a described cohort: who, classes, pictures, every number, what is missing and why."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from markupsafe import Markup

from canalmorph.cohort.codebook import TableColumn
from canalmorph.cohort.describe import CLASS_COLUMNS, CohortSummary, Group
from canalmorph.cohort.figures import (
    draw_ages,
    draw_boxes,
    draw_distributions,
    draw_profiles,
    draw_sides,
)
from canalmorph.cohort.pages import format_number, name_unit, write_page
from canalmorph.cohort.statistics import NumberSummary
from canalmorph.model.counting import count_noun
from canalmorph.report.listing import name_column
from canalmorph.version import VERSION

PAGE_NAME = "describe.html"
#: What the columns of a user's facts with the age and the sex may be called.
AGE_NAMES, SEX_NAMES = ("age", "age_years", "age_at_scan"), ("sex", "gender")
CAPTIONS = {
    "Distribution of the indices": "Share of the femora of a group. Dashed: bounds of classes; the "
    "README says what they are worth.",
    "Widths along the shaft": "Canal (inner) and outer width: mean, and one SD to each side. "
    "Levels count from the lesser trochanter; few femora reach the ends (profiles.csv has n).",
    "Left against right": "One mark a case with both femora; on the line both are equal.",
    "By sex": "Box: quartiles and median; whiskers: farthest within 1.5 times the box.",
    "Against age": "Straight lines are least squares in each group; a cross-section of people of "
    "different age is no course of one person.",
}
#: Sexes are drawn up to so many different words.
MOST_SEXES = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberLine:
    """One number of one group on the page."""

    name: str
    column: str
    definition: str
    group: str
    cells: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture and what it says."""

    title: str
    caption: str
    svg: Markup


def write_describe_page(summary: CohortSummary, folder: Path) -> Path:
    """Write ``describe.html`` and return where it is.

    Parameters
    ----------
    summary : CohortSummary
        What to show.
    folder : Path
        Must exist.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    return write_page(
        folder / PAGE_NAME,
        "describe.html",
        version=VERSION,
        summary=summary,
        n_femora=sum(len(group.femora) for group in summary.groups),
        count_noun=count_noun,
        class_columns=tuple(CLASS_COLUMNS),
        lines=list(list_lines(summary)),
        missing=[
            (group.name, name_column(column), column, reasons)
            for group in summary.groups
            for column, reasons in group.missing.items()
        ],
        percent=lambda share: f"{100 * share:.1f} %",
        pictures=list(_draw_pictures(summary)),
    )


def list_lines(summary: CohortSummary) -> Iterator[NumberLine]:
    """Yield the lines of the table of numbers; those that no femur has are left out."""
    for column in summary.columns:
        if any(group.numbers[column.name].n for group in summary.groups):
            for group in summary.groups:
                yield _make_line(column, group)


def _make_line(column: TableColumn, group: Group) -> NumberLine:
    found = group.numbers[column.name]
    return NumberLine(
        name=f"{name_column(column.name)} {name_unit(column.unit)}".strip(),
        column=column.name,
        definition=column.definition,
        group=group.name,
        cells=_format_summary(found, column.unit),
    )


def _format_summary(found: NumberSummary, unit: str) -> tuple[str, ...]:
    numbers = {
        name: format_number(getattr(found, name), unit)
        for name in ("mean", "sd", "median", "quartile_1", "quartile_3", "least", "largest")
    }
    return (
        f"{found.n} / {found.n_missing}",
        f"{numbers['mean']} ± {numbers['sd']}" if found.n else "–",
        f"{numbers['median']} ({numbers['quartile_1']} to {numbers['quartile_3']})"
        if found.n
        else "–",
        f"{numbers['least']} to {numbers['largest']}" if found.n else "–",
        format_number(found.u_rms, unit, further=1),
    )


def _draw_pictures(summary: CohortSummary) -> Iterator[Picture]:
    """Yield the pictures; our own SVG, in which names of groups are escaped."""
    own = {
        "Distribution of the indices": draw_distributions(summary),
        "Widths along the shaft": draw_profiles(summary),
        "Left against right": draw_sides(summary),
    }
    for title, svg in (*own.items(), *_draw_facts(summary)):
        if svg:
            yield Picture(title=title, caption=CAPTIONS[title], svg=Markup(svg))


def _draw_facts(summary: CohortSummary) -> Iterator[tuple[str, str]]:
    """Yield the pictures of sex and age, where the facts have them."""
    import pandas as pd

    femora = pd.concat([group.femora for group in summary.groups])
    by_name = {name.lower(): name for name in summary.facts}
    age = next((by_name[name] for name in AGE_NAMES if name in by_name), None)
    sex = next((by_name[name] for name in SEX_NAMES if name in by_name), None)
    groups = [(group.name, group.femora) for group in summary.groups]
    if sex is not None and 1 <= femora[sex].nunique() <= MOST_SEXES:
        by_sex = [(str(name), found) for name, found in femora.groupby(sex, sort=True)]
        yield "By sex", draw_boxes(by_sex, title="By sex")
        groups = by_sex if len(groups) == 1 else groups
    if age is not None and femora[age].dtype.kind == "f":
        yield "Against age", draw_ages(groups, age)
