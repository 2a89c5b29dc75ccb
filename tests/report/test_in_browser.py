"""The page in a browser: no network, keyboard, whole figures on paper, accessible."""

import io
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from pypdf import PdfReader

from canalmorph.model.results import CaseResult
from canalmorph.model.volume import PatientFacts
from canalmorph.report.content import make_content
from canalmorph.report.page import write_page
from canalmorph.report.pictures import FemurPictures

playwright = pytest.importorskip("playwright.sync_api")
Case = tuple[CaseResult, tuple[FemurPictures, ...]]
pytestmark = pytest.mark.browser
HOSTILE = '<script>document.title="taken"</script><img src=http://x.invalid/y onerror=alert(1)>'


@pytest.fixture(scope="module")
def file(whole_case: Case, tmp_path_factory: pytest.TempPathFactory) -> Path:
    case, pictures = whole_case
    hostile = replace(
        case,
        patient=PatientFacts(name=HOSTILE, identifier=HOSTILE),
        scan=replace(case.scan, kernel=HOSTILE),
    )
    path = tmp_path_factory.mktemp("page") / "report.html"
    write_page(hostile, make_content(hostile), pictures, path)
    return path


class Opened:
    """A page with what it asked for and complained of."""

    def __init__(self, browser: "playwright.Browser", file: Path, width: int) -> None:
        self.page = browser.new_page(viewport={"width": width, "height": 900})
        self.requests: list[str] = []
        self.complaints: list[str] = []
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.on("console", lambda message: self.complaints.append(message.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        self.page.goto(file.as_uri())


@pytest.fixture(scope="module")
def opened(browser: "playwright.Browser", file: Path) -> Iterator[Opened]:
    one = Opened(browser, file, 1280)
    yield one
    one.page.close()


def test_it_asks_for_nothing_and_complains_of_nothing(opened: Opened, file: Path) -> None:
    asked = [url for url in opened.requests if not url.startswith("data:")]
    assert asked == [file.as_uri()]
    assert opened.complaints == []


def test_texts_of_the_file_are_shown_as_they_are(opened: Opened) -> None:
    assert opened.page.title() == "Femoral canal, case 5f2c9be01d77"
    assert opened.page.inner_text("header").count(HOSTILE) == 2
    assert opened.page.locator("img").count() == 0


def _read_side(opened: Opened, side: str) -> tuple[str, str, float]:
    """Return the level that is shown, its canal ML width, and where the film's line stands [px]."""
    panel = opened.page.locator(f"section[aria-labelledby={side}-pictures]")
    line = panel.locator("svg[data-zero-px] g[id*='-cursor-ml']")
    shift = line.get_attribute("transform") or "translate(0 0)"
    return (
        panel.locator("output").inner_text(),
        panel.locator(".through td").nth(2).inner_text(),
        float(shift.split()[1].rstrip(")")),
    )


def test_keys_move_section_numbers_and_lines_of_both_sides(opened: Opened) -> None:
    page = opened.page
    slider = page.locator("#right-level")
    slider.focus()
    page.keyboard.press("Home")
    assert _read_side(opened, "right")[0] == "LT−168"
    page.keyboard.press("End")
    top = _read_side(opened, "right")
    page.keyboard.press("ArrowLeft")
    lower = _read_side(opened, "right")
    assert (top[0], lower[0]) == ("LT+40", "LT+36")
    # Four millimetres further down on the film.
    scale = float(page.locator("svg[data-zero-px]").first.get_attribute("data-px-per-mm") or 0)
    assert lower[2] - top[2] == pytest.approx(4 * scale, abs=0.5)
    assert _read_side(opened, "left")[0] == "LT+36"
    assert page.locator(".cut:visible").count() == 2
    assert "canal ML" in (slider.get_attribute("aria-valuetext") or "")


def test_a_button_goes_to_its_level_with_the_tables_number(
    opened: Opened, whole_case: Case
) -> None:
    panel = opened.page.locator("section[aria-labelledby=right-pictures]")
    panel.get_by_role("button", name="LT−100").click()
    level, width, _ = _read_side(opened, "right")
    number = whole_case[0].femora[0].indices.values["canal_ml_lt_minus100_mm"].value
    assert level == "LT−100"
    assert float(width.split()[0]) == pytest.approx(number, abs=0.005)
    assert panel.get_by_role("button", name="LT−100").get_attribute("aria-pressed") == "true"


def test_a_side_may_move_alone(opened: Opened) -> None:
    page = opened.page
    page.locator(".through input[type=checkbox]").first.uncheck()
    page.locator("#left-level").focus()
    page.keyboard.press("Home")
    assert _read_side(opened, "left")[0] == "LT−168"
    assert _read_side(opened, "right")[0] == "LT−100"
    assert not page.locator(".through input[type=checkbox]").last.is_checked()
    page.locator(".through input[type=checkbox]").last.check()


def test_a_click_into_a_projection_goes_to_that_level(opened: Opened) -> None:
    film = opened.page.locator("section[aria-labelledby=right-pictures] svg[data-zero-px]")
    film.scroll_into_view_if_needed()
    box = film.bounding_box()
    zero = float(film.get_attribute("data-zero-px") or 0)
    scale = float(film.get_attribute("data-px-per-mm") or 0)
    height = float((film.get_attribute("viewBox") or "").split()[3])
    assert box is not None
    film.click(position={"x": 150, "y": (zero + 60 * scale) * box["height"] / height})
    assert _read_side(opened, "right")[0] == "LT−60"


@pytest.mark.parametrize("width", [1280, 820])
def test_nothing_is_wider_than_the_window(
    browser: "playwright.Browser", file: Path, width: int
) -> None:
    one = Opened(browser, file, width)
    one.page.evaluate("document.querySelectorAll('details').forEach(part => { part.open = true; })")
    assert one.page.evaluate("document.documentElement.scrollWidth") <= width
    one.page.close()


def test_a_reader_without_script_sees_a_section(browser: "playwright.Browser", file: Path) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(file.as_uri())
    assert page.locator(".cut:visible").count() == 2
    assert page.locator(".control:visible").count() == 0
    context.close()


def test_printed_it_has_every_figure_whole_and_nothing_folded(opened: Opened) -> None:
    printed = PdfReader(io.BytesIO(opened.page.pdf(prefer_css_page_size=True)))
    text = " ".join(sheet.extract_text() for sheet in printed.pages)
    assert "canal_ml_lt_minus100_mm" in text
    assert "Widest rod" in text
    # A figure that is taller than a sheet of A4 less its margins would be cut.
    opened.page.emulate_media(media="print")
    tall = opened.page.evaluate(
        "Array.from(document.querySelectorAll('figure svg'))"
        ".map(svg => svg.getBoundingClientRect().height)"
    )
    opened.page.emulate_media(media="screen")
    assert max(tall) < (297 - 22) / 25.4 * 96
    assert opened.page.locator("details:not([open])").count() > 0


def test_it_has_no_serious_finding_of_accessibility(opened: Opened) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    opened.page.evaluate("document.querySelectorAll('details').forEach(p => { p.open = true; })")
    found = axe.run(opened.page).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"][:200])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert serious == []
