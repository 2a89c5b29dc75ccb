"""Type is set by the font's own widths: no line is wider than its column, no word is lost."""

import pytest
from hypothesis import given
from hypothesis import strategies as some

from canalmorph.report.typeset import Paragraph, measure_text, set_column, wrap_text

WORDS = some.text(
    some.characters(codec="latin-1", exclude_categories=["Cc", "Cf", "Zs"]), min_size=1, max_size=30
)


@given(some.lists(WORDS, min_size=1, max_size=30), some.floats(3.0, 60.0))
def test_no_line_is_too_wide_and_no_character_is_lost(words: list[str], width: float) -> None:
    lines = wrap_text(" ".join(words), width)
    assert all(measure_text(line) <= width for line in lines)
    assert "".join("".join(lines).split()) == "".join("".join(words).split())


def test_a_percent_sign_stays_with_its_number() -> None:
    for width in range(4, 14):
        for line in wrap_text("sure with 99 % of all", width):
            assert not line.startswith("%")


def test_the_width_is_that_of_the_font() -> None:
    # An em dash of this font is as wide as the type is large; digits are all of one width.
    assert measure_text("\N{EM DASH}") == pytest.approx(1.0, abs=0.01)
    assert measure_text("0123456789") == pytest.approx(10 * measure_text("0"))
    assert measure_text("Width", bold=True) > measure_text("Width")


def test_a_column_is_as_tall_as_its_lines() -> None:
    parts = [Paragraph(text="one", gap=0.0), Paragraph(text="two", gap=0.5, share=2.0)]
    column = set_column(parts, width_px=100, size_px=10)
    # 1.28 lines of 10 px, half a size of gap, 1.28 lines of 20 px.
    assert column.height_px == pytest.approx(12.8 + 5.0 + 25.6)
    assert [line.text for line in column.lines] == ["one", "two"]
    assert [line.size_px for line in column.lines] == [10.0, 20.0]


def test_an_empty_text_is_one_empty_line() -> None:
    assert wrap_text("", 10.0) == ("",)
