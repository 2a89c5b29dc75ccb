"""A surgeon's day: from the list on a file share to the seven answers of one page."""

import csv
import io
import re
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from closed_day import SHAPES as KNOWN_SHAPES
from closed_femora import Shape
from pypdf import PdfReader

playwright = pytest.importorskip("playwright.sync_api")
pytestmark = pytest.mark.browser

#: Invented patients by what their canals are.
SHAPES = {
    "stovepipe": KNOWN_SHAPES["stovepipe"],
    "normal": KNOWN_SHAPES["normal"],
    "champagne_flute": KNOWN_SHAPES["flute"],
    "borderline": replace(
        KNOWN_SHAPES["normal"], isthmus_radius_mm=7.0, flare=3.02, flare_u=0.1, wall_mm=8.5
    ),
}
#: What a tablet shows, held upright. [px]
TABLET_PX = (820, 1180)


@pytest.fixture(scope="module")
def results(
    measure_shapes: Callable[[Path, Mapping[str, Shape]], Path],
    tmp_path_factory: pytest.TempPathFactory,
) -> Path:
    return measure_shapes(tmp_path_factory.mktemp("share"), SHAPES)


@pytest.fixture(scope="module")
def rows(results: Path) -> dict[str, dict[str, str]]:
    """The femora by what they were drawn as; the flare tells them apart."""
    with (results / "femurs.csv").open(encoding="utf-8", newline="") as stream:
        by_flare = {f"{float(row['cfi_ml']):.2f}": row for row in csv.DictReader(stream)}
    return {name: by_flare[f"{shape.flare:.2f}"] for name, shape in SHAPES.items()}


@pytest.fixture(scope="module")
def tablet(browser: "playwright.Browser", results: Path) -> Iterator["playwright.Page"]:
    """The list of all cases, opened as a file."""
    page = browser.new_page(
        viewport={"width": TABLET_PX[0], "height": TABLET_PX[1]}, has_touch=True
    )
    yield page
    page.close()


def read_answers(text: str) -> dict[str, str]:
    """Return the seven answers, as a reader finds them by the words that lead to them."""
    # A browser prints ligatures.
    text = re.sub(r"\s+", " ", unicodedata.normalize("NFKC", text))

    def find(pattern: str) -> str:
        found = re.search(pattern, text)
        assert found is not None, (pattern, text[:3000])
        return found[1].strip()

    return {
        "side": find(r"\b(Right|Left) femur"),
        "type": find(r"Canal shape: ([^;(]*)[;(]"),
        "how sure": find(r"Canal shape: [^.;]*?([\d.]+ %)"),
        "suggestion": find(r"Fixation, for discussion: ([^.]*)\."),
        "why": find(r"Reasons (.*?) What speaks against"),
        "against": find(r"What speaks against (.*?) (?:What would decide it|In doubt|Letter)"),
        "not measured": find(r"Not measured, and why (.*?) Method"),
    }


EXPECTED = {
    "stovepipe": ("stovepipe", "the numbers speak for cement"),
    "normal": ("normal", "the numbers speak for press-fit"),
    "champagne_flute": ("champagne flute", "the numbers speak for press-fit"),
    "borderline": ("undecided, stovepipe", "undecided"),
}


def check_answers(answers: dict[str, str], name: str, row: Mapping[str, str]) -> None:
    assert answers["side"] == row["side"].capitalize() == "Right"
    assert (answers["type"].strip(), answers["suggestion"]) == EXPECTED[name]
    assert "lare index" in answers["why"]
    assert len(answers["against"]) > 20
    # The left femur, and what no scan of a hip can show.
    for reason in ("No left femur was found", "The scan ends above the knee."):
        assert reason in answers["not measured"]
    chances = [float(row[f"p_{each}"]) for each in ("stovepipe", "normal", "champagne_flute")]
    share = int(answers["how sure"].removesuffix(" %")) / 100
    assert share == pytest.approx(chances[0] if name == "borderline" else max(chances), abs=0.011)


@pytest.mark.parametrize("name", SHAPES)
def test_the_seven_answers_are_found_on_tablet_and_paper(
    tablet: "playwright.Page", results: Path, rows: dict[str, dict[str, str]], name: str
) -> None:
    row = rows[name]
    tablet.goto((results / "cohort.html").as_uri())
    line = tablet.locator("tr", has_text=row["case_id"])
    for words in EXPECTED[name]:
        assert words in line.inner_text()
    assert tablet.evaluate("document.documentElement.scrollWidth") <= TABLET_PX[0]
    line.get_by_role("link", name="report", exact=False).first.click()
    tablet.wait_for_url("**/report.html")
    assert tablet.evaluate("document.documentElement.scrollWidth") <= TABLET_PX[0]
    shown = tablet.inner_text("body")
    check_answers(read_answers(shown), name, row)
    # Type and suggestion are seen without a scroll.
    for place in (".type", ".suggestion"):
        box = tablet.locator(place).first.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < TABLET_PX[1]
    printed = PdfReader(io.BytesIO(tablet.pdf(prefer_css_page_size=True)))
    check_answers(read_answers(" ".join(p.extract_text() for p in printed.pages)), name, row)
    sheet = PdfReader(results / "cases" / row["case_id"] / "report.pdf")
    paper = re.sub(r"\s+", " ", sheet.pages[0].extract_text())
    for text in (shown, paper):
        decided_by = re.search(r"What would decide it.*lies at the bound 3; known to", text, re.S)
        assert (decided_by is not None) == (name == "borderline")
    for words in EXPECTED[name]:
        assert words in paper
