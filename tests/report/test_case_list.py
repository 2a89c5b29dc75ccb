"""The list of all cases: complete, harmless, in order, and usable from a disk."""

import base64
import io
import json
import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from canalmorph.model.femur import Side
from canalmorph.model.results import Refusal
from canalmorph.report.case_list import ListedCase, make_case_list, make_thumbnails
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.projection import Picture

HOSTILE = "</script><img src=x onerror=alert(1)>{{7*7}}"


def make_femur(case_id: str, side: str, cfi: float | None, **cells: object) -> dict[str, object]:
    femur: dict[str, object] = {"case_id": case_id, "side": side, "status": "measured"}
    for name in ("cfi_ml", "cti_ml_lt_minus100", "isthmus_canal_ml_mm"):
        femur |= {name: None, f"{name}_u": None}
    femur |= {"cfi_ml": cfi, "cfi_ml_u": None if cfi is None else 0.05}
    femur |= {
        "reviewed_by_hand": "",
        "canal_shape": "",
        "bone_letter": "",
        "fixation": "undecided",
        "warnings": "",
    }
    return {**femur, **cells}


@pytest.fixture
def cases() -> list[ListedCase]:
    flute = {"canal_shape": "champagne_flute", "p_champagne_flute": 0.999, "fixation": "press_fit"}
    return [
        ListedCase(
            case_id="a1",
            femora=[
                make_femur("a1", "right", 10.25, warnings="metal;head_not_separated", **flute),
                make_femur("a1", "left", 4.0, canal_shape="normal", p_normal=0.91),
            ],
            thumbnails={"right": "AAAA"},
            pages=["report.html", "report.pdf"],
        ),
        ListedCase(
            case_id="b2",
            femora=[make_femur("b2", "left", None, cfi_ml_lower_bound=3.514)],
            pages=["report.html"],
        ),
        ListedCase(
            case_id="c3",
            refusals=[
                Refusal(stage="read", code="no-bone", message=HOSTILE, source="day/scan"),
                Refusal(stage="read", code="localizer", message="A localizer.", source="day/x"),
            ],
        ),
    ]


def read_data(page: str) -> dict[str, object]:
    (text,) = re.findall(r'<script type="application/json" id="data">(.*?)</script>', page, re.S)
    return json.loads(text)


def test_every_femur_and_refusal_is_a_row(cases: list[ListedCase]) -> None:
    rows = read_data(make_case_list(cases))["rows"]
    assert [(row["case"], row["side"], row["state"]) for row in rows] == [
        ("a1", "right", "measured"),
        ("a1", "left", "measured"),
        ("b2", "left", "measured"),
        ("c3", "", "not measured"),
        ("c3", "", "left out"),
    ]
    first = rows[0]
    assert first["values"] == ["10.25", "", ""]
    assert first["doubts"] == ["0.05", "", ""]
    assert [row["bounds"] for row in rows[1:3]] == [["", "", ""], ["3.51", "", ""]]
    assert first["warnings"] == ["metal", "head_not_separated"]
    assert first["pages"] == ["report.html", "report.pdf"]


def test_the_page_needs_nothing_else_and_no_text_becomes_markup(cases: list[ListedCase]) -> None:
    page = make_case_list(cases)
    assert "http" not in page.replace("http-equiv", "")
    assert "onerror=alert(1)>" not in page.replace("\\u003cimg src=x onerror=alert(1)>", "")
    assert page.count("</script>") == 2
    assert read_data(page)["rows"][3]["text"] == f"day/scan: {HOSTILE}"


@pytest.mark.parametrize("side", [Side.RIGHT, Side.LEFT])
def test_thumbnails_lie_as_on_a_film(side: Side) -> None:
    # Bright at the top and on the medial side: the last row and the last column of the picture.
    grey = np.zeros((400, 100), np.uint8)
    grey[300:, 75:] = 255
    picture = Picture(grey=grey, across_mm=(0.0, 80.0), vertical_mm=(0.0, 320.0))
    pictures = FemurPictures(side=side, ap=picture, lateral=picture, sections=())
    (thumbnail,) = make_thumbnails([pictures]).values()
    image = np.asarray(Image.open(io.BytesIO(base64.b64decode(thumbnail))), float)
    assert image.shape == (120, 30)
    bright = image[:30].mean(axis=0)
    # A film shows the patient's right on the left, so a right femur's medial side on the right.
    assert bool(bright[-5:].mean() > 200) is (side is Side.RIGHT)
    assert bool(bright[:5].mean() > 200) is (side is Side.LEFT)
    assert image[-30:].mean() < 20


@pytest.fixture
def act_in_browser(tmp_path: Path) -> Callable[[str, str], str]:
    """Return what a script reads from a page in a headless browser."""
    browser = shutil.which("chromium") or shutil.which("google-chrome")
    if browser is None:
        pytest.skip("There is no Chromium on this machine.")

    def act(page: str, script: str) -> str:
        # The page's policy lets its own script run only: the test's comes in its place's copy.
        page = re.sub(r"<meta http-equiv[^>]*>", "", page)
        page = page.replace(
            "</body>",
            f"<script>(function(){{{script}}})()</script></body>",
        )
        file = tmp_path / "cohort.html"
        file.write_text(page, "utf-8")
        done = subprocess.run(
            [browser, "--headless", "--no-sandbox", "--disable-gpu", "--dump-dom", file.as_uri()],
            capture_output=True,
            text=True,
            timeout=120,
            check=True,
        )
        (told,) = re.findall(r"<title>(.*?)</title>", done.stdout)
        return told

    return act


READ_ROWS = """
var row = function (line) {
  return line.querySelector("code").textContent + line.cells[2].textContent[0];
};
var read = function () { return Array.from(document.querySelectorAll("#rows tr"), row).join(" "); };
var set = function (id, value) {
  document.getElementById(id).value = value;
  document.getElementById(id).dispatchEvent(new Event("input", { bubbles: true }));
};
var told = [];
"""


@pytest.mark.browser
def test_the_list_sorts_and_filters(
    cases: list[ListedCase], act_in_browser: Callable[[str, str], str]
) -> None:
    told = act_in_browser(
        make_case_list(cases),
        READ_ROWS
        + """
        told.push(read());
        document.querySelector("[data-key=value0]").click(); told.push(read());
        document.querySelector("[data-key=value0]").click(); told.push(read());
        set("shape", "normal"); told.push(read());
        set("shape", ""); set("flag", "metal"); told.push(read());
        set("flag", ""); set("search", "NO-BONE"); told.push(read());
        told.push(document.getElementById("count").textContent);
        set("search", "b2"); told.push(document.querySelector("#rows .number").textContent);
        set("search", "no-bone");
        told.push(document.querySelectorAll("#rows img").length);
        document.title = told.join("|");
        """,
    )
    listed = "a1r a1l b2l c3u c3u"
    rising, falling = "a1l a1r b2l c3u c3u", "a1r a1l b2l c3u c3u"
    assert told.replace("c3undefined", "c3u") == (
        f"{listed}|{rising}|{falling}|a1l|a1r|c3u|1 of 5 rows|at least 3.51|0"
    )
