"""Pictures of a cohort as SVG in the house's look; groups differ by colour and by line."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import cycle
from textwrap import wrap
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.axes import Axes
from numpy.typing import NDArray

from canalmorph import published
from canalmorph.cohort.describe import ALL, CohortSummary, Group
from canalmorph.cohort.pages import name_unit
from canalmorph.cohort.profiles import WidthProfile
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.report.drawing import FAINT, INK, place_axes, render_svg, start_figure
from canalmorph.report.listing import name_column
from canalmorph.report.numbers import MOST_DECIMALS

if TYPE_CHECKING:
    import pandas as pd

WIDTH_PX = 1160.0
#: Colours that are apart for every kind of colour vision, and lines that are apart in grey.
_COLOURS = ("#005a8e", "#c04f00", "#3b7a1e", "#8a3ea8", "#6b767b", "#a8860b")
_LINES: tuple[Any, ...] = ("-", (0, (5, 2)), (0, (1.5, 1.5)), (0, (6, 2, 1.5, 2)))
_MARKERS = ("o", "^", "s", "D")
#: Class bounds that are drawn, by column; see `canalmorph.published` for their sources.
CLASS_BOUNDS: dict[str, tuple[float, ...]] = {
    "cfi_ml": (published.STOVEPIPE_BELOW, published.FLUTE_ABOVE),
    "cti_ml_lt_minus100": (published.LETTER_CTI_C_BELOW, published.LETTER_CTI_A_ABOVE),
    "cti_ap_lt_minus100": (published.LETTER_CTI_C_BELOW, published.LETTER_CTI_A_ABOVE),
    "cbr_ml_lt_minus100": (published.CANAL_BONE_RATIO_OSTEOPOROTIC,),
    "canal_ratio_isthmus_over_lt_ml": (published.LETTER_A_BELOW, published.LETTER_C_ABOVE),
    "wall_ratio_posterior_over_anterior_lt_minus100": (published.LETTER_POSTERIOR_THIN_BELOW,),
}
#: Indices whose distribution is drawn, four a row.
DRAWN_INDICES = (
    *("cfi_ml", "mcfi_ml", "dcfi_ml", "cti_ml_lt_minus100"),
    *("cti_ap_lt_minus100", "cbr_ml_lt_minus100", "canal_ratio_isthmus_over_lt_ml", "mci_ml"),
)
#: Numbers that are set left against right, and against the age.
DRAWN_NUMBERS = ("cfi_ml", "cti_ml_lt_minus100", "isthmus_canal_ml_mm", "canal_ml_lt_plus20_mm")
AXES = {"ml": "medio-lateral", "ap": "antero-posterior"}
PANELS_A_ROW = 4
#: What fits beside an axis of a panel.
LABEL_CHARACTERS = 26
#: More marks of one group are drawn as a sample of so many, evenly taken, so that a page stays
#: small enough to be opened.
MOST_MARKS = 1500
#: So few marks of one group are drawn larger.
FEW_MARKS = 200
#: More would touch each other on a panel's axis.
MOST_TICKS = 5
#: An axis spans at least so many steps of the last decimal that is printed.
FEWEST_STEPS = 8
#: A mean is drawn at levels that so many of a group's femora show: where only some do, it would be
#: theirs, and leap. The table has every level with its number of femora.
LEAST_SHARE_OF_GROUP = 0.9


_UNITS = {column.name: column.unit for column in FEMUR_COLUMNS}


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """How a group is drawn."""

    name: str
    colour: str
    line: Any
    marker: str


def list_looks(names: Sequence[str]) -> list[Look]:
    """Return one look a group."""
    return [
        Look(name=name, colour=colour, line=line, marker=marker)
        for name, colour, line, marker in zip(
            names, cycle(_COLOURS), cycle(_LINES), cycle(_MARKERS), strict=False
        )
    ]


def draw_distributions(summary: CohortSummary) -> str:
    """Return the distribution of each index by group, with the bounds of the classes."""
    names = [
        name
        for name in DRAWN_INDICES
        if any(name in group.numbers and group.numbers[name].n for group in summary.groups)
    ]
    if not names:
        return ""
    panel_px = 250.0
    rows = -(-len(names) // PANELS_A_ROW)
    with start_figure(WIDTH_PX, rows * panel_px + 24) as figure:
        for place, name in enumerate(names):
            axes = place_panel(figure, place, panel_px)
            _draw_distribution(axes, name, summary.groups)
        _draw_key(figure, _look_at(summary.groups), rows * panel_px)
        return render_svg(figure, prefix="distributions", title="Distribution of the indices")


def _draw_distribution(axes: Axes, name: str, groups: Sequence[Group]) -> None:
    values = [_known(group.femora[name].to_numpy()) for group in groups]
    bounds = CLASS_BOUNDS.get(name, ())
    every = np.concatenate([*values, np.array(bounds)])
    edges = _choose_bins(values)
    for look, found in zip(_look_at(groups), values, strict=True):
        if not len(found):
            continue
        # The share of the group, so that groups of different size can be compared.
        shares = np.histogram(found, edges)[0] / len(found)
        axes.stairs(100 * shares, edges, color=look.colour, linestyle=look.line, linewidth=1.6)
        if len(groups) == 1:
            axes.stairs(100 * shares, edges, color=look.colour, alpha=0.18, fill=True)
    for bound in bounds:
        axes.axvline(bound, color=INK, linewidth=1.0, linestyle=(0, (4, 3)))
        axes.text(
            bound,
            1.0,
            f"{bound:.3g}",
            transform=axes.get_xaxis_transform(),
            ha="center",
            va="bottom",
            fontsize=11,
        )
    margin = 0.03 * (np.ptp(every) or 1.0)
    axes.set_xlim(min(every.min(), edges[0]) - margin, max(every.max(), edges[-1]) + margin)
    axes.set_xlabel(label_column(name))
    axes.set_ylabel("femora [%]")
    axes.spines[["top", "right"]].set_visible(False)


def _choose_bins(groups: Sequence[NDArray[np.float64]]) -> NDArray[np.float64]:
    """Return edges of bins, 5 to 40 of them, by the rule of Freedman and Diaconis.

    The group that it gives the narrowest bins decides: over groups that lie apart, all values
    together would spread too far to show any of them.
    """
    values = np.concatenate(groups)
    low, high = float(values.min()), float(values.max())
    if low == high:
        return np.array([low - 0.5, low + 0.5])
    widths = [
        2 * float(np.subtract(*np.quantile(found, [0.75, 0.25]))) / len(found) ** (1 / 3)
        for found in groups
        if len(found)
    ]
    width = min((width for width in widths if width > 0), default=0.0)
    n_bins = int(np.clip((high - low) / width if width > 0 else 5, 5, 40))
    return np.linspace(low, high, n_bins + 1)


def draw_profiles(summary: CohortSummary) -> str:
    """Return mean and spread of the widths along the shaft, by group."""
    shown = [profile for group in summary.groups for profile in group.profiles]
    known = {profile.column for profile in shown if len(profile.levels_mm)}
    axes_shown = [axis for axis in AXES if any(f"_{axis}_" in column for column in known)]
    if not axes_shown:
        return ""
    height = 470.0
    with start_figure(WIDTH_PX, height) as figure:
        for place, axis in enumerate(axes_shown):
            axes = place_axes(figure, 62 + place * 575, 14, 490, height - 90)
            for look, group in zip(_look_at(summary.groups), summary.groups, strict=True):
                for profile in group.profiles:
                    if f"_{axis}_" in profile.column:
                        _draw_profile(axes, look, profile)
            axes.set_ylabel("level over the lesser trochanter [mm]")
            axes.set_xlabel(f"{AXES[axis]} width, canal and outer [mm]")
            axes.spines[["top", "right"]].set_visible(False)
        _draw_key(figure, _look_at(summary.groups), height - 24)
        return render_svg(figure, prefix="profiles", title="Widths along the shaft")


def _draw_profile(axes: Axes, look: Look, profile: WidthProfile) -> None:
    drawn = profile.n >= LEAST_SHARE_OF_GROUP * profile.n.max(initial=0)
    spread = np.where(drawn, np.nan_to_num(profile.sd), np.nan)
    mean = np.where(drawn, profile.mean, np.nan)
    axes.fill_betweenx(
        profile.levels_mm,
        mean - spread,
        mean + spread,
        color=look.colour,
        alpha=0.13,
        linewidth=0,
    )
    axes.plot(mean, profile.levels_mm, color=look.colour, linestyle=look.line, linewidth=1.6)


def draw_sides(summary: CohortSummary) -> str:
    """Return left against right for cases that have both."""
    pairs = {name: [pair_sides(group, name) for group in summary.groups] for name in DRAWN_NUMBERS}
    names = [name for name, found in pairs.items() if any(len(one) for one in found)]
    if not names:
        return ""
    panel_px = 290.0
    with start_figure(WIDTH_PX, panel_px + 24) as figure:
        for place, name in enumerate(names):
            axes = place_panel(figure, place, panel_px)
            every = np.concatenate(pairs[name])
            ends = [every.min(), every.max()]
            axes.plot(ends, ends, color=FAINT, linewidth=1.0, zorder=0)
            for look, found in zip(_look_at(summary.groups), pairs[name], strict=True):
                mark_points(axes, look, found[:, 0], found[:, 1])
            axes.set_xlabel(label_column(name, "right: "))
            axes.set_ylabel("left")
            axes.spines[["top", "right"]].set_visible(False)
        _draw_key(figure, _look_at(summary.groups), panel_px)
        return render_svg(figure, prefix="sides", title="Left against right")


def pair_sides(group: Group, name: str) -> NDArray[np.float64]:
    """Return the number on the right and on the left, a row a case that has both."""
    table = group.femora.pivot_table(
        index="case_id", columns="side", values=name, aggfunc="first", observed=True
    )
    if not {"right", "left"} <= set(table.columns):
        return np.empty((0, 2))
    pairs: NDArray[np.float64] = table[["right", "left"]].dropna().to_numpy(dtype=np.float64)
    return pairs


def draw_ages(groups: Sequence[tuple[str, "pd.DataFrame"]], age: str) -> str:
    """Return the numbers against the age, with a straight line a group of at least three."""
    panel_px = 290.0
    looks = list_looks([name for name, _ in groups])
    with start_figure(WIDTH_PX, panel_px + 24) as figure:
        for place, name in enumerate(DRAWN_NUMBERS):
            axes = place_panel(figure, place, panel_px)
            for look, (_, femora) in zip(looks, groups, strict=True):
                points = femora[[age, name]].dropna().to_numpy(dtype=np.float64)
                mark_points(axes, look, points[:, 0], points[:, 1])
                if len(points) >= 3 and np.ptp(points[:, 0]) > 0:
                    slope, start = np.polyfit(points[:, 0], points[:, 1], 1)
                    ends = np.array([points[:, 0].min(), points[:, 0].max()])
                    axes.plot(ends, start + slope * ends, color=look.colour, linestyle=look.line)
            axes.set_xlabel(f"{age} (facts)")
            axes.set_ylabel(label_column(name))
            axes.spines[["top", "right"]].set_visible(False)
        _draw_key(figure, looks, panel_px)
        return render_svg(figure, prefix="ages", title="Numbers against age")


def draw_boxes(groups: Sequence[tuple[str, "pd.DataFrame"]], title: str) -> str:
    """Return the numbers as boxes, one a group; whiskers reach 1.5 times the box at most."""
    panel_px = 250.0
    with start_figure(WIDTH_PX, panel_px) as figure:
        for place, name in enumerate(DRAWN_NUMBERS):
            axes = place_panel(figure, place, panel_px)
            values = [_known(femora[name].to_numpy()) for _, femora in groups]
            axes.boxplot(
                values,
                flierprops={"markersize": 3, "markeredgecolor": FAINT},
                medianprops={"color": INK},
            )
            axes.set_xticks(range(1, len(groups) + 1), [_plain(group) for group, _ in groups])
            axes.set_ylabel(label_column(name))
            axes.spines[["top", "right"]].set_visible(False)
        return render_svg(figure, prefix="boxes", title=title)


def label_column(name: str, before: str = "") -> str:
    """Return a column's name and unit, broken so that they fit beside an axis of a panel."""
    label = f"{before}{name_column(name)} {name_unit(_UNITS[name])}"
    return "\n".join(wrap(label, LABEL_CHARACTERS))


def place_panel(figure: Any, place: int, panel_px: float) -> Axes:
    """Return the axes of one of several panels, `PANELS_A_ROW` a row."""
    across = WIDTH_PX / PANELS_A_ROW
    row, column = divmod(place, PANELS_A_ROW)
    left, top = column * across + 70, row * panel_px + 18
    axes = place_axes(figure, left, top, across - 82, panel_px - 78)
    axes.locator_params(nbins=MOST_TICKS)
    axes.ticklabel_format(useOffset=False)
    return axes


def show_no_finer(axes: Axes, name: str, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
    """Let the axes show no finer differences of a column's numbers than those that are printed."""
    half = FEWEST_STEPS / 2 * 10.0 ** -MOST_DECIMALS[_UNITS[name]]
    middle = np.array([np.median(x), np.median(y)])
    axes.update_datalim([middle - half, middle + half])
    axes.autoscale_view()


def mark_points(axes: Axes, look: Look, x: NDArray[np.float64], y: NDArray[np.float64]) -> None:
    """Draw one mark a pair; of very many only a sample."""
    step = -(-len(x) // MOST_MARKS) or 1
    axes.scatter(
        x[::step],
        y[::step],
        s=24 if len(x) <= FEW_MARKS else 12,
        marker=look.marker,
        facecolors="none",
        edgecolors=look.colour,
        linewidths=0.8,
        rasterized=len(x) > MOST_MARKS // 3,
    )


def _look_at(groups: Sequence[Group]) -> list[Look]:
    return list_looks([group.name for group in groups])


def _draw_key(figure: Any, looks: Sequence[Look], top_px: float) -> None:
    if len(looks) == 1 and looks[0].name == ALL:
        return
    axes = place_axes(figure, 10, top_px, WIDTH_PX - 20, 20)
    axes.set_axis_off()
    axes.set_xlim(0, WIDTH_PX - 20)
    axes.set_ylim(0, 1)
    step = (WIDTH_PX - 20) / max(len(looks), 5)
    for place, look in enumerate(looks):
        left = place * step
        axes.plot([left, left + 26], [0.5, 0.5], color=look.colour, linestyle=look.line)
        axes.plot(
            [left + 13],
            [0.5],
            color=look.colour,
            marker=look.marker,
            markersize=5,
            markerfacecolor="white",
        )
        name = look.name if len(look.name) <= 18 else f"{look.name[:17]}…"
        axes.text(left + 32, 0.5, _plain(name), va="center")


def _plain(text: str) -> str:
    """Return a text in which nothing is a formula for the drawing."""
    return text.replace("$", r"\$")


def _known(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return values[np.isfinite(values)]
