"""The page of an acceptance: one self-contained file, no script, no network."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from markupsafe import Markup

from canalmorph.export.files import write_atomically
from canalmorph.report.templating import load_template
from canalmorph_cli.acceptance.figures import (
    draw_promises_figure,
    draw_scores_figure,
    draw_study_figure,
    draw_thickness_figure,
)
from canalmorph_cli.acceptance.judging import FEWEST_FEMORA, Domain
from canalmorph_cli.acceptance.listing import (
    DOMAIN_WORDS,
    describe_broken,
    describe_verdict,
    list_published,
    list_rows,
    list_scans,
)
from canalmorph_cli.acceptance.plain_methods import THRESHOLD_HU
from canalmorph_cli.acceptance.records import FEMUR_MEASURED, Record
from canalmorph_cli.acceptance.run import AcceptanceResult
from canalmorph_cli.acceptance.summaries import summarise

PAGE_NAME = "verify.html"


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPart:
    """One study on the page."""

    title: str
    note: str
    svg: Markup


def write_verify_page(result: AcceptanceResult, folder: Path) -> Path:
    """Write ``verify.html`` and return where it is.

    Parameters
    ----------
    result : AcceptanceResult
        What to show.
    folder : Path
        Must exist.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    path = folder / PAGE_NAME
    write_atomically(path, make_verify_page(result).encode("utf-8"))
    return path


def make_verify_page(result: AcceptanceResult, *, now: datetime | None = None) -> str:
    """Return the page as text.

    Parameters
    ----------
    result : AcceptanceResult
        What to show.
    now : datetime, optional
        Written on the page; by default this moment.
    """
    template = load_template("verify.html", package="canalmorph_cli.acceptance")
    rows = {domain: list_rows(result, domain) for domain in Domain}
    return template.render(
        result=result,
        now=(now or datetime.now().astimezone()).strftime("%Y-%m-%d %H:%M"),
        minutes=f"{result.seconds / 60:.1f}",
        n_femora=_count_femora(result.records),
        verdict=describe_verdict(result),
        broken=[describe_broken(one) for one in result.broken],
        domains=[(DOMAIN_WORDS[domain], rows[domain]) for domain in Domain if rows[domain]],
        fewest_femora=FEWEST_FEMORA,
        threshold_hu=f"{THRESHOLD_HU:.0f}",
        # Our own SVG of our own numbers and words.
        promises_svg=Markup(draw_promises_figure(result)),
        thickness_svg=Markup(draw_thickness_figure(result)),
        scores_svg=Markup(draw_scores_figure(result)),
        scores=summarise(one for one in result.records if one.z is not None),
        published=list_published(result),
        studies=[
            StudyPart(
                title=found.study.title,
                note=found.study.note,
                svg=Markup(draw_study_figure(found)),
            )
            for found in result.studies
        ],
        scans=list(list_scans(result)),
    )


def _count_femora(records: Iterable[Record]) -> int:
    return len({(one.scan, one.side) for one in records if one.column == FEMUR_MEASURED})
