"""AP and lateral projection beside the widths by level, on one scale of height."""

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from canalmorph.model.results import CanalProfile, FemurResult, Measurement
from canalmorph.report.drawing import (
    CANAL_PAPER,
    FAINT,
    INK,
    OUTER_PAPER,
    TEXT_PX,
    draw_cursor,
    place_axes,
    render_svg,
    start_figure,
)
from canalmorph.report.films import draw_film, list_films
from canalmorph.report.numbers import format_level, format_measurement
from canalmorph.report.outlines import MarkedLevel, get_level_uncertainty, list_marked_levels
from canalmorph.report.pictures import FemurPictures

#: Width of the figure and of its parts; the chart takes what the films leave. [px]
TOTAL_PX, LABELS_PX, GAP_PX, NUMBERS_PX = 880.0, 66.0, 10.0, 196.0
#: Height of the films, their widest together, and most pixels for a millimetre. [px]
PICTURE_PX, MOST_ACROSS_PX, MOST_PX_PER_MM = 600.0, 420.0, 2.2
TOP_PX, BOTTOM_PX = 24.0, 40.0
#: Least distance between two levels' texts. [px]
TEXT_GAP_PX = 34.0
#: Whose numbers stand in which column right of the chart. [px from the chart]
COLUMNS_PX = {"ml": 12.0, "ap": 106.0}


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """How large the films are drawn.

    Attributes
    ----------
    px_per_mm : float
        The same for both films and for the levels of the chart.
    height_px : float
        Of films and chart, without title and axis.
    """

    px_per_mm: float
    height_px: float

    @property
    def total_px(self) -> float:
        """Height with title and axis."""
        return TOP_PX + self.height_px + BOTTOM_PX


def draw_widths_figure(femur: FemurResult, pictures: FemurPictures, *, prefix: str) -> str:
    """Return, as SVG, both projections with outlines and calipers beside the width profile.

    Parameters
    ----------
    femur : FemurResult
        The numbers.
    pictures : FemurPictures
        The greys.
    prefix : str
        For the ids of this picture.
    """
    layout = plan_widths(pictures, PICTURE_PX)
    with start_figure(TOTAL_PX, layout.total_px) as figure:
        draw_widths(figure, femur, pictures, layout, with_cursor=True)
        top_mm = pictures.ap.vertical_mm[1]
        return render_svg(
            figure,
            prefix=prefix,
            title=f"{femur.side.value} femur: AP and lateral projection, and widths by level",
            data={"zero-px": TOP_PX + top_mm * layout.px_per_mm, "px-per-mm": layout.px_per_mm},
        )


def plan_widths(pictures: FemurPictures, most_px: float) -> Layout:
    """Return the largest scale at which both films fit, at most `most_px` tall."""
    height_mm = _length(pictures.ap.vertical_mm)
    across_mm = _length(pictures.ap.across_mm) + _length(pictures.lateral.across_mm)
    scale = min(most_px / height_mm, MOST_ACROSS_PX / across_mm, MOST_PX_PER_MM)
    return Layout(px_per_mm=scale, height_px=scale * height_mm)


def draw_widths(
    figure: Figure,
    femur: FemurResult,
    pictures: FemurPictures,
    layout: Layout,
    *,
    left_px: float = 0.0,
    top_px: float = 0.0,
    with_cursor: bool = False,
) -> None:
    """Draw films, chart and numbers at a place of a figure; with lines for a page to move."""
    scale, height = layout.px_per_mm, layout.height_px
    levels = list_marked_levels(femur)
    left, films = left_px + LABELS_PX, []
    for film in list_films(pictures):
        across = scale * _length(film.picture.across_mm)
        films.append(place_axes(figure, left, top_px + TOP_PX, across, height))
        draw_film(films[-1], femur, film, levels)
        if with_cursor:
            draw_cursor(films[-1], film.axis, "white")
        left += across + GAP_PX
    room = left_px + TOTAL_PX - left - NUMBERS_PX
    chart = place_axes(figure, left, top_px + TOP_PX, room, height)
    draw_width_profile(chart, femur.profile, levels)
    if with_cursor:
        draw_cursor(chart, "chart", INK)
    chart.set_ylim(pictures.ap.vertical_mm)
    _write_levels(films[0], chart, levels, scale, room)


def draw_width_profile(axes: Axes, profile: CanalProfile, levels: list[MarkedLevel]) -> None:
    """Draw outer and canal widths [mm] against level [mm], with a band of twice their u."""
    for name, colour, dash, width in (
        ("outer_ml_mm", OUTER_PAPER, "-", 1.8),
        ("outer_ap_mm", OUTER_PAPER, (0, (1, 1.4)), 1.4),
        ("canal_ml_mm", CANAL_PAPER, "-", 1.8),
        ("canal_ap_mm", CANAL_PAPER, (0, (1, 1.4)), 1.4),
    ):
        values = profile.columns[name]
        spread = 2 * get_level_uncertainty(profile, name)
        axes.fill_betweenx(
            profile.levels_mm, values - spread, values + spread, color=colour, alpha=0.22, lw=0
        )
        axes.plot(values, profile.levels_mm, color=colour, linestyle=dash, linewidth=width)
    for level in levels:
        axes.axhline(level.level_mm, color=FAINT, linewidth=0.7, zorder=0)
        for number, colour in ((level.outer_ml, OUTER_PAPER), (level.canal_ml, CANAL_PAPER)):
            if number.value is not None:
                axes.plot(number.value, level.level_mm, "o", color=colour, markersize=4.5)
    widest = max(
        (float(np.nanmax(column)) for column in _get_widths(profile) if np.isfinite(column).any()),
        default=40.0,
    )
    axes.set_xlim(0, 1.08 * widest)
    axes.set_xlabel("width [mm]")
    axes.tick_params(labelleft=False, left=False)
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_title("widths: ML solid, AP dotted", fontsize=TEXT_PX, loc="left")


def _get_widths(profile: CanalProfile) -> list[NDArray[np.float64]]:
    return [
        profile.columns[f"{outline}_{axis}_mm"]
        for outline in ("outer", "canal")
        for axis in ("ml", "ap")
    ]


def _write_levels(
    film: Axes, chart: Axes, levels: list[MarkedLevel], scale: float, room_px: float
) -> None:
    """Write the levels' names left of the films and their widths right of the chart."""
    heights = _spread([level.level_mm for level in levels], TEXT_GAP_PX / scale)
    left, right = film.get_xlim()[0], chart.get_xlim()[1]
    px = right / room_px
    top_mm = chart.get_ylim()[1]
    for axis, place in COLUMNS_PX.items():
        chart.text(right + place * px, top_mm, f"{axis.upper()} [mm]", va="top", clip_on=False)
    for level, text_mm in zip(levels, heights, strict=True):
        first = "isthmus\n" if level.name == "isthmus" else ""
        line = {"arrowstyle": "-", "color": FAINT, "linewidth": 0.7, "shrinkA": 1, "shrinkB": 0}
        film.annotate(
            f"{first}{format_level(level.level_mm)}",
            (left, level.level_mm),
            (left - 8 / scale, text_mm),
            ha="right",
            va="center",
            color=INK,
            arrowprops=line,
            annotation_clip=False,
        )
        for outline, colour, side in (
            ("outer", OUTER_PAPER, "bottom"),
            ("canal", CANAL_PAPER, "top"),
        ):
            for axis, place in COLUMNS_PX.items():
                chart.text(
                    right + place * px,
                    text_mm,
                    _write_number(level.get_width(outline, axis)),
                    va=side,
                    color=colour,
                    clip_on=False,
                )


def _write_number(width: Measurement) -> str:
    """Return a width without its unit, which the column's head has."""
    return format_measurement(width, "mm").removesuffix(" mm")


def _spread(heights_mm: list[float], gap_mm: float) -> list[float]:
    """Return descending heights moved down just enough to keep a gap."""
    spread: list[float] = []
    for height in heights_mm:
        spread.append(min(height, spread[-1] - gap_mm) if spread else height)
    return spread


def _length(span: tuple[float, float]) -> float:
    return span[1] - span[0]
