"""The first page of the paper: who, type and suggestion of each side, numbers, cautions, gaps."""

from collections.abc import Sequence
from dataclasses import dataclass

from matplotlib.figure import Figure

from canalmorph.model.results import FemurResult
from canalmorph.report.classes_figure import STRIPS, draw_classes
from canalmorph.report.content import CaseContent, SideContent
from canalmorph.report.drawing import FAINT, place_axes, use_type
from canalmorph.report.numbers import count_numbers
from canalmorph.report.typeset import (
    Column,
    Paragraph,
    draw_column,
    set_column,
    split_column,
)

#: A4 at 0.6 points for a pixel, its margins, and the widths of one and of both columns. [px]
PAGE_PX, MARGIN_PX, WIDTH_PX, HALF_PX, GAP_PX = (992.0, 1403.0), 44.0, 904.0, 440.0, 24.0
#: Sizes of type that are tried until the words fit. [px]
TYPE_PX = (12.5, 12.0, 11.5, 11.0, 10.5, 10.0)
#: Row of a strip of the chart, the same where room is short, and the room around a rule. [px]
ROW_PX, LOW_ROW_PX, RULE_PX = 60.0, 50.0, 18.0
#: Type of charts and small pictures, and the words of a row of the chart. [px]
SMALL_PX, WORDS_PX = 10.0, 31.0
#: Numbers that neither the chart nor the pictures show.
KEY_COLUMNS = {
    "cfi_ap": "Canal flare index AP",
    "mcfi_ml": "Metaphyseal flare index ML",
    "dcfi_ml": "Distal flare index ML",
    "cti_ml_isthmus": "Cortical index ML, isthmus",
    "mci_ml": "Outer at LT over canal at LT−70",
    "cortical_area_fraction_isthmus": "Cortex over total area, isthmus",
    "isthmus_canal_inscribed_mm": "Smallest largest circle in canal",
    "canal_volume_lt_isthmus_mm3": "Canal volume, LT to isthmus",
    "head_diameter_mm": "Head, diameter",
    "neck_shaft_angle_deg": "Neck-shaft angle, in space",
    "femoral_offset_mm": "Offset, in space",
    "torsion_deg": "Torsion (+ anteversion)",
    "rod_lt_to_minus60_mm": "Widest rod, LT to LT−60",
    "rod_lt_to_minus100_mm": "Widest rod, LT to LT−100",
    "rod_lt_to_minus150_mm": "Widest rod, LT to LT−150",
    "bow_radius_mm": "Forward bow, radius",
    "femur_length_mm": "Femur, length",
    "cortex_hu": "CT number of thick cortex",
}
#: Where the numbers of both sides end in a column of the table. [px]
NUMBERS_PX = (HALF_PX - 108.0, HALF_PX)
#: Stands where the page is full.
REST = "There was no room for the rest: report.html has it."


@dataclass(frozen=True, slots=True, kw_only=True)
class WordsPlan:
    """The first page, set: its parts from the top down.

    Attributes
    ----------
    head : Column
        Over the whole width.
    sides : tuple of Column
        One or two.
    missing : Column
        Why there is no other side, beside one that is alone.
    table : tuple of tuple of str
        Name and a number a side, a line each.
    tail : tuple of Column
        Two columns at the foot.
    size_px, row_px : float
        Of the type, and of a row of the chart.
    """

    head: Column
    sides: tuple[Column, ...]
    missing: Column
    table: tuple[tuple[str, ...], ...]
    tail: tuple[Column, ...]
    size_px: float
    row_px: float

    @property
    def chart_px(self) -> float:
        """Height of a side's chart."""
        return self.row_px * len(STRIPS)

    @property
    def middle_px(self) -> float:
        """Height of the sides with their charts, which stand beside a side that is alone."""
        tallest = max(side.height_px for side in self.sides)
        if len(self.sides) > 1:
            return tallest + self.chart_px
        return max(tallest, self.chart_px + self.missing.height_px)

    @property
    def table_px(self) -> float:
        """Height of the table, in two columns under their heads."""
        return (1 + (len(self.table) + 1) // 2) * 1.3 * self.size_px if self.table else 0.0

    @property
    def height_px(self) -> float:
        """Height of all."""
        tail = max((column.height_px for column in self.tail), default=0.0)
        return self.head.height_px + self.middle_px + self.table_px + tail + 3 * RULE_PX


def plan_words(content: CaseContent) -> WordsPlan:
    """Return the page in the largest type that fits; in the smallest, cut short and saying so."""
    room = PAGE_PX[1] - 2 * MARGIN_PX
    below = _list_below(content)
    for size, row in (*((size, ROW_PX) for size in TYPE_PX), (TYPE_PX[-1], LOW_ROW_PX)):
        plan = _set_plan(content, below, size, row)
        if plan.height_px <= room:
            return plan
    while below and plan.height_px > room:
        below = below[:-1]
        cut = [*below, Paragraph(text=REST, bold=True, gap=0.6)]
        plan = _set_plan(content, cut, TYPE_PX[-1], LOW_ROW_PX)
    return plan


def draw_words(figure: Figure, plan: WordsPlan, femora: Sequence[FemurResult]) -> None:
    """Draw the planned page; `femora` are those of its sides."""
    y = MARGIN_PX
    draw_column(figure, plan.head, left_px=MARGIN_PX, top_px=y)
    y = _draw_rule(figure, y + plan.head.height_px)
    second_px = MARGIN_PX + HALF_PX + GAP_PX
    for number, (column, femur) in enumerate(zip(plan.sides, femora, strict=True)):
        x = second_px if number else MARGIN_PX
        draw_column(figure, column, left_px=x, top_px=y)
        alone = len(plan.sides) == 1
        with use_type(SMALL_PX):
            draw_classes(
                figure,
                femur.indices,
                left_px=second_px if alone else x,
                top_px=y if alone else y + plan.middle_px - plan.chart_px + 6,
                width_px=HALF_PX,
                row_px=plan.row_px,
                words_px=WORDS_PX,
            )
    if len(plan.sides) == 1:
        draw_column(figure, plan.missing, left_px=second_px, top_px=y + plan.chart_px)
    y = _draw_rule(figure, y + plan.middle_px)
    if plan.table:
        _draw_table(figure, plan, y)
        y = _draw_rule(figure, y + plan.table_px)
    for number, column in enumerate(plan.tail):
        draw_column(figure, column, left_px=second_px if number else MARGIN_PX, top_px=y)


def _set_plan(
    content: CaseContent, below: Sequence[Paragraph], size_px: float, row_px: float
) -> WordsPlan:
    return WordsPlan(
        head=set_column(_list_head(content), width_px=WIDTH_PX, size_px=size_px),
        sides=tuple(
            set_column(_list_side(side), width_px=HALF_PX, size_px=size_px)
            for side in content.sides
        ),
        missing=set_column(
            _list_bullets("Not measured", _list_missing(content)),
            width_px=HALF_PX,
            size_px=size_px,
        ),
        table=_list_table(content),
        tail=split_column(set_column(below, width_px=HALF_PX, size_px=size_px)),
        size_px=size_px,
        row_px=row_px,
    )


def _list_head(content: CaseContent) -> list[Paragraph]:
    who = " · ".join(f"{name}: {fact}" for name, fact in content.who.items())
    return [
        Paragraph(text="Femoral canal from CT", share=1.6, bold=True, gap=0.0),
        Paragraph(text=who, share=1.1, bold=True),
        *(Paragraph(text=sentence, bold=True) for sentence in content.review),
        Paragraph(text=content.standing),
    ]


def _list_side(side: SideContent) -> list[Paragraph]:
    """Return what is said of one femur."""
    said = [
        Paragraph(
            text=f"{side.side[0].upper()}  {side.side.capitalize()} femur", share=1.3, bold=True
        ),
        Paragraph(text=side.shape, share=1.1, bold=True),
        Paragraph(text=side.letter),
        Paragraph(text=f"Fixation, for discussion: {side.fixation}.", share=1.1, bold=True),
    ]
    for title, sentences in (
        ("Reasons", side.reasons),
        ("What speaks against", side.against),
        ("What would decide it", side.would_decide),
        ("In doubt", side.warnings),
    ):
        said += _list_bullets(title, sentences)
    return said


def _list_below(content: CaseContent) -> list[Paragraph]:
    """Return cautions, gaps, method and scan."""
    gaps = [
        f"{side.side.capitalize()}: {gap.reason} ({count_numbers(len(gap.names))})"
        for side in content.sides
        for gap in side.gaps
    ]
    missing = [*_list_missing(content), *gaps] or ["Every number could be measured."]
    same = {side.plane for side in content.sides}
    planes = [
        f"{'' if len(same) == 1 else f'{side.side.capitalize()}: '}ML and AP are those of "
        f"{side.plane}."
        for side in (content.sides[:1] if len(same) == 1 else content.sides)
    ]
    scan = "; ".join(f"{name}: {fact}" for name, fact in content.scan.items())
    return [
        *_list_bullets("Cautions", content.cautions),
        *_list_bullets("Not known here", [" ".join(content.unknown)]),
        *_list_bullets("Not measured, and why", missing),
        *_list_bullets("Method and scan", [content.method, *planes, scan, content.kvp]),
        # Last, since it may be long: where room is short, this is what report.html has alone.
        *_list_bullets("Published about fixation in such patients", _list_clinic(content)),
    ]


def _list_clinic(content: CaseContent) -> list[str]:
    stated = " ".join(content.clinic.stated)
    return [*([f"Stated: {stated}"] if stated else []), *content.clinic.cautions]


def _list_missing(content: CaseContent) -> list[str]:
    """Return why a side has no numbers."""
    unseen = [f"No {side} femur was found in the scan." for side in content.unseen]
    return [*content.refusals, *unseen]


def _list_bullets(title: str, sentences: Sequence[str]) -> list[Paragraph]:
    if not sentences:
        return []
    head = Paragraph(text=title, bold=True, gap=0.5)
    return [head, *(Paragraph(text=sentence, bullet=True) for sentence in sentences)]


def _list_table(content: CaseContent) -> tuple[tuple[str, ...], ...]:
    rows = {row.column: row for table in content.tables for row in table.rows}
    return tuple(
        (name, *rows[column].numbers) for column, name in KEY_COLUMNS.items() if column in rows
    )


def _draw_table(figure: Figure, plan: WordsPlan, top_px: float) -> None:
    """Draw the numbers in two columns, each under the names of the sides."""
    half = (len(plan.table) + 1) // 2
    across, down = figure.get_size_inches() * 72
    sides = ("", "Right", "Left") if len(plan.sides) == 2 else ("", "")
    for place, rows in enumerate((plan.table[:half], plan.table[half:])):
        left = MARGIN_PX + place * (HALF_PX + GAP_PX)
        for number, (name, *values) in enumerate((sides, *rows)):
            base = top_px + (number + 0.9) * 1.3 * plan.size_px
            ends = NUMBERS_PX[-len(values) :]
            for text, x, align in (
                (name, 0.0, "left"),
                *((value, end, "right") for value, end in zip(values, ends, strict=True)),
            ):
                figure.text(
                    (left + x) / across,
                    1 - base / down,
                    text,
                    fontsize=plan.size_px,
                    fontweight="bold" if number == 0 else "normal",
                    ha=align,
                    va="baseline",
                    parse_math=False,
                )


def _draw_rule(figure: Figure, top_px: float) -> float:
    """Draw a line over the whole width; return where the next part begins."""
    axes = place_axes(figure, MARGIN_PX, top_px + RULE_PX / 2 - 1, WIDTH_PX, 2)
    axes.axhline(0.5, color=FAINT, linewidth=1)
    axes.axis("off")
    return top_px + RULE_PX
