"""``report.pdf``: the case on two A4 pages, words and numbers first, then the pictures.

Drawn in the page's pixels and scaled onto the paper; letters are embedded, so that text can be
copied.
"""

import io
from collections.abc import Sequence
from pathlib import Path

from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from pypdf import PdfWriter
from pypdf.generic import ArrayObject, NameObject, RectangleObject, StreamObject

from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.report.content import CaseContent
from canalmorph.report.drawing import start_figure, use_style, use_type
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.sections_figure import draw_section, list_marked_sections
from canalmorph.report.sheet_words import (
    GAP_PX,
    MARGIN_PX,
    PAGE_PX,
    SMALL_PX,
    WIDTH_PX,
    draw_words,
    plan_words,
)
from canalmorph.report.typeset import Paragraph, draw_column, set_column
from canalmorph.report.widths_figure import draw_widths, plan_widths

PT_PER_PX, CONTENTS = 0.6, "/Contents"
#: Room of a side, its tallest film, and the side of a section. [px]
SIDE_PX, FILM_PX, SECTION_PX = 640.0, 345.0, 170.0
KEY = (
    "Projections computed from the CT, unmagnified: AP with the patient's right on the viewer's "
    "left, lateral seen from the lateral side. Solid blue: outer; dashed orange: canal; "
    "dash-dotted white: shaft axis; circle: head. Chart: widths by level with twice their "
    "uncertainty. Sections: seen from below, front up; A front, P back, med medial, "
    "lat lateral; widths in mm."
)


def write_sheet(
    case: CaseResult, content: CaseContent, pictures: Sequence[FemurPictures], path: Path
) -> None:
    """Write the paper of one case; arguments as in `canalmorph.report.page.write_page`.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    path.write_bytes(make_sheet(case, content, pictures))


def make_sheet(case: CaseResult, content: CaseContent, pictures: Sequence[FemurPictures]) -> bytes:
    """Return the paper of `write_sheet` as a PDF file; without pictures it is one page."""
    by_side = {taken.side: taken for taken in pictures}
    shown = [(femur, by_side[femur.side]) for femur in case.femora if femur.side in by_side]
    drawn = io.BytesIO()
    # One file, so that its pages share their letters; without a date, so that the same case makes
    # the same file.
    facts = {"Title": content.title, "CreationDate": None}
    # The letters are written at the end, in the style of that moment.
    with use_style(), PdfPages(drawn, metadata=facts) as pages:
        with start_figure(*PAGE_PX) as figure:
            draw_words(figure, plan_words(content), case.femora)
            _draw_foot(figure, content, "page 1 of 2" if shown else "page 1 of 1, no CT pictures")
            pages.savefig(figure)
        if shown:
            with start_figure(*PAGE_PX) as figure:
                _draw_pictures(figure, shown)
                _draw_foot(figure, content, "page 2 of 2")
                pages.savefig(figure)
    return _scale_pages(drawn)


def _scale_pages(drawn: io.BytesIO) -> bytes:
    """Return a file whose pages are scaled onto the paper, by one operator before their content."""
    writer = PdfWriter(clone_from=drawn)
    before, after = StreamObject(), StreamObject()
    before.set_data(f"q {PT_PER_PX:g} 0 0 {PT_PER_PX:g} 0 0 cm\n".encode())
    after.set_data(b"\nQ")
    for page in writer.pages:
        content = page.raw_get(CONTENTS)
        streams = [writer._add_object(before), content, writer._add_object(after)]
        page[NameObject(CONTENTS)] = ArrayObject(streams)
        page.mediabox = RectangleObject((0, 0, *(PT_PER_PX * edge for edge in PAGE_PX)))
    stream = io.BytesIO()
    writer.write(stream)
    return stream.getvalue()


def _draw_foot(figure: Figure, content: CaseContent, page: str) -> None:
    who = content.who.get("Name", "")
    words = " · ".join(
        part for part in (content.title, who, page, content.scan["Software"]) if part
    )
    foot = [Paragraph(text=f"{words} · for discussion, no medical device", colour="#4a5458")]
    column = set_column(foot, width_px=WIDTH_PX, size_px=10.5)
    draw_column(figure, column, left_px=MARGIN_PX, top_px=PAGE_PX[1] - MARGIN_PX + 8)


def _draw_pictures(figure: Figure, shown: Sequence[tuple[FemurResult, FemurPictures]]) -> None:
    """Draw each side's films and chart over its sections."""
    for number, (femur, pictures) in enumerate(shown):
        top = MARGIN_PX + number * SIDE_PX
        title = Paragraph(
            text=f"{femur.side.value.capitalize()} femur", share=1.3, bold=True, gap=0
        )
        column = set_column([title], width_px=WIDTH_PX, size_px=12.5)
        draw_column(figure, column, left_px=MARGIN_PX, top_px=top)
        top += column.height_px
        layout = plan_widths(pictures, FILM_PX)
        draw_widths(figure, femur, pictures, layout, left_px=MARGIN_PX, top_px=top)
        top += layout.total_px
        for place, (level, section) in enumerate(list_marked_sections(femur, pictures)):
            left = MARGIN_PX + place * (SECTION_PX + (WIDTH_PX - 5 * SECTION_PX) / 4)
            with use_type(SMALL_PX):
                draw_section(figure, left, top, femur, level, section, panel_px=SECTION_PX)
    top = MARGIN_PX + len(shown) * SIDE_PX
    key = set_column([Paragraph(text=KEY, colour="#4a5458")], width_px=WIDTH_PX, size_px=11)
    draw_column(figure, key, left_px=MARGIN_PX, top_px=top - GAP_PX / 2)
