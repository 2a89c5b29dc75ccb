"""The look shared by all pictures, and figures as inline SVG without script, date or identity."""

import gc
import io
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import matplotlib as mpl
import matplotlib.patheffects as effects
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from canalmorph.model.femur import Side
from canalmorph.report.projection import Picture

#: Smallest text. One SVG unit is one CSS pixel at the page's full width. [px]
TEXT_PX = 12
#: Outer and canal, on paper and on the CT: apart for every kind of colour vision and, by line
#: style and lightness, in grey.
OUTER_PAPER, CANAL_PAPER = "#005a8e", "#c04f00"
OUTER_CT, CANAL_CT = "#7cc8f5", "#ffb347"
OUTER_DASH, CANAL_DASH = "-", (0, (4, 1.6))
INK, FAINT, PALE = "#1c2326", "#6b767b", "#e8ecee"
#: Dark edge that keeps bright lines readable on bright bone.
HALO = [effects.withStroke(linewidth=3.0, foreground="#101416", alpha=0.75)]

_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "canalmorph",
    "svg.image_inline": True,
    "pdf.fonttype": 42,  # whole letters, so that text can be copied
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": TEXT_PX,
    "axes.edgecolor": FAINT,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "text.color": INK,
    "xtick.color": INK,
    "ytick.color": INK,
    "path.simplify": True,
}


@contextmanager
def use_style() -> Iterator[None]:
    """Let what is drawn and written within the block have the page's style."""
    with mpl.rc_context(_STYLE):
        yield


@contextmanager
def pause_collector() -> Iterator[None]:
    """Let the collector of circular garbage wait while pages are drawn.

    Figures are many small objects that hold each other: it walks all of them again and again, which
    took a tenth to a quarter of the time.
    """
    collecting = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if collecting:
            gc.enable()


@contextmanager
def start_figure(width_px: float, height_px: float) -> Iterator[Figure]:
    """Give a figure of so many CSS pixels, in the page's style; no global figure is kept."""
    with use_style():
        yield Figure(figsize=(width_px / 72, height_px / 72), dpi=72)


@contextmanager
def use_type(size_px: float) -> Iterator[None]:
    """Let texts within the block have another size than `TEXT_PX`, unless they state their own."""
    with mpl.rc_context({"font.size": size_px}):
        yield


def place_axes(
    figure: Figure, left: float, top: float, width: float, height: float, **options: Any
) -> Axes:
    """Return axes at a place given in pixels from the figure's upper left corner."""
    across, down = figure.get_size_inches() * 72
    box = (left / across, 1 - (top + height) / down, width / across, height / down)
    return figure.add_axes(box, **options)


def render_svg(
    figure: Figure, *, prefix: str, title: str, data: Mapping[str, float] | None = None
) -> str:
    """Return the figure as an ``<svg>`` element to set into a page.

    Parameters
    ----------
    figure : Figure
        From `start_figure`, within its block.
    prefix : str
        Set before every id, so that several pictures share a page.
    title : str
        What a screen reader says; must be our own words.
    data : mapping of str to float, optional
        Written as ``data-...`` attributes, for the page's script.
    """
    stream = io.StringIO()
    empty = dict.fromkeys(("Creator", "Date", "Format", "Type"))
    figure.savefig(stream, format="svg", metadata=empty, transparent=True)
    svg = stream.getvalue()
    svg = svg[svg.index("<svg") :]
    for unwanted in (
        r"<metadata>.*?</metadata>",
        r"<style[^>]*>.*?</style>",
        r"<!--.*?-->",
        r"image-rendering:[a-z-]*;?",
    ):
        svg = re.sub(unwanted, "", svg, flags=re.DOTALL)
    svg = re.sub(r'\bid="', f'id="{prefix}-', svg)
    svg = re.sub(r"url\(#", f"url(#{prefix}-", svg)
    svg = re.sub(r'href="#', f'href="#{prefix}-', svg)
    across, down = figure.get_size_inches() * 72
    attributes = "".join(f' data-{name}="{number:.4f}"' for name, number in (data or {}).items())
    opening = (
        f'<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        f'viewBox="0 0 {across:g} {down:g}" width="{across:g}" height="{down:g}" role="img" '
        f'aria-label="{title}"{attributes}>'
    )
    return re.sub(r"<svg[^>]*>", opening, svg, count=1)


def get_view_sign(side: Side) -> int:
    """Return the sign that turns medial into the viewer's right, as on a film.

    The patient's right lies on the viewer's left; a right femur's medial side is then on the
    viewer's right.
    """
    return 1 if side is Side.RIGHT else -1


def get_lateral_sign(side: Side) -> int:
    """Return the sign that turns posterior into the viewer's right on a lateral film.

    The femur is seen from its lateral side, so that both sides are mirror images: front is to the
    right on a right femur.
    """
    return -get_view_sign(side)


def show_picture(axes: Axes, picture: Picture, sign: int) -> None:
    """Draw a picture with its first axis turned into view."""
    low, high = picture.across_mm
    grey = picture.grey if sign > 0 else picture.grey[:, ::-1]
    axes.imshow(
        np.repeat(grey[:, :, None], 3, axis=2),
        extent=(min(sign * low, sign * high), max(sign * low, sign * high), *picture.vertical_mm),
        origin="lower",
        interpolation="none",
        aspect="auto",
    )


def draw_cursor(axes: Axes, name: str, colour: str) -> None:
    """Draw the line at level 0 that a page may move to another level."""
    axes.axhline(0.0, gid=f"cursor-{name}", color=colour, linewidth=1.6, clip_on=False)


def draw_scale_bar(axes: Axes, *, length_mm: float, x_mm: float, y_mm: float) -> None:
    """Draw a bar of a given length whose left end lies at a place, its name towards the middle."""
    axes.plot([x_mm, x_mm + length_mm], [y_mm, y_mm], color="white", linewidth=3, path_effects=HALO)
    at_right = x_mm > sum(axes.get_xlim()) / 2
    axes.text(
        x_mm + length_mm if at_right else x_mm,
        y_mm,
        f"{length_mm:g} mm",
        color="white",
        ha="right" if at_right else "left",
        va="bottom",
        path_effects=HALO,
    )


def hide_frame(axes: Axes) -> None:
    """Take away ticks and frame."""
    axes.set_xticks([])
    axes.set_yticks([])
    for spine in axes.spines.values():
        spine.set_visible(False)
