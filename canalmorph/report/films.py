"""Projections of the CT in the femur's own frame, with outlines, levels, calipers and marks."""

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from canalmorph.model.femur import Side
from canalmorph.model.results import CanalProfile, FemurResult, Measurement
from canalmorph.report.drawing import (
    CANAL_CT,
    CANAL_DASH,
    HALO,
    OUTER_CT,
    OUTER_DASH,
    draw_scale_bar,
    get_lateral_sign,
    get_view_sign,
    hide_frame,
    show_picture,
)
from canalmorph.report.outlines import MarkedLevel, find_edges, interpolate_edge
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.projection import Picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Film:
    """One of the two views.

    Attributes
    ----------
    axis : str
        Whose widths it shows: ``ml`` on the AP film, ``ap`` on the lateral one.
    title : str
        Its name.
    picture : Picture
        Its greys.
    sign : int
        Turns the picture's first axis into the viewer's right.
    place : int
        Of that axis among the frame's coordinates.
    ends : tuple of str
        What lies at the viewer's left and right.
    """

    axis: str
    title: str
    picture: Picture
    sign: int
    place: int
    ends: tuple[str, str]


def list_films(pictures: FemurPictures) -> tuple[Film, Film]:
    """Return the AP and the lateral view of a femur."""
    right = pictures.side is Side.RIGHT
    return (
        Film(
            axis="ml",
            title="AP",
            picture=pictures.ap,
            sign=get_view_sign(pictures.side),
            place=0,
            ends=("lat", "med") if right else ("med", "lat"),
        ),
        Film(
            axis="ap",
            title="lateral",
            picture=pictures.lateral,
            sign=get_lateral_sign(pictures.side),
            place=1,
            ends=("P", "A") if right else ("A", "P"),
        ),
    )


def draw_film(axes: Axes, femur: FemurResult, film: Film, levels: list[MarkedLevel]) -> None:
    """Draw one view: greys, both outlines, the axis, the head, the levels and their calipers."""
    profile = femur.profile
    show_picture(axes, film.picture, film.sign)
    for outline, colour, dash in (
        ("outer", OUTER_CT, OUTER_DASH),
        ("canal", CANAL_CT, CANAL_DASH),
    ):
        edges = find_edges(profile, outline, film.axis)
        for edge in edges:
            axes.plot(
                film.sign * edge,
                profile.levels_mm,
                color=colour,
                linestyle=dash,
                linewidth=1.4,
                path_effects=HALO,
            )
        for level in levels:
            width = level.get_width(outline, film.axis)
            name = f"caliper-{film.axis}-{outline}-{level.name}"
            _draw_caliper(axes, profile, edges[0], level.level_mm, width, film.sign, colour, name)
    _draw_axis_and_head(axes, profile, film)
    axes.set_xlim(*sorted(film.sign * edge for edge in film.picture.across_mm))
    axes.set_ylim(film.picture.vertical_mm)
    axes.set_title(f"{femur.side.value}, {film.title}", loc="left", pad=4, fontsize=12)
    _draw_marks(axes, femur.side, film)
    hide_frame(axes)


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


def _draw_axis_and_head(axes: Axes, profile: CanalProfile, film: Film) -> None:
    axes.axvline(
        0.0,
        gid=f"axis-{film.axis}",
        color="white",
        linewidth=1.0,
        linestyle=(0, (9, 3, 2, 3)),
        alpha=0.85,
    )
    if profile.head is None:
        return
    centre = profile.frame.lps_to_frame_mm(profile.head.centre_lps_mm)
    turn = np.linspace(0, 2 * np.pi, 121)
    across = film.sign * centre[film.place]
    axes.plot(
        across + profile.head.radius_mm * np.cos(turn),
        centre[2] + profile.head.radius_mm * np.sin(turn),
        gid=f"head-{film.axis}",
        color="white",
        linewidth=1.1,
        path_effects=HALO,
    )
    axes.plot(across, centre[2], "+", color="white", markersize=9, path_effects=HALO)


def _draw_marks(axes: Axes, side: Side, film: Film) -> None:
    """Write the side as on a film, away from the head, what lies at either edge, and the scale."""
    (left, right), (bottom, top) = axes.get_xlim(), film.picture.vertical_mm
    at_left = film.ends[0] in ("lat", "P")
    style: Any = {"color": "white", "fontweight": "bold", "path_effects": HALO}
    axes.text(
        left + 4 if at_left else right - 4,
        top - 4,
        side.value[0].upper(),
        fontsize=24,
        ha="left" if at_left else "right",
        va="top",
        **style,
    )
    height = bottom + 0.12 * (top - bottom)
    axes.text(left + 3, height, film.ends[0], ha="left", va="center", **style)
    axes.text(right - 3, height, film.ends[1], ha="right", va="center", **style)
    draw_scale_bar(axes, length_mm=20.0, x_mm=right - 26 if at_left else left + 6, y_mm=bottom + 4)
