"""Cross-sections with CT, both outlines and their calipers, seen from below as CT slices are."""

from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from numpy.typing import NDArray

from canalmorph.model.results import FemurResult, Measurement
from canalmorph.report.drawing import (
    CANAL_CT,
    CANAL_DASH,
    HALO,
    OUTER_CT,
    OUTER_DASH,
    draw_scale_bar,
    get_view_sign,
    hide_frame,
    place_axes,
    render_svg,
    show_picture,
    start_figure,
)
from canalmorph.report.numbers import format_level
from canalmorph.report.outlines import MarkedLevel, find_section, list_marked_levels
from canalmorph.report.pictures import FemurPictures, PackedSection

#: Side of a picture, the gap and the title above. [px]
PANEL_PX, GAP_PX, TITLE_PX = 256.0, 14.0, 20.0
#: Distances of the calipers of canal and outer from the bone. [px]
CANAL_LINE_PX, OUTER_LINE_PX = 11.0, 30.0


def draw_section_figures(
    femur: FemurResult, pictures: FemurPictures, *, prefix: str
) -> tuple[str, ...]:
    """Return the sections of the marked levels, each as SVG, from the top down."""
    drawn = []
    for level, packed in list_marked_sections(femur, pictures):
        with start_figure(PANEL_PX, PANEL_PX + TITLE_PX) as figure:
            draw_section(figure, 0.0, 0.0, femur, level, packed)
            title = f"{femur.side.value} femur: cross-section, {level.name.replace('_', ' ')}"
            drawn.append(
                render_svg(figure, prefix=f"{prefix}-{level.name.replace('_', '-')}", title=title)
            )
    return tuple(drawn)


def list_marked_sections(
    femur: FemurResult, pictures: FemurPictures
) -> list[tuple[MarkedLevel, PackedSection]]:
    """Return the marked levels that have a picture."""
    levels_mm = femur.profile.levels_mm
    by_level = {section.level_mm: section for section in pictures.sections}
    found = []
    for level in list_marked_levels(femur):
        index = find_section(femur.profile, level.level_mm)
        section = None if index is None else by_level.get(float(levels_mm[index]))
        if section is not None:
            found.append((level, section))
    return found


def draw_section(
    figure: Figure,
    left: float,
    top: float,
    femur: FemurResult,
    level: MarkedLevel,
    packed: PackedSection,
    *,
    panel_px: float = PANEL_PX,
) -> None:
    """Draw one section at a place of a figure, its title above it."""
    axes = place_axes(figure, left, top + TITLE_PX, panel_px, panel_px)
    sign = get_view_sign(femur.side)
    index = find_section(femur.profile, packed.level_mm)
    if index is None:
        raise ValueError("'packed' must be of a level of the profile.")
    show_picture(axes, packed.unpack(), sign)
    medial, posterior = packed.medial_mm, packed.posterior_mm
    axes.set_xlim(min(sign * edge for edge in medial), max(sign * edge for edge in medial))
    axes.set_ylim(posterior[1], posterior[0])
    px_mm = (medial[1] - medial[0]) / panel_px
    outer = femur.profile.outer_outline_mm[index]
    canal = femur.profile.canal_outline_mm[index]
    _draw_outline(axes, sign, outer, OUTER_CT, OUTER_DASH)
    _draw_outline(axes, sign, canal, CANAL_CT, CANAL_DASH)
    # On a smaller panel the calipers keep their distance in proportion.
    _draw_calipers(axes, sign, outer, canal, level, px_mm * panel_px / PANEL_PX)
    _write_directions(axes, femur.side.value, sign, px_mm)
    name = "isthmus, " if level.name == "isthmus" else ""
    axes.set_title(f"{femur.side.value}, {name}{format_level(level.level_mm)}", loc="left", pad=4)
    axes.title.set_fontsize(mpl.rcParams["font.size"])
    hide_frame(axes)


def _draw_outline(
    axes: Axes, sign: int, points: NDArray[np.float64], colour: str, dash: Any
) -> None:
    """Draw a closed outline; it stays open where points are not known."""
    closed = np.concatenate([points, points[:1]])
    axes.plot(
        sign * closed[:, 0],
        closed[:, 1],
        color=colour,
        linestyle=dash,
        linewidth=1.6,
        path_effects=HALO,
    )


def _draw_calipers(
    axes: Axes,
    sign: int,
    outer: NDArray[np.float64],
    canal: NDArray[np.float64],
    level: MarkedLevel,
    px_mm: float,
) -> None:
    """Draw ML calipers below the bone and AP calipers on its lateral side."""
    known = outer[np.isfinite(outer).all(axis=1)]
    if len(known) == 0:
        return
    below, beside = known[:, 1].max(), known[:, 0].min()
    for words, outline, ml, ap, colour, away_px in (
        ("canal", canal, level.canal_ml, level.canal_ap, CANAL_CT, CANAL_LINE_PX),
        ("outer", outer, level.outer_ml, level.outer_ap, OUTER_CT, OUTER_LINE_PX),
    ):
        inside = outline[np.isfinite(outline).all(axis=1)]
        if len(inside) == 0:
            continue
        lateral, anterior = inside.min(axis=0)
        at_mm = below + away_px * px_mm
        name = f"caliper-{words}-{level.name}"
        _draw_span(axes, sign, ml, (lateral, at_mm), colour, name=f"{name}-ml", along_ml=True)
        at_mm = beside - away_px * px_mm
        _draw_span(axes, sign, ap, (at_mm, anterior), colour, name=f"{name}-ap", along_ml=False)


def _draw_span(
    axes: Axes,
    sign: int,
    width: Measurement,
    start: tuple[float, float],
    colour: str,
    *,
    name: str,
    along_ml: bool,
) -> None:
    """Draw one caliper, as long as the table's number, with the number on it."""
    if width.value is None:
        return
    end = (start[0] + width.value, start[1]) if along_ml else (start[0], start[1] + width.value)
    axes.plot(
        [sign * start[0], sign * end[0]],
        [start[1], end[1]],
        gid=name,
        color=colour,
        linewidth=1.5,
        marker="|" if along_ml else "_",
        markersize=9,
        markeredgewidth=1.6,
        path_effects=HALO,
    )
    axes.text(
        sign * (start[0] + end[0]) / 2,
        (start[1] + end[1]) / 2,
        f"{width.value:.1f}",
        color=colour,
        ha="center",
        va="center",
        rotation=0 if along_ml else 90,
        bbox={"boxstyle": "square,pad=0.12", "facecolor": "#101416", "edgecolor": "none"},
    )


def _write_directions(axes: Axes, side: str, sign: int, px_mm: float) -> None:
    """Write anterior and medial at their edges, away from the calipers, the side and the scale."""
    left, right = axes.get_xlim()
    bottom, top = axes.get_ylim()
    inset = 9 * px_mm
    style: Any = {"color": "white", "fontweight": "bold", "va": "center", "path_effects": HALO}
    middle, edge = (left + right) / 2, 3 * px_mm
    far, towards = (right - edge, "right") if sign > 0 else (left + edge, "left")
    axes.text(middle, top + inset, "A", ha="center", **style)
    axes.text(far, (bottom + top) / 2, "med", ha=towards, **style)
    axes.text(left + inset, top + 1.3 * inset, side[0].upper(), fontsize=18, ha="center", **style)
    draw_scale_bar(axes, length_mm=10.0, x_mm=right - 10.0 - inset, y_mm=top + 2.4 * inset)
