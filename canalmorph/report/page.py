"""One self-contained page for one case: no network, no other file."""

from base64 import b64encode
from collections.abc import Sequence
from dataclasses import dataclass, replace
from hashlib import sha256
from importlib.resources import files
from pathlib import Path

from markupsafe import Markup

from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.report.classes_figure import draw_classes_figure
from canalmorph.report.content import CaseContent, SideContent
from canalmorph.report.cuts import READINGS, Cut, draw_cuts
from canalmorph.report.numbers import format_level
from canalmorph.report.outlines import list_marked_levels
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.sections_figure import draw_section_figures
from canalmorph.report.templating import load_template
from canalmorph.report.widths_figure import draw_widths_figure


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A level that has a button."""

    label: str
    level_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SidePart:
    """What the page says and shows of one femur; pictures are SVG of our own making.

    Attributes
    ----------
    words : SideContent
        What is said.
    classes_svg, widths_svg, section_svgs
        The still pictures; absent where the CT is.
    cuts : tuple of Cut
        The slider's sections.
    first : Cut or None
        The one that is shown at first.
    marks : tuple of Mark
        The slider's buttons.
    """

    words: SideContent
    classes_svg: Markup
    widths_svg: Markup | None = None
    section_svgs: tuple[Markup, ...] = ()
    cuts: tuple[Cut, ...] = ()
    first: Cut | None = None
    marks: tuple[Mark, ...] = ()

    @property
    def readings(self) -> list[tuple[str, str]]:
        """Names and texts of the numbers of the section that is shown at first."""
        return [] if self.first is None else list(zip(READINGS, self.first.readings, strict=True))


def write_page(
    case: CaseResult, content: CaseContent, pictures: Sequence[FemurPictures], path: Path
) -> None:
    """Write the page of one case.

    Parameters
    ----------
    case : CaseResult
        The numbers that are drawn.
    content : CaseContent
        What is said of them.
    pictures : sequence of FemurPictures
        Matched to the case by side; a side that is not among them has its numbers without CT
        pictures.
    path : Path
        Usually ``RESULTS/cases/CASE_ID/report.html``; its folder must exist.

    Raises
    ------
    OSError
        If the file cannot be written.
    """
    text = make_page(case, content, pictures)
    path.write_text(text, encoding="utf-8", errors="replace", newline="\n")


def make_page(case: CaseResult, content: CaseContent, pictures: Sequence[FemurPictures]) -> str:
    """Return the page of `write_page` as text."""
    by_side = {taken.side: taken for taken in pictures}
    parts = [
        _make_side(femur, words, by_side.get(femur.side))
        for femur, words in zip(case.femora, content.sides, strict=True)
    ]
    script = (files("canalmorph.report") / "templates" / "page.js").read_text(encoding="utf-8")
    digest = b64encode(sha256(script.encode()).digest()).decode("ascii")
    return load_template("page.html").render(
        content=content,
        sides=parts,
        # The page's own script, and the one that its policy lets run.
        script=Markup(script),
        script_hash=f"sha256-{digest}",
    )


def _make_side(femur: FemurResult, words: SideContent, pictures: FemurPictures | None) -> SidePart:
    side = femur.side.value
    # Our own SVG of our own numbers and words: no text of the file is in it.
    classes = Markup(draw_classes_figure(femur, prefix=f"{side}-classes"))
    if pictures is None:
        return SidePart(words=words, classes_svg=classes)
    sections = draw_section_figures(femur, pictures, prefix=f"{side}-section")
    cuts = tuple(replace(cut, svg=Markup(cut.svg)) for cut in draw_cuts(femur, pictures))
    return SidePart(
        words=words,
        classes_svg=classes,
        widths_svg=Markup(draw_widths_figure(femur, pictures, prefix=f"{side}-widths")),
        section_svgs=tuple(Markup(section) for section in sections),
        cuts=cuts,
        first=min(cuts, key=lambda cut: abs(cut.level_mm)),
        marks=tuple(
            Mark(
                label="isthmus" if level.name == "isthmus" else format_level(level.level_mm),
                level_mm=level.level_mm,
            )
            for level in list_marked_levels(femur)
        ),
    )
