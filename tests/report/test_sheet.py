"""The paper: one or two A4 pages, text that can be copied, letters embedded, both sides."""

import io
import re
from dataclasses import replace
from typing import Any

import pytest
from pypdf import PdfReader

from canalmorph.model.results import CaseResult
from canalmorph.model.volume import PatientFacts
from canalmorph.report.content import make_content
from canalmorph.report.pictures import FemurPictures
from canalmorph.report.sheet import make_sheet
from canalmorph.report.sheet_words import (
    HALF_PX,
    KEY_COLUMNS,
    MARGIN_PX,
    NUMBERS_PX,
    PAGE_PX,
    REST,
    TYPE_PX,
    plan_words,
)
from canalmorph.report.typeset import measure_text

Case = tuple[CaseResult, tuple[FemurPictures, ...]]
ROOM_PX = PAGE_PX[1] - 2 * MARGIN_PX


def _make_sheet(
    case: CaseResult, pictures: tuple[FemurPictures, ...], *, deidentify: bool = False
) -> bytes:
    return make_sheet(case, make_content(case, deidentify=deidentify), pictures)


def _read(file: bytes) -> tuple[PdfReader, str]:
    reader = PdfReader(io.BytesIO(file), strict=True)
    text = " ".join(page.extract_text() for page in reader.pages)
    return reader, re.sub(r"\s+", " ", text)


@pytest.fixture(scope="module")
def whole_sheet(whole_case: Case) -> bytes:
    return _make_sheet(*whole_case)


def test_two_a4_pages_with_both_sides(whole_sheet: bytes) -> None:
    reader, _ = _read(whole_sheet)
    assert len(reader.pages) == 2
    for page in reader.pages:
        # A4 is 210 by 297 mm, 72 points an inch.
        assert float(page.mediabox.width) == pytest.approx(210 / 25.4 * 72, abs=0.5)
        assert float(page.mediabox.height) == pytest.approx(297 / 25.4 * 72, abs=0.5)
        words = page.extract_text()
        assert "Right femur" in words
        assert "Left femur" in words
    assert len(whole_sheet) < 3_000_000


def test_the_paper_answers_the_readers_questions(whole_sheet: bytes) -> None:
    _, text = _read(whole_sheet)
    for answer in (
        "Quill Rosalind",
        "PX-552317",
        "flare index 3.90 ± 0.06",
        "stovepipe (> 99 %)",
        "the numbers speak for press-fit",
        "the numbers speak for cement",
        "What speaks against",
        "Cautions",
        "Not measured, and why",
        "Method and scan",
        "never validated on real femur CT",
        "12.00 ± 0.10",
        "LT−100",
        "canalmorph 0.1.0",
    ):
        assert answer in text, answer


def test_every_letter_is_embedded(whole_sheet: bytes) -> None:
    reader, _ = _read(whole_sheet)
    seen = 0
    for page in reader.pages:
        for font in page["/Resources"]["/Font"].values():
            for part in _find_descriptors(font.get_object()):
                assert "/FontFile2" in part
                seen += 1
    assert seen >= 2


def _find_descriptors(font: Any) -> list[Any]:
    children = [child.get_object() for child in font.get("/DescendantFonts", [])]
    assert font["/Subtype"] in ("/TrueType", "/Type0")
    return [one["/FontDescriptor"].get_object() for one in (children or [font])]


def test_the_same_case_makes_the_same_paper(whole_case: Case, whole_sheet: bytes) -> None:
    assert _make_sheet(*whole_case) == whole_sheet
    assert b"CreationDate" not in whole_sheet


def test_a_partial_scan_says_what_is_missing(partial_case: Case) -> None:
    _, text = _read(_make_sheet(*partial_case))
    assert "The right femur was not measured." in text
    assert "metal lies in the right femur" in text
    assert "Fixation, for discussion: undecided." in text
    assert "What would decide it" in text
    assert "at least 3.73 ± 0.05" in text


def test_without_its_ct_the_paper_is_one_page_and_says_so(whole_case: Case) -> None:
    reader, text = _read(_make_sheet(whole_case[0], ()))
    assert len(reader.pages) == 1
    assert "no CT pictures" in text


def test_a_deidentified_paper_names_the_case_only(whole_case: Case) -> None:
    file = _make_sheet(*whole_case, deidentify=True)
    reader, text = _read(file)
    for secret in ("Quill", "PX-552317", "1944", "2024-05-11", "tuesday", "scan_04"):
        assert secret not in text
        assert secret not in str(reader.metadata)
    assert whole_case[0].case_id in text


def test_names_in_any_letters_are_shown_or_marked(whole_case: Case) -> None:
    case, _ = whole_case
    name = "$x_1$ <b>^Müller 山\x07\nBjørk"
    named = replace(case, patient=PatientFacts(name=name))
    _, text = _read(_make_sheet(named, ()))
    assert "Name: $x_1$ <b> Müller \N{WHITE SQUARE} Bjørk" in text


def test_words_fit_the_page_in_the_largest_type_that_does(whole_case: Case) -> None:
    content = make_content(whole_case[0])
    plan = plan_words(content)
    assert plan.height_px <= ROOM_PX
    assert plan.size_px in TYPE_PX
    assert not any(line.text == REST for column in plan.tail for line in column.lines)


def test_what_does_not_fit_is_told(whole_case: Case) -> None:
    content = make_content(whole_case[0])
    long = replace(content, cautions=content.cautions * 8)
    plan = plan_words(long)
    assert plan.height_px <= ROOM_PX
    assert plan.size_px == TYPE_PX[-1]
    words = " ".join(line.text for column in plan.tail for line in column.lines)
    assert REST in words


def test_names_of_key_numbers_end_before_the_numbers() -> None:
    for name in KEY_COLUMNS.values():
        # The longest number of a column is a volume, 15 characters.
        number = measure_text("25251 ± 313 mm³")
        assert (measure_text(name) + number) * TYPE_PX[0] < HALF_PX - (HALF_PX - NUMBERS_PX[0])
