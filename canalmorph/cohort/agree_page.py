"""The page of two compared results folders: remarks, pictures, classes, every number."""

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from markupsafe import Markup
from matplotlib.axes import Axes

from canalmorph.cohort.agree import CohortAgreement
from canalmorph.cohort.agreement import Estimate, NumberAgreement
from canalmorph.cohort.codebook import TableColumn
from canalmorph.cohort.figures import (
    PANELS_A_ROW,
    WIDTH_PX,
    Look,
    label_column,
    list_looks,
    mark_points,
    place_panel,
    show_no_finer,
)
from canalmorph.cohort.pages import format_number, name_unit, write_page
from canalmorph.report.drawing import FAINT, INK, PALE, render_svg, start_figure
from canalmorph.report.listing import name_column
from canalmorph.version import VERSION

PAGE_NAME = "agree.html"
#: Numbers whose differences are drawn.
DRAWN_NUMBERS = (
    *("cfi_ml", "cti_ml_lt_minus100", "isthmus_canal_ml_mm", "isthmus_level_mm"),
    *("canal_ml_lt_plus20_mm", "canal_ml_lt_mm", "canal_ml_lt_minus100_mm", "head_diameter_mm"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class AgreementLine:
    """One number on the page."""

    name: str
    column: str
    definition: str
    cells: tuple[str, ...]


def write_agree_page(agreement: CohortAgreement, folder: Path) -> Path:
    """Write ``agree.html`` and return where it is.

    Parameters
    ----------
    agreement : CohortAgreement
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
        "agree.html",
        version=VERSION,
        agreement=agreement,
        lines=list(list_lines(agreement)),
        classes=[
            (
                column,
                found,
                format_estimate(found.kappa, "1"),
                format_estimate(found.kappa_weighted, "1"),
            )
            for column, found in agreement.classes.items()
            if found.n
        ],
        svg=Markup(draw_differences(agreement)),
    )


def list_lines(agreement: CohortAgreement) -> Iterator[AgreementLine]:
    """Yield one line a number."""
    for column in agreement.columns:
        yield AgreementLine(
            name=f"{name_column(column.name)} {name_unit(column.unit)}".strip(),
            column=column.name,
            definition=column.definition,
            cells=(
                *format_agreement(agreement.numbers[column.name], column),
                agreement.worst_cases[column.name],
            ),
        )


def format_agreement(found: NumberAgreement, column: TableColumn) -> tuple[str, ...]:
    """Return the cells of one number: femora, bias, limits, repeatability, CV, ICCs, z, worst."""
    unit = column.unit
    alone = f" ({found.n_only_a}, {found.n_only_b})" if found.n_only_a or found.n_only_b else ""
    cv = "–" if found.cv_percent is None else f"{found.cv_percent:.2f}\N{NO-BREAK SPACE}%"
    return (
        f"{found.n}{alone}",
        format_estimate(found.bias, unit),
        format_estimate(found.limit_low, unit),
        format_estimate(found.limit_high, unit),
        format_number(found.repeatability, unit),
        cv,
        format_estimate(found.icc_agreement, "1"),
        format_estimate(found.icc_consistency, "1"),
        "–" if found.z_rms is None else f"{found.z_rms:.2f}",
        format_number(found.worst, unit),
    )


def format_estimate(estimate: Estimate | None, unit: str) -> str:
    """Return a number with its interval.

    Examples
    --------
    >>> format_estimate(Estimate(value=0.29, low=0.019, high=0.761), "1")
    '0.290 (0.019 to 0.761)'
    >>> format_estimate(None, "1")
    '–'
    """
    if estimate is None:
        return "–"
    value, low, high = (
        format_number(number, unit) for number in (estimate.value, estimate.low, estimate.high)
    )
    return f"{value} ({low} to {high})"


def draw_differences(agreement: CohortAgreement) -> str:
    """Return the differences against the means, with bias, limits and their intervals."""
    shown = [
        column
        for column in agreement.columns
        if column.name in DRAWN_NUMBERS and agreement.numbers[column.name].bias is not None
    ]
    if not shown:
        return ""
    panel_px = 290.0
    rows = -(-len(shown) // PANELS_A_ROW)
    (look,) = list_looks(["differences"])
    with start_figure(WIDTH_PX, rows * panel_px) as figure:
        for place, column in enumerate(shown):
            axes = place_panel(figure, place, panel_px)
            _draw_panel(axes, look, agreement, column)
        return render_svg(figure, prefix="differences", title="Differences against means")


def _draw_panel(axes: Axes, look: Look, agreement: CohortAgreement, column: TableColumn) -> None:
    found = agreement.numbers[column.name]
    a, b = (frame[column.name].to_numpy() for frame in (agreement.paired.a, agreement.paired.b))
    known = np.isfinite(a) & np.isfinite(b)
    lines = ((found.bias, "-"), (found.limit_low, (0, (5, 3))), (found.limit_high, (0, (5, 3))))
    for estimate, line in lines:
        if estimate is not None:
            axes.axhspan(estimate.low, estimate.high, color=PALE, zorder=0)
            axes.axhline(estimate.value, color=INK, linewidth=1.0, linestyle=line)
    axes.axhline(0, color=FAINT, linewidth=0.6)
    mean, difference = (a[known] + b[known]) / 2, b[known] - a[known]
    mark_points(axes, look, mean, difference)
    show_no_finer(axes, column.name, mean, difference)
    axes.set_xlabel(label_column(column.name, "mean: "))
    axes.set_ylabel(f"B − A {name_unit(column.unit)}")
    axes.spines[["top", "right"]].set_visible(False)
