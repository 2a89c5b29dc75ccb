"""Figures of an acceptance, as SVG in the house's look; methods differ by mark and lightness."""

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import erf, isfinite, sqrt
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from canalmorph.report.drawing import (
    CANAL_PAPER,
    FAINT,
    INK,
    OUTER_PAPER,
    PALE,
    place_axes,
    render_svg,
    start_figure,
)
from canalmorph_cli.acceptance.judging import Domain
from canalmorph_cli.acceptance.plain_methods import PlainMethod
from canalmorph_cli.acceptance.promise import Promise
from canalmorph_cli.acceptance.promises import PROMISES, SHAFT_BELOW_MM
from canalmorph_cli.acceptance.records import LT_LEVEL, Record
from canalmorph_cli.acceptance.run import AcceptanceResult, StudyResult
from canalmorph_cli.acceptance.summaries import COVERAGE_FACTOR

#: Width of every figure. [px]
WIDTH_PX = 1160.0
#: Errors are drawn up to so many times the promised worst case; beyond, an arrow stands.
MOST_BOUNDS = 4.0
#: True thickness of the walls between which means are taken. [mm]
WALL_EDGES_MM = (0.5, 0.7, 1.0, 1.4, 2.0, 2.8, 4.0, 5.7, 8.0, 11.3)
#: Groups with fewer numbers are not drawn.
FEWEST_NUMBERS = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class _Look:
    words: str
    colour: str
    marker: str
    line: str
    filled: bool = True


_OWN = _Look(words="canalmorph", colour=OUTER_PAPER, marker="o", line="-")
_PLAIN: Mapping[PlainMethod, _Look] = {
    PlainMethod.THRESHOLD: _Look(
        words="fixed threshold", colour=CANAL_PAPER, marker="^", line="--"
    ),
    PlainMethod.HALF_MAXIMUM: _Look(
        words="half-maximum", colour=FAINT, marker="s", line=":", filled=False
    ),
}


def draw_promises_figure(result: AcceptanceResult) -> str:
    """Return, as SVG, the errors of every promise over its promised worst case, by method."""
    shown = [one for one in result.judgements if _is_drawn(one.promise, one.domain)]
    row_px, left, right, top = 62.0, 330.0, 120.0, 34.0
    height = top + row_px * len(shown) + 46
    with start_figure(WIDTH_PX, height) as figure:
        axes = place_axes(figure, left, top, WIDTH_PX - left - right, row_px * len(shown))
        axes.axvspan(-1, 1, color=PALE, zorder=0)
        axes.axvline(0, color=FAINT, linewidth=0.8)
        for edge in (-1, 1):
            axes.axvline(edge, color=INK, linewidth=1.0, linestyle=(0, (5, 3)))
        for row, judgement in enumerate(shown):
            promise = judgement.promise
            lanes = [(_OWN, result.select(promise, Domain.ORDINARY))]
            for method, look in _PLAIN.items():
                plain = [one for one in result.list_plain(method) if promise.is_about(one)]
                lanes.append((look, plain))
            for lane, (look, records) in enumerate(lanes):
                _draw_lane(axes, row + 0.22 + 0.28 * lane, look, records, promise.worst or 1.0)
            axes.axhline(row + 1, color=PALE, linewidth=0.8)
            _write_promise(axes, row, promise)
        axes.set_xlim(-MOST_BOUNDS - 0.15, MOST_BOUNDS + 0.15)
        axes.set_ylim(len(shown), 0)
        axes.set_yticks([])
        axes.set_xlabel("error over the promised worst case [-]")
        axes.spines[["top", "right", "left"]].set_visible(False)
        _draw_key(figure, left, 6, (_OWN, *_PLAIN.values()))
        return render_svg(figure, prefix="promises", title="Errors beside the promised bounds")


def draw_thickness_figure(result: AcceptanceResult) -> str:
    """Return, as SVG, the error of cortical thickness against the true one, by method."""
    width, height = 560.0, 380.0
    with start_figure(width, height) as figure:
        axes = place_axes(figure, 62, 34, width - 82, height - 84)
        axes.axhline(0, color=FAINT, linewidth=0.8)
        lanes = [(_OWN, result.records)]
        lanes += [(look, result.list_plain(method)) for method, look in _PLAIN.items()]
        for number, (look, records) in enumerate(lanes):
            _draw_thickness(axes, look, _select_quarters(records), 1 + 0.035 * (number - 1))
        axes.set_xscale("log")
        axes.set_xlim(0.45, 12)
        axes.xaxis.set_major_locator(FixedLocator([0.5, 1, 2, 4, 8]))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
        axes.set_xlabel("true thickness, mean of a quarter [mm]")
        axes.set_ylabel("error of the thickness [mm]")
        axes.spines[["top", "right"]].set_visible(False)
        _draw_key(figure, 62, 6, (_OWN, *_PLAIN.values()))
        return render_svg(figure, prefix="thickness", title="Error against cortical thickness")


def draw_scores_figure(result: AcceptanceResult) -> str:
    """Return, as SVG, how errors over stated uncertainties are spread, beside a normal curve."""
    width, height = 560.0, 380.0
    scores = np.array([one.z for one in result.records if one.z is not None])
    edges = np.linspace(-4, 4, 33)
    with start_figure(width, height) as figure:
        axes = place_axes(figure, 62, 34, width - 82, height - 84)
        counts, _ = np.histogram(np.clip(scores, -3.999, 3.999), edges)
        shares = 100 * counts / max(scores.size, 1)
        axes.bar(edges[:-1], shares, 0.25, align="edge", color=PALE, edgecolor=OUTER_PAPER)
        fine = np.linspace(-4, 4, 201)
        normal = [50 * (erf((x + 0.125) / sqrt(2)) - erf((x - 0.125) / sqrt(2))) for x in fine]
        axes.plot(fine, normal, color=INK, linewidth=1.6, linestyle="--")
        for edge in (-COVERAGE_FACTOR, COVERAGE_FACTOR):
            axes.axvline(edge, color=FAINT, linewidth=1.0, linestyle=":")
        axes.set_xlim(-4, 4)
        axes.set_xlabel("error over stated standard uncertainty; ends hold all beyond")
        axes.set_ylabel("share of the numbers [%]")
        axes.spines[["top", "right"]].set_visible(False)
        _write_key_text(figure, 62, 6, "bars: found; dashes: a right uncertainty; dots: 1.96")
        return render_svg(figure, prefix="scores", title="Errors over stated uncertainties")


def draw_study_figure(found: StudyResult) -> str:
    """Return, as SVG, errors of thickness, shaft widths and landmark along one study."""
    study, height = found.study, 250.0
    panels = (
        ("cortical thickness, quarters", "error [mm]", _select_shaft_quarters),
        ("widths and diameters on the shaft", "error [mm]", _select_shaft_widths),
        ("level of the lesser trochanter", "error [mm]", _select_lt),
    )
    with start_figure(WIDTH_PX, height) as figure:
        room = WIDTH_PX / len(panels)
        values = [point.value for point in study.points]
        for number, (title, label, select) in enumerate(panels):
            axes = place_axes(figure, number * room + 76, 30, room - 96, height - 80)
            axes.axhline(0, color=FAINT, linewidth=0.8)
            _draw_study_panel(axes, values, [select(records) for records in found.records])
            _scale_study_axis(axes, values, log_axis=study.log_axis)
            axes.set_xlabel(study.axis)
            axes.set_ylabel(label)
            axes.set_title(title, fontsize=13, loc="left")
            axes.spines[["top", "right"]].set_visible(False)
        return render_svg(figure, prefix=f"study-{study.key}", title=study.title)


def _is_drawn(promise: Promise, domain: Domain) -> bool:
    return domain is Domain.ORDINARY and bool(promise.worst)


def _draw_lane(axes: Axes, y: float, look: _Look, records: Sequence[Record], bound: float) -> None:
    """Draw one method's errors of one promise: marks, their mean and spread."""
    errors = np.array([one.error for one in records if one.error is not None]) / bound
    if errors.size == 0:
        if look is not _OWN:
            axes.text(0.06, y, "not given", color=FAINT, va="center", ha="left", fontsize=11)
        return
    inside = errors[np.abs(errors) <= MOST_BOUNDS]
    axes.plot(
        inside,
        np.full(inside.size, y),
        look.marker,
        markersize=4.5,
        color=look.colour,
        markerfacecolor=look.colour if look.filled else "none",
        markeredgewidth=0.8,
        alpha=0.35,
    )
    mean, sd = float(errors.mean()), float(errors.std())
    low, high = np.clip([mean - sd, mean + sd], -MOST_BOUNDS, MOST_BOUNDS)
    axes.plot([low, high], [y, y], color=look.colour, linewidth=3.2, solid_capstyle="butt")
    if abs(mean) <= MOST_BOUNDS:
        axes.plot([mean, mean], [y - 0.1, y + 0.1], color=INK, linewidth=1.8)
    for sign, n_beyond in (
        (-1, int((errors < -MOST_BOUNDS).sum())),
        (1, int((errors > MOST_BOUNDS).sum())),
    ):
        if n_beyond:
            axes.text(
                sign * (MOST_BOUNDS + 0.08),
                y,
                f"{n_beyond} \N{RIGHTWARDS ARROW}"
                if sign > 0
                else f"\N{LEFTWARDS ARROW} {n_beyond}",
                color=look.colour,
                ha="right" if sign > 0 else "left",
                va="center",
                fontsize=11,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
            )


def _write_promise(axes: Axes, row: int, promise: Promise) -> None:
    lines = wrap(promise.words.split(";")[0], 46)
    axes.annotate(
        "\n".join(lines),
        (0, row + 0.5),
        (-318, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="center",
        ha="left",
        annotation_clip=False,
    )
    unit = "" if promise.unit == "1" else f" {promise.unit}"
    axes.annotate(
        f"1 is {promise.worst:g}{unit}",
        (1, row + 0.5),
        (10, 0),
        xycoords=("axes fraction", "data"),
        textcoords="offset points",
        va="center",
        ha="left",
        annotation_clip=False,
    )


def _draw_key(figure: Figure, left: float, top: float, looks: Sequence[_Look]) -> None:
    """Draw the methods' marks and names in a row."""
    across, _ = figure.get_size_inches() * 72
    axes = place_axes(figure, left, top, across - left - 10, 20)
    axes.set_xlim(0, across - left - 10)
    axes.set_ylim(0, 1)
    axes.axis("off")
    x = 6.0
    for look in looks:
        axes.plot(
            [x],
            [0.5],
            look.marker,
            color=look.colour,
            markersize=7,
            markerfacecolor=look.colour if look.filled else "none",
        )
        axes.text(x + 10, 0.48, look.words, va="center", ha="left", color=INK)
        x += 32 + 8.0 * len(look.words)


def _write_key_text(figure: Figure, left: float, top: float, text: str) -> None:
    across, _ = figure.get_size_inches() * 72
    axes = place_axes(figure, left, top, across - left - 10, 20)
    axes.axis("off")
    axes.text(0.0, 0.5, text, va="center", ha="left", color=INK)


def _select_quarters(records: Sequence[Record]) -> list[Record]:
    promise = next(one for one in PROMISES if one.key == "cortex_thick")
    return [
        one
        for one in records
        if one.column in promise.section_columns
        and one.error is not None
        and one.level_mm is not None
    ]


def _select_shaft_quarters(records: Sequence[Record]) -> list[Record]:
    quarters = _select_quarters(records)
    return [one for one in quarters if (one.level_mm or 0.0) <= SHAFT_BELOW_MM]


def _select_shaft_widths(records: Sequence[Record]) -> list[Record]:
    promise = next(one for one in PROMISES if one.key == "shaft_widths")
    return [
        one
        for one in records
        if one.error is not None
        and one.level_mm is not None
        and one.level_mm <= SHAFT_BELOW_MM
        and one.column in promise.section_columns
    ]


def _select_lt(records: Sequence[Record]) -> list[Record]:
    return [one for one in records if one.column == LT_LEVEL and one.error is not None]


def _draw_thickness(axes: Axes, look: _Look, records: Sequence[Record], nudge: float) -> None:
    """Draw mean and standard deviation of the errors in groups of true thickness."""
    true = np.array([one.true for one in records])
    errors = np.array([one.error for one in records], dtype=float)
    centres, means, spreads = [], [], []
    for low, high in itertools.pairwise(WALL_EDGES_MM):
        here = (true >= low) & (true < high) if len(true) else np.zeros(0, dtype=bool)
        if here.sum() >= FEWEST_NUMBERS:
            centres.append(sqrt(low * high) * nudge)
            means.append(float(errors[here].mean()))
            spreads.append(float(errors[here].std()))
    axes.errorbar(
        centres,
        means,
        spreads,
        color=look.colour,
        marker=look.marker,
        markerfacecolor=look.colour if look.filled else "white",
        markersize=6,
        linestyle=look.line,
        linewidth=1.4,
        capsize=3,
    )


def _draw_study_panel(
    axes: Axes, values: Sequence[float], groups: Sequence[Sequence[Record]]
) -> None:
    """Draw every error, their mean, and a band of 1.96 stated uncertainties, mean square."""
    means, bands = [], []
    for value, records in zip(values, groups, strict=True):
        errors = np.array([one.error for one in records], dtype=float)
        us = np.array([one.u for one in records if one.u is not None])
        axes.plot(
            np.full(errors.size, value),
            errors,
            "o",
            color=OUTER_PAPER,
            markersize=4.5,
            alpha=0.4,
            zorder=3,
        )
        means.append(float(errors.mean()) if errors.size else np.nan)
        bands.append(COVERAGE_FACTOR * float(np.sqrt((us**2).mean())) if us.size else np.nan)
        if not errors.size:
            axes.annotate(
                "blank",
                (value, 0.0),
                (0, 5),
                textcoords="offset points",
                ha="center",
                color=CANAL_PAPER,
            )
    axes.plot(values, means, color=INK, linewidth=1.4)
    shown = [(x, band) for x, band in zip(values, bands, strict=True) if isfinite(band)]
    if shown:
        at, band = np.array(shown).T
        axes.fill_between(at, -band, band, color=OUTER_PAPER, alpha=0.13, linewidth=0)
        axes.plot(at, band, color=OUTER_PAPER, linewidth=0.9, linestyle="--")
        axes.plot(at, -band, color=OUTER_PAPER, linewidth=0.9, linestyle="--")


def _scale_study_axis(axes: Axes, values: Sequence[float], *, log_axis: bool) -> None:
    """Put a tick at every point of a study, with a little room at both ends."""
    if log_axis:
        axes.set_xscale("log")
        stretch = max((values[-1] / values[0]) ** 0.06, 1.02)
        axes.set_xlim(values[0] / stretch, values[-1] * stretch)
    else:
        margin = 0.06 * (values[-1] - values[0]) or 0.5
        axes.set_xlim(values[0] - margin, values[-1] + margin)
    axes.xaxis.set_major_locator(FixedLocator(list(values)))
    axes.xaxis.set_minor_locator(NullLocator())
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
