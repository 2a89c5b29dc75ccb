"""Paragraphs set into a column of a figure: wrapped by the font's own widths, measured first."""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import pairwise

from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont
from matplotlib.ft2font import FT2Font, LoadFlags

from canalmorph.report.drawing import INK

FAMILY = "DejaVu Sans"
#: Height of a line, and of the first line's baseline, in sizes of the type.
LEADING, ASCENT = 1.28, 0.96
#: Stands for a character that the font does not have.
UNKNOWN_GLYPH = "\N{WHITE SQUARE}"
_FONT_SIZE = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """A piece of text.

    Attributes
    ----------
    text : str
        What it says.
    share : float
        Its size in sizes of the body's type.
    bold : bool
        Whether it is set in bold.
    bullet : bool
        Whether it stands behind a dot.
    gap : float
        Room above it, in sizes of the body's type.
    colour : str
        Of the text.
    """

    text: str
    share: float = 1.0
    bold: bool = False
    bullet: bool = False
    gap: float = 0.15
    colour: str = INK


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One line, placed from the column's upper left corner [px]."""

    text: str
    left_px: float
    base_px: float
    size_px: float
    bold: bool
    colour: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """Paragraphs that have been set."""

    lines: tuple[Line, ...]
    height_px: float


def set_column(paragraphs: Iterable[Paragraph], *, width_px: float, size_px: float) -> Column:
    """Return paragraphs as lines of a column, and how tall it is.

    Parameters
    ----------
    paragraphs : iterable of Paragraph
        From the top down.
    width_px : float
        Of the column.
    size_px : float
        Of the body's type.
    """
    lines: list[Line] = []
    top = 0.0
    for paragraph in paragraphs:
        top += paragraph.gap * size_px
        size = paragraph.share * size_px
        indent = size if paragraph.bullet else 0.0
        wrapped = wrap_text(paragraph.text, (width_px - indent) / size, bold=paragraph.bold)
        for number, text in enumerate(wrapped):
            base = top + ASCENT * size
            words = [(text, indent, paragraph.bold)]
            if paragraph.bullet and number == 0:
                words.insert(0, ("•", 0.15 * size, False))
            lines += [
                Line(
                    text=word,
                    left_px=left,
                    base_px=base,
                    size_px=size,
                    bold=bold,
                    colour=paragraph.colour,
                )
                for word, left, bold in words
            ]
            top += LEADING * size
    return Column(lines=tuple(lines), height_px=top)


def split_column(column: Column) -> tuple[Column, Column]:
    """Return a column as two, broken between lines: the first the taller by as little as may be.

    No heading is left at the foot of the first.
    """
    bases = sorted({line.base_px for line in column.lines})
    for last, base in pairwise(bases):
        top = base - ASCENT * max(line.size_px for line in column.lines if line.base_px == base)
        ends_in_heading = any(line.bold for line in column.lines if line.base_px == last)
        if 2 * top >= column.height_px and not ends_in_heading:
            first = tuple(line for line in column.lines if line.base_px < base)
            second = tuple(
                replace(line, base_px=line.base_px - top)
                for line in column.lines
                if line.base_px >= base
            )
            return (
                Column(lines=first, height_px=top),
                Column(lines=second, height_px=column.height_px - top),
            )
    return column, Column(lines=(), height_px=0.0)


def draw_column(figure: Figure, column: Column, *, left_px: float, top_px: float) -> None:
    """Draw a column at a place of a figure."""
    across, down = figure.get_size_inches() * 72
    for line in column.lines:
        figure.text(
            (left_px + line.left_px) / across,
            1 - (top_px + line.base_px) / down,
            line.text,
            fontsize=line.size_px,
            fontweight="bold" if line.bold else "normal",
            color=line.colour,
            va="baseline",
            parse_math=False,  # a name may hold dollar signs
        )


@lru_cache(maxsize=1024)
def wrap_text(text: str, width: float, *, bold: bool = False) -> tuple[str, ...]:
    """Return a text in lines no wider than `width`, in sizes of its type; at least one line.

    Characters that the font does not have become `UNKNOWN_GLYPH`; a word that is too wide for a
    line is broken.

    Examples
    --------
    >>> wrap_text("one two three", 3.0)
    ('one', 'two', 'three')
    """
    lines = [""]
    tied = clean_text(text).replace(" %", "\N{NO-BREAK SPACE}%")
    for word in _break_words(filter(None, tied.split(" ")), width, bold):
        longer = f"{lines[-1]} {word}".strip()
        if lines[-1] and measure_text(longer, bold=bold) > width:
            lines.append(word)
        else:
            lines[-1] = longer
    return tuple(lines)


def _break_words(words: Iterable[str], width: float, bold: bool) -> Iterator[str]:
    for word in words:
        rest = word
        while rest:
            end = len(rest)
            while end > 1 and measure_text(rest[:end], bold=bold) > width:
                end -= 1
            yield rest[:end]
            rest = rest[end:]


def clean_text(text: str) -> str:
    """Return a text that the font can show, without control characters."""
    known = _load_font(False)[1]
    return "".join(
        one if ord(one) in known else " " if one.isspace() else UNKNOWN_GLYPH
        for one in text
        if one.isprintable() or one.isspace()
    )


def measure_text(text: str, *, bold: bool = False) -> float:
    """Return the width of a text in sizes of its type."""
    return sum(_measure_character(one, bold) for one in text)


@lru_cache(maxsize=4096)
def _measure_character(character: str, bold: bool) -> float:
    font = _load_font(bold)[0]
    glyph = font.load_char(ord(character), flags=LoadFlags.NO_HINTING)
    return float(glyph.linearHoriAdvance / 65536 / _FONT_SIZE)


@lru_cache(maxsize=2)
def _load_font(bold: bool) -> tuple[FT2Font, frozenset[int]]:
    """Return the font, and the characters that it has."""
    weight = "bold" if bold else "normal"
    font = FT2Font(findfont(FontProperties(family=FAMILY, weight=weight)))
    font.set_size(_FONT_SIZE, 72)
    return font, frozenset(font.get_charmap())
