"""The AP projection beside the widths by level, on one scale of height."""

from dataclasses import dataclass

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import CanalProfile, FemurResult, Measurement
from canalmorph.report.drawing import (
    CANAL_CT,
    CANAL_DASH,
    CANAL_PAPER,
    FAINT,
    HALO,
    INK,
    OUTER_CT,
    OUTER_DASH,
    OUTER_PAPER,
    draw_scale_bar,
    get_view_sign,
    hide_frame,
    place_axes,
    render_svg,
    show_picture,
    start_figure,
)
from canalmorph.report.numbers import format_level, format_measurement
from canalmorph.report.outlines import (
    MarkedLevel,
    find_edges,
    interpolate_edge,
    list_marked_levels,
)
from canalmorph.report.projection import project_femur

#: Height of the pictures and most pixels for a millimetre. [px]
PICTURE_PX, MOST_PX_PER_MM = 620.0, 2.3
#: Room around the bone. [mm]
MARGIN_MM = 10.0
#: Width of the figure and of its parts; the chart takes what the picture leaves. [px]
TOTAL_PX, LABELS_PX, GAP_PX, NUMBERS_PX = 650.0, 66.0, 12.0, 162.0
#: Widest picture, so that the chart keeps room. [px]
MOST_ACROSS_PX = 270.0
TOP_PX, BOTTOM_PX = 24.0, 40.0
#: Least distance between two levels' texts. [px]
TEXT_GAP_PX = 34.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FemurBox:
    """The box around a femur in its own frame [mm]."""

    medial_mm: tuple[float, float]
    posterior_mm: tuple[float, float]
    level_mm: tuple[float, float]


def draw_widths_figure(femur: FemurResult, aligned: AlignedFemur, *, prefix: str) -> str:
    """Return, as SVG, the AP projection with outlines and calipers beside the width profile.

    Parameters
    ----------
    femur : FemurResult
        The numbers.
    aligned : AlignedFemur
        The CT, for the grey of the picture only.
    prefix : str
        For the ids of this picture.
    """
    box = find_box(femur.profile)
    scale = min(
        PICTURE_PX / _length(box.level_mm), MOST_ACROSS_PX / _length(box.medial_mm), MOST_PX_PER_MM
    )
    height, across = scale * _length(box.level_mm), scale * _length(box.medial_mm)
    room = TOTAL_PX - LABELS_PX - across - GAP_PX - NUMBERS_PX
    levels = list_marked_levels(femur)
    picture = project_femur(
        aligned, medial_mm=box.medial_mm, posterior_mm=box.posterior_mm, level_mm=box.level_mm
    )
    with start_figure(TOTAL_PX, height + TOP_PX + BOTTOM_PX) as figure:
        film = place_axes(figure, LABELS_PX, TOP_PX, across, height)
        show_picture(film, picture, get_view_sign(femur.side))
        draw_projection(film, femur, box, levels)
        chart = place_axes(figure, LABELS_PX + across + GAP_PX, TOP_PX, room, height)
        draw_width_profile(chart, femur.profile, levels)
        chart.set_ylim(box.level_mm)
        _write_levels(film, chart, levels, scale, room)
        return render_svg(
            figure,
            prefix=prefix,
            title=f"{femur.side.value} femur: AP projection and widths by level",
        )


def find_box(profile: CanalProfile) -> FemurBox:
    """Return the box that holds every section and the head."""
    points = profile.outer_outline_mm.reshape(-1, 2)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) == 0:
        points = np.array([[-25.0, -25.0], [25.0, 25.0]])
    low, high = points.min(axis=0), points.max(axis=0)
    bottom, top = float(profile.levels_mm.min()), float(profile.levels_mm.max())
    if profile.head is not None:
        centre = profile.frame.lps_to_frame_mm(profile.head.centre_lps_mm)
        radius = profile.head.radius_mm
        low, high = np.minimum(low, centre[:2] - radius), np.maximum(high, centre[:2] + radius)
        top = max(top, float(centre[2]) + radius)
    return FemurBox(
        medial_mm=(float(low[0]) - MARGIN_MM, float(high[0]) + MARGIN_MM),
        posterior_mm=(float(low[1]) - MARGIN_MM, float(high[1]) + MARGIN_MM),
        level_mm=(bottom - MARGIN_MM / 2, top + MARGIN_MM / 2),
    )


def draw_projection(
    axes: Axes, femur: FemurResult, box: FemurBox, levels: list[MarkedLevel]
) -> None:
    """Draw both outlines, the axis, the head, the levels and their calipers over the picture."""
    profile, sign = femur.profile, get_view_sign(femur.side)
    for outline, colour, dash in (
        ("outer", OUTER_CT, OUTER_DASH),
        ("canal", CANAL_CT, CANAL_DASH),
    ):
        edges = find_edges(profile, outline)
        for edge in edges:
            axes.plot(
                sign * edge,
                profile.levels_mm,
                color=colour,
                linestyle=dash,
                linewidth=1.4,
                path_effects=HALO,
            )
        for level in levels:
            width = level.outer_ml if outline == "outer" else level.canal_ml
            name = f"caliper-{outline}-{level.name}"
            _draw_caliper(axes, profile, edges[0], level.level_mm, width, sign, colour, name)
    _draw_axis_and_head(axes, profile, sign)
    left, right = sorted(sign * edge for edge in box.medial_mm)
    axes.set_xlim(left, right)
    axes.set_ylim(box.level_mm)
    _draw_marks(axes, femur, left, right, box.level_mm)
    hide_frame(axes)


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
    axes.set_title("ML solid, AP dotted", fontsize=mpl.rcParams["font.size"], loc="left")


def get_level_uncertainty(profile: CanalProfile, name: str) -> NDArray[np.float64]:
    """Return the standard uncertainty of a width at a level: of its edges and of level 0 [mm]."""
    values = profile.columns[name]
    slope = np.gradient(values, profile.levels_mm) if len(values) > 1 else np.zeros_like(values)
    slope = np.where(np.isfinite(slope), slope, 0.0)
    return np.asarray(np.hypot(profile.uncertainties[name], slope * profile.level_u_mm))


def _get_widths(profile: CanalProfile) -> list[NDArray[np.float64]]:
    return [
        profile.columns[f"{outline}_{axis}_mm"]
        for outline in ("outer", "canal")
        for axis in ("ml", "ap")
    ]


def _draw_caliper(
    axes: Axes,
    profile: CanalProfile,
    lateral_mm: NDArray[np.float64],
    level_mm: float,
    width: Measurement,
    sign: int,
    colour: str,
    name: str,
) -> None:
    """Draw the table's width at its level, from the lateral edge, under a name of its own."""
    start = interpolate_edge(profile, lateral_mm, level_mm)
    if start is None or width.value is None:
        return
    axes.plot(
        [sign * start, sign * (start + width.value)],
        [level_mm, level_mm],
        gid=name,
        color=colour,
        linewidth=2.2 if colour == CANAL_CT else 1.1,
        marker="|",
        markersize=11,
        markeredgewidth=1.8,
        path_effects=HALO,
    )


def _draw_axis_and_head(axes: Axes, profile: CanalProfile, sign: int) -> None:
    axes.axvline(
        0.0, gid="axis", color="white", linewidth=1.0, linestyle=(0, (9, 3, 2, 3)), alpha=0.85
    )
    if profile.head is None:
        return
    centre = profile.frame.lps_to_frame_mm(profile.head.centre_lps_mm)
    turn = np.linspace(0, 2 * np.pi, 121)
    axes.plot(
        sign * centre[0] + profile.head.radius_mm * np.cos(turn),
        centre[2] + profile.head.radius_mm * np.sin(turn),
        gid="head",
        color="white",
        linewidth=1.1,
        path_effects=HALO,
    )
    axes.plot(sign * centre[0], centre[2], "+", color="white", markersize=9, path_effects=HALO)


def _draw_marks(
    axes: Axes, femur: FemurResult, left: float, right: float, level_mm: tuple[float, float]
) -> None:
    """Write the side as on a film, lateral of the bone, and the scale."""
    lateral_left = get_view_sign(femur.side) > 0
    axes.text(
        left + 4 if lateral_left else right - 4,
        level_mm[1] - 4,
        femur.side.value[0].upper(),
        color="white",
        fontsize=24,
        fontweight="bold",
        ha="left" if lateral_left else "right",
        va="top",
        path_effects=HALO,
    )
    draw_scale_bar(
        axes,
        length_mm=20.0,
        x_mm=right - 26 if lateral_left else left + 6,
        y_mm=level_mm[0] + 4,
    )


def _write_levels(
    film: Axes, chart: Axes, levels: list[MarkedLevel], scale: float, room_px: float
) -> None:
    """Write the levels' names left of the film and their widths right of the chart."""
    heights = _spread([level.level_mm for level in levels], TEXT_GAP_PX / scale)
    left, right = film.get_xlim()[0], chart.get_xlim()[1]
    for level, text_mm in zip(levels, heights, strict=True):
        is_isthmus = level.name == "isthmus"
        name = (
            f"isthmus\n{format_level(level.level_mm)}"
            if is_isthmus
            else (format_level(level.level_mm))
        )
        line = {"arrowstyle": "-", "color": FAINT, "linewidth": 0.7, "shrinkA": 1, "shrinkB": 0}
        film.annotate(
            name,
            (left, level.level_mm),
            (left - 8 / scale, text_mm),
            ha="right",
            va="center",
            color=INK,
            arrowprops=line,
            annotation_clip=False,
        )
        for number, words, colour, side in (
            (level.outer_ml, "outer", OUTER_PAPER, "bottom"),
            (level.canal_ml, "canal", CANAL_PAPER, "top"),
        ):
            chart.annotate(
                f"{words} {format_measurement(number, 'mm')}",
                (right, level.level_mm),
                (right + 8 / room_px * right, text_mm),
                va=side,
                color=colour,
                annotation_clip=False,
            )


def _spread(heights_mm: list[float], gap_mm: float) -> list[float]:
    """Return descending heights moved down just enough to keep a gap."""
    spread: list[float] = []
    for height in heights_mm:
        spread.append(min(height, spread[-1] - gap_mm) if spread else height)
    return spread


def _length(span: tuple[float, float]) -> float:
    return span[1] - span[0]
