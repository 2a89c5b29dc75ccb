"""Each index between the bounds of its classes, with its uncertainty."""

from dataclasses import dataclass

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from canalmorph.model.results import CanalIndices, FemurResult, Measurement
from canalmorph.published import (
    FLUTE_ABOVE,
    FLUTE_PUBLISHED_UP_TO,
    INNER_OVER_OUTER_HALF,
    LATERAL_CTI_ALERT,
    LETTER_A_BELOW,
    LETTER_C_ABOVE,
    LETTER_CTI_A_ABOVE,
    LETTER_CTI_C_BELOW,
    LETTER_POSTERIOR_THIN_BELOW,
    STOVEPIPE_BELOW,
)
from canalmorph.report.drawing import FAINT, INK, PALE, place_axes, render_svg, start_figure
from canalmorph.report.numbers import format_measurement

#: Width of the chart on the page, its rows, and what a row keeps for title and bounds. [px]
WIDTH_PX, ROW_PX, WORDS_PX, INSET_PX = 526.0, 76.0, 44.0, 6.0
#: A line of a row's words: one above the strip, one below, and room between the rows.
LINE_SHARE = 18.0 / 44.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Strip:
    """One index and its classes.

    Attributes
    ----------
    column, title : str
        Which number, and its name.
    span : tuple of float
        Ends of the strip.
    bounds : tuple of float
        Between the zones.
    zones : tuple of str
        Names, one more than bounds.
    marks : mapping-like tuple of (float, str)
        Values that are no bounds, with their names.
    source : str
        Of the bounds.
    """

    column: str
    title: str
    span: tuple[float, float]
    bounds: tuple[float, ...]
    zones: tuple[str, ...]
    source: str
    marks: tuple[tuple[float, str], ...] = ()


STRIPS = (
    Strip(
        column="cfi_ml",
        title="Canal flare index",
        span=(1.5, 7.5),
        bounds=(STOVEPIPE_BELOW, FLUTE_ABOVE),
        zones=("stovepipe", "normal", "champagne flute"),
        marks=((FLUTE_PUBLISHED_UP_TO, f"{FLUTE_PUBLISHED_UP_TO:g}, end of print"),),
        source="Noble 1988",
    ),
    Strip(
        column="cbr_ml_lt_minus100",
        title="Canal over outer width, LT−100, ML",
        span=(0.2, 0.8),
        bounds=(INNER_OVER_OUTER_HALF,),
        zones=("less than half", "more than half"),
        source="common practice",
    ),
    Strip(
        column="cti_ml_lt_minus100",
        title="Cortical thickness index, LT−100, ML",
        span=(0.2, 0.8),
        bounds=(LETTER_CTI_C_BELOW, LETTER_CTI_A_ABOVE),
        zones=("C", "B", "A"),
        source="near film means, Dorr 1993",
    ),
    Strip(
        column="cti_ap_lt_minus100",
        title="Cortical thickness index, LT−100, AP",
        span=(0.2, 0.8),
        bounds=(LATERAL_CTI_ALERT,),
        zones=("went with osteoporosis", "above"),
        marks=(
            (LETTER_CTI_C_BELOW, f"C|B {LETTER_CTI_C_BELOW:g}"),
            (LETTER_CTI_A_ABOVE, f"B|A {LETTER_CTI_A_ABOVE:g}"),
        ),
        source="Sah 2007; letters as for ML",
    ),
    Strip(
        column="wall_ratio_posterior_over_anterior_lt_minus100",
        title="Posterior over anterior wall, LT−100",
        span=(0.4, 2.4),
        bounds=(LETTER_POSTERIOR_THIN_BELOW,),
        zones=("posterior thinned: no A", "posterior the thicker"),
        source="common practice",
    ),
    Strip(
        column="canal_ratio_isthmus_over_lt_ml",
        title="Canal width, isthmus over LT",
        span=(0.2, 1.0),
        bounds=(LETTER_A_BELOW, LETTER_C_ABOVE),
        zones=("A", "B", "C"),
        source="common practice",
    ),
)


def draw_classes_figure(femur: FemurResult, *, prefix: str) -> str:
    """Return, as SVG, a strip for each index that has published or customary bounds."""
    with start_figure(WIDTH_PX, ROW_PX * len(STRIPS)) as figure:
        draw_classes(figure, femur.indices)
        title = f"{femur.side.value} femur: indices between the bounds of their classes"
        return render_svg(figure, prefix=prefix, title=title)


def draw_classes(
    figure: Figure,
    indices: CanalIndices,
    *,
    left_px: float = 0.0,
    top_px: float = 0.0,
    width_px: float = WIDTH_PX,
    row_px: float = ROW_PX,
    words_px: float = WORDS_PX,
) -> None:
    """Draw all strips at a place of a figure; of each row, `words_px` are for its words."""
    axes = place_axes(figure, left_px, top_px, width_px, row_px * len(STRIPS))
    axes.set_xlim(0, width_px)
    axes.set_ylim(row_px * len(STRIPS), 0)
    axes.axis("off")
    for row, strip in enumerate(STRIPS):
        draw_strip(
            axes,
            strip,
            indices,
            top_px=row * row_px,
            strip_px=row_px - words_px,
            line_px=LINE_SHARE * words_px,
        )


def draw_strip(
    axes: Axes,
    strip: Strip,
    indices: CanalIndices,
    *,
    top_px: float,
    strip_px: float,
    line_px: float,
) -> None:
    """Draw one index: its name and number, its zones and bounds, and where it lies."""
    number, is_bound = _get_number(strip, indices)
    at_least = "at least " if is_bound else ""
    text = f"{at_least}{format_measurement(number, '1')}" if number.known else "not measured"
    title = f"{strip.title}  ({strip.source})"
    axes.text(INSET_PX, top_px + line_px / 2, title, va="center", color=INK)
    axes.text(
        axes.get_xlim()[1] - INSET_PX,
        top_px + line_px / 2,
        text,
        va="center",
        ha="right",
        color=INK,
        fontweight="bold" if number.known else "normal",
    )
    strip_top_px = top_px + line_px + 2
    _draw_zones(axes, strip, strip_top_px, strip_px, line_px)
    if number.value is not None and number.u is not None:
        middle_px = strip_top_px + 0.72 * strip_px
        _draw_number(axes, strip, number.value, number.u, middle_px, is_bound)


def _get_number(strip: Strip, indices: CanalIndices) -> tuple[Measurement, bool]:
    """Return the number of a strip, and whether it is only a lower bound."""
    number = indices.values.get(strip.column, Measurement())
    if number.known:
        return number, False
    bound = indices.values.get(f"{strip.column}_lower_bound", Measurement())
    return bound, bound.known


def _place(axes: Axes, strip: Strip, value: float) -> float:
    """Return where a value lies, held within the strip [px]."""
    low, high = strip.span
    share = min(max((value - low) / (high - low), 0.0), 1.0)
    return INSET_PX + share * (float(axes.get_xlim()[1]) - 2 * INSET_PX)


def _draw_zones(axes: Axes, strip: Strip, top_px: float, strip_px: float, line_px: float) -> None:
    edges = [strip.span[0], *strip.bounds, strip.span[1]]
    for index, zone in enumerate(strip.zones):
        left, right = _place(axes, strip, edges[index]), _place(axes, strip, edges[index + 1])
        shade = PALE if index % 2 == 0 else "#cfd6d9"
        axes.fill(
            [left, right, right, left],
            [top_px, top_px, top_px + strip_px, top_px + strip_px],
            color=shade,
            lw=0,
        )
        axes.text(left + 5, top_px + 0.3 * strip_px, zone, va="center", color="#3c464a")
    below = top_px + strip_px + line_px / 2 + 3
    for number, bound in enumerate(strip.bounds):
        x = _place(axes, strip, bound)
        name = f"bound-{strip.column}-{number}"
        axes.plot([x, x], [top_px - 2, top_px + strip_px + 1], gid=name, color=INK, linewidth=1.3)
        axes.text(x, below, f"{bound:g}", ha="center", va="center", color=INK)
    for value, words in strip.marks:
        x = _place(axes, strip, value)
        axes.plot([x, x], [top_px, top_px + strip_px], color=FAINT, linestyle=":", linewidth=1.3)
        axes.text(x, below, words, ha="center", va="center", color="#4a5458")


def _draw_number(
    axes: Axes, strip: Strip, value: float, u: float, y_px: float, is_bound: bool
) -> None:
    """Draw the number with one and two standard uncertainties; an arrow where it may be more."""
    x = _place(axes, strip, value)
    for factor, width in ((2, 1.4), (1, 4.0)):
        span = [_place(axes, strip, value - factor * u), _place(axes, strip, value + factor * u)]
        axes.plot(span, [y_px, y_px], color=INK, linewidth=width, solid_capstyle="butt")
    axes.plot([x, x], [y_px, y_px + 0.01], gid=f"number-{strip.column}", alpha=0.0)
    axes.plot(x, y_px, marker="D", color=INK, markersize=7, markeredgecolor="white")
    beyond = not strip.span[0] <= value <= strip.span[1]
    if is_bound or beyond:
        step = -26 if value < strip.span[0] else 26
        start = x - step if beyond else x
        axes.annotate(
            "",
            (start + step, y_px),
            (start, y_px),
            arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.6},
        )
