"""Every action on the page, in a browser: drag, keys, paint, choose, undo, sign; two browsers."""

import shutil
from collections.abc import Iterator
from dataclasses import replace
from math import cos, sin
from pathlib import Path
from typing import Any

import pytest

from canalmorph.batch.clinic import read_clinic, write_clinic
from canalmorph.review.app import make_address
from canalmorph.review.desk import ReviewDesk, open_desk
from canalmorph.review.guard import Keys

playwright = pytest.importorskip("playwright.sync_api")
pytestmark = pytest.mark.browser
HOSTILE = '<script>document.title="taken"</script><img src=x onerror=alert(1)>'
#: Tests share two cores with others. [ms]
PATIENCE_MS = 300_000


class Served:
    """A served folder and the browser that looks at it."""

    def __init__(self, browser: "playwright.Browser", port: int, keys: Keys, desk: ReviewDesk):
        self._browser, self._port, self._keys, self.desk = browser, port, keys, desk
        self.origin = f"http://127.0.0.1:{port}"
        self.complaints: list[str] = []
        self.requests: list[str] = []

    def open(self) -> "playwright.Page":
        context = self._browser.new_context(viewport={"width": 1400, "height": 1000})
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        page.on("console", lambda message: self.complaints.append(message.text))
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("dialog", lambda dialog: self.complaints.append(dialog.message))
        page.on("request", lambda request: self.requests.append(request.url))
        page.goto(make_address(self._port, self._keys))
        page.wait_for_selector("#rows tr")
        return page


@pytest.fixture(scope="module")
def demo_pair(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return results of the demo's patient of whom both femora are in view, measured for this."""
    from canalmorph.batch.run import measure_inputs
    from canalmorph.pipeline import Settings
    from canalmorph_cli.clinic import list_clinic_scans
    from canalmorph_cli.commands.demo import write_scan

    folder = tmp_path_factory.mktemp("demo")
    write_scan(list_clinic_scans()[1], folder / "scans")
    return measure_inputs([folder / "scans"], folder / "out", Settings()).folder


@pytest.fixture(
    scope="module", params=["measured", pytest.param("demo_pair", marks=pytest.mark.slow)]
)
def served(
    browser: "playwright.Browser",
    serve_desk: Any,
    tmp_path_factory: pytest.TempPathFactory,
    request: pytest.FixtureRequest,
) -> Iterator[Served]:
    """Serve a case of one femur in coarse voxels; by hand, every action again on a demo patient."""
    measured: Path = request.getfixturevalue(request.param)
    results = Path(shutil.copytree(measured, tmp_path_factory.mktemp("served") / "out"))
    (case,) = (results / "cases").iterdir()
    clinic = read_clinic(case / "clinic.json")
    named = replace(clinic.patient, name=HOSTILE, identifier=HOSTILE)
    write_clinic(case / "clinic.json", replace(clinic, patient=named))
    with open_desk(results) as desk, serve_desk(desk) as door:
        yield Served(browser, door.port, door.keys, desk)


@pytest.fixture(scope="module")
def page(served: Served) -> Iterator["playwright.Page"]:
    page = served.open()
    page.click("#rows a")
    wait_shown(page, 0)
    page.fill("#by", "M. Okoro")
    yield page
    page.context.close()


def wait_shown(page: "playwright.Page", version: int) -> None:
    page.wait_for_selector(f"body[data-shown^='{version} ']")


def read_version(page: "playwright.Page") -> int:
    return int((page.get_attribute("body", "data-shown") or "").split()[0])


def read_number(page: "playwright.Page", column: str) -> tuple[str, str]:
    cells = page.locator(f"tr[data-column={column}] td")
    return cells.nth(0).inner_text(), cells.nth(1).inner_text()


def choose_tool(page: "playwright.Page", tool: str) -> None:
    page.select_option("#tool", tool)


def drag(page: "playwright.Page", handle: str, dx: float, dy: float) -> None:
    grip = page.locator(f"[data-handle='{handle}'] .grip")
    grip.scroll_into_view_if_needed()
    box = grip.bounding_box()
    assert box is not None
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + dx / 2, y + dy / 2, steps=3)
    page.mouse.move(x + dx, y + dy, steps=3)
    page.mouse.up()


def undo(page: "playwright.Page") -> None:
    version = read_version(page)
    page.click("#undo")
    wait_shown(page, version + 1)


def test_the_list_shows_the_case_and_keys_open_it(served: Served) -> None:
    page = served.open()
    row = page.inner_text("#rows tr")
    assert "to see" in row
    assert "normal" in row
    first = page.locator("#rows img").first
    assert first.evaluate("image => image.decode().then(() => image.width)") > 0
    page.select_option("select[name=state]", "signed")
    page.wait_for_selector("#nothing:not([hidden])")
    page.select_option("select[name=state]", "")
    page.wait_for_selector("#rows a")
    page.locator("h1").click()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    wait_shown(page, 0)
    page.click("#list")
    page.wait_for_selector("#rows a")
    page.context.close()


def test_two_thousand_cases_are_paged_filtered_and_sorted(
    browser: "playwright.Browser", many: Path, serve_desk: Any
) -> None:
    with open_desk(many) as desk, serve_desk(desk) as door:
        page = Served(browser, door.port, door.keys, desk).open()
        assert page.inner_text("#where") == "1 to 50 of 2000"
        page.click("#on")
        page.wait_for_selector("#where:text-is('51 to 100 of 2000')")
        page.select_option("select[name=flag]", "metal")
        page.wait_for_selector("#where:text-is('1 to 50 of 398')")
        page.select_option("select[name=sort]", "cfi")
        page.check("input[name=down]")
        page.wait_for_selector("#rows tr:has-text('CFI 6.95')")
        page.fill("input[name=text]", "g00000001995")
        page.wait_for_selector("#where:text-is('1 to 1 of 1')")
        page.reload()
        page.wait_for_selector("#where:text-is('1 to 1 of 1')")
        page.context.close()


def test_a_hostile_name_is_text(page: "playwright.Page") -> None:
    assert page.inner_text("#who").count(HOSTILE) == 2
    assert page.title().startswith("Case ")
    assert page.locator("img").count() == 0


def test_the_first_paint_has_pictures_outlines_and_numbers(page: "playwright.Page") -> None:
    for name in ("ap", "lateral", "section"):
        href = page.locator(f"#{name} image").get_attribute("href") or ""
        assert href.startswith("data:image/png;base64,")
        assert page.locator(f"#{name} path.outer").count() > 0
    assert page.locator("#readings tr").count() == 9


def test_dragging_a_line_moves_the_trochanter(page: "playwright.Page") -> None:
    choose_tool(page, "marks")
    version = read_version(page)
    before = read_number(page, "isthmus_level_mm")
    assert before[0] == before[1]
    drag(page, "lesser trochanter, ap", 0, -14)
    wait_shown(page, version + 1)
    automatic, now = read_number(page, "isthmus_level_mm")
    assert automatic == before[0]
    # Upwards on the film is a higher level 0, and a lower level of what lies below.
    assert float(now.split()[0].replace("−", "-")) < float(automatic.split()[0].replace("−", "-"))
    assert page.locator("#ap .found").count() > 0
    page.wait_for_selector(f"body[data-complete='{version + 1}']")
    undo(page)
    assert read_number(page, "isthmus_level_mm") == before


@pytest.mark.parametrize(
    ("handle", "move", "column"),
    [
        pytest.param("isthmus, ap", (0, 20), "isthmus_level_mm", marks=pytest.mark.slow),
        ("head centre, ap", (6, -6), "neck_shaft_angle_deg"),
        pytest.param("head centre, lateral", (16, 0), "femoral_offset_mm", marks=pytest.mark.slow),
        pytest.param("head radius, ap", (6, 0), "head_diameter_mm", marks=pytest.mark.slow),
        ("neck middle, ap", (0, -12), "neck_shaft_angle_deg"),
        ("plane of ML", (0, 30), "canal_ml_lt_mm"),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_dragging_a_landmark_changes_its_number(
    page: "playwright.Page", handle: str, move: tuple[float, float], column: str
) -> None:
    choose_tool(page, "marks")
    version = read_version(page)
    drag(page, handle, *move)
    wait_shown(page, version + 1)
    automatic, now = read_number(page, column)
    assert automatic != now
    undo(page)
    assert read_number(page, column) == (automatic, automatic)


def test_arrow_keys_move_a_landmark_by_half_a_millimetre(page: "playwright.Page") -> None:
    choose_tool(page, "marks")
    version = read_version(page)
    handle = page.locator("[data-handle='head radius, ap']")
    handle.focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    wait_shown(page, version + 1)
    automatic, now = (float(text.split()[0]) for text in read_number(page, "head_diameter_mm"))
    assert now - automatic == pytest.approx(4.0, abs=0.06)  # rounded for the page
    undo(page)


def test_an_outline_is_painted(page: "playwright.Page") -> None:
    page.locator("#slider").fill("20")
    choose_tool(page, "canal_outline")
    version = read_version(page)
    box = page.locator("#section").bounding_box()
    assert box is not None
    page.locator("#section").scroll_into_view_if_needed()
    box = page.locator("#section").bounding_box()
    assert box is not None
    x, y, radius = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2, 40.0
    turns = [step * 6.2832 / 40 for step in range(40)]
    page.mouse.move(x + radius, y)
    page.mouse.down()
    for turn in turns:
        page.mouse.move(x + radius * cos(turn), y + radius * sin(turn))
    page.mouse.up()
    wait_shown(page, version + 1)
    assert "hand drawn" in page.inner_text("#doubt")
    undo(page)


def test_metal_fracture_and_plane_are_marked(page: "playwright.Page") -> None:
    for tool, word in (
        ("metal", "etal"),
        ("fracture", "fracture of the shaft"),
        ("neck_fracture", "fracture of the neck"),
    ):
        choose_tool(page, tool)
        version = read_version(page)
        box = page.locator("#ap").bounding_box()
        assert box is not None
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 0.85 * box["height"])
        wait_shown(page, version + 1)
        assert word in page.inner_text("#warnings")
        assert page.locator("#ap path.spot").count() == 1
        if tool == "neck_fracture":
            assert read_number(page, "head_diameter_mm")[1] == "–"
        undo(page)
        assert page.locator("#ap path.left").count() >= 1
    choose_tool(page, "look")
    version = read_version(page)
    page.select_option("#plane", "scanner")
    wait_shown(page, version + 1)
    assert "scanner" in page.inner_text("#type")
    page.click("#withdraw")
    wait_shown(page, version + 2)
    assert "shaft and neck" in page.inner_text("#type")


def test_pictures_follow_window_zoom_outlines_and_slices(page: "playwright.Page") -> None:
    choose_tool(page, "look")
    image = page.locator("#section image")
    before = image.get_attribute("href")
    page.locator("#window").fill("600")
    assert image.get_attribute("href") != before
    box = page.get_attribute("#ap", "viewBox")
    page.locator("#zoom").fill("3")
    assert page.get_attribute("#ap", "viewBox") != box
    page.locator("#zoom").fill("1")
    assert page.get_attribute("#ap", "viewBox") == box
    page.locator("#outlines").uncheck()
    assert page.locator("path.outer").count() == 0
    page.locator("#outlines").check()
    page.locator("#axial").check()
    page.wait_for_selector("#section path.outer", state="detached")
    page.locator("#axial").uncheck()
    page.wait_for_selector("#section path.outer", state="attached")
    level = page.inner_text("#level")
    film = page.locator("#ap").bounding_box()
    assert film is not None
    page.mouse.click(film["x"] + film["width"] / 2, film["y"] + 0.5 * film["height"])
    page.wait_for_selector(f"#level:not(:text-is('{level}'))")


def test_sides_are_exchanged_and_left_out(page: "playwright.Page") -> None:
    before = page.locator("#sides button").all_inner_texts()
    version = read_version(page)
    page.click("#swap")
    wait_shown(page, version + 1)
    other = {"right": "left", "left": "right"}
    assert sorted(page.locator("#sides button").all_inner_texts()) == sorted(
        other[side] for side in before
    )
    assert "left and right exchanged" in page.inner_text("#state")
    undo(page)
    assert page.locator("#sides button").all_inner_texts() == before
    page.click("#drop")
    if len(before) == 1:
        page.wait_for_selector("#error:not([hidden])")
        assert "reject the case instead" in page.inner_text("#error")
        return
    wait_shown(page, version + 3)
    assert len(page.locator("#sides button").all_inner_texts()) == 1
    assert "left out by a person" in page.inner_text("#refusals")
    undo(page)


def test_a_case_of_another_version_says_so_and_what_to_do(
    browser: "playwright.Browser", results: Path, case_id: str, serve_desk: Any
) -> None:
    surfaces = results / "cases" / case_id / "surfaces.npz"
    surfaces.write_bytes(surfaces.read_bytes()[:5000])
    with open_desk(results) as desk, serve_desk(desk) as door:
        opened = Served(browser, door.port, door.keys, desk)
        page = opened.open()
        page.click("#rows a")
        page.wait_for_selector("#fixed:not([hidden])")
        page.wait_for_selector("body[data-shown]")
        assert opened.complaints == []
        assert "was not kept" in page.inner_text("#doubt")
        said = page.inner_text("#fixed")
        assert "can be seen and signed, and not be corrected" in said
        assert "canalmorph measure SCANS --out RESULTS --again" in said
        assert page.locator("#tool").is_disabled()
        assert page.locator("[data-do=sign]").is_enabled()
        page.context.close()


def test_comment_sign_and_the_second_browser(served: Served, page: "playwright.Page") -> None:
    other = served.open()
    other.click("#rows a")
    version = read_version(page)
    wait_shown(other, version)
    page.fill("#reason", "Looks right.")
    page.click("[data-do=comment]")
    wait_shown(page, version + 1)
    assert "Looks right." in page.inner_text("#log")
    page.click("[data-do=sign]")
    wait_shown(page, version + 2)
    assert "signed by M. Okoro on 20" in page.inner_text("#state")
    other.fill("#by", "A. Lindqvist")
    other.click("[data-do=reject]")
    other.wait_for_selector("#others:has-text('Somebody else changed this case')")
    other.click("#others button")
    wait_shown(other, version + 2)
    assert "signed by M. Okoro" in other.inner_text("#state")
    expected = [text for text in served.complaints if "409" not in text and "422" not in text]
    assert expected == []
    other.context.close()
    served.desk.write_due()
    (case,) = (served.desk.results / "cases").iterdir()
    assert "signed by M. Okoro" in (case / "report.html").read_text("utf-8")


def test_nothing_leaves_the_machine(served: Served, page: "playwright.Page") -> None:
    asked = [url for url in served.requests if not url.startswith(("data:", "blob:"))]
    assert asked
    assert [url for url in asked if not url.startswith(served.origin)] == []


@pytest.mark.parametrize("name", ["list", "case"])
def test_it_has_no_serious_finding_of_accessibility(
    served: Served, page: "playwright.Page", name: str
) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    looked = page if name == "case" else served.open()
    if name == "case":
        choose_tool(page, "marks")
    found = axe.run(looked).response["violations"]
    serious = [
        (one["id"], one["nodes"][0]["html"][:200])
        for one in found
        if one["impact"] in ("serious", "critical")
    ]
    assert serious == []
