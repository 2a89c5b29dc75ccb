"""Conditions choose the right rows, execute nothing, and say what is wrong with them."""

import pyarrow as pa
import pytest

from canalmorph.cohort.codebook import TableColumn
from canalmorph.cohort.conditions import parse_condition

COLUMNS = [
    TableColumn(name=name, unit=unit, definition="", source="", table="femurs")
    for name, unit in (("case_id", ""), ("side", ""), ("warnings", ""), ("cfi_ml", "1"))
]
BATCH = pa.record_batch(
    {
        "case_id": ["a", "b", "c", "d"],
        "side": ["left", "right", "left", "it's"],
        "warnings": ["metal;head_at_lt20", None, "metal_beside", "head_at_lt20"],
        "cfi_ml": [2.9, 3.0, None, -4.8],
    }
)


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("side = left", "ac"),
        ("side == 'left'", "ac"),
        ("side != left", "bd"),
        ('side = "it\'s"', "d"),
        ("cfi_ml < 3", "ad"),
        ("cfi_ml<=3.0", "abd"),
        ("cfi_ml >= -4.8e0", "abd"),
        ("cfi_ml = -4.8", "d"),
        ("cfi_ml is blank", "c"),
        ("cfi_ml is not blank", "abd"),
        ("cfi_ml != 3", "ad"),
        ("warnings has metal", "a"),
        ("warnings has head_at_lt20", "ad"),
        ("not warnings has metal", "bcd"),
        ("warnings has '.*'", ""),
        ('side in (right, "it\'s")', "bd"),
        ("cfi_ml in (3, 2.9)", "ab"),
        # `and` binds before `or`, as in every language that has both.
        ("side = left or side = right and cfi_ml > 3", "ac"),
        ("(side = left or side = right) and cfi_ml > 2.95", "b"),
        ("NOT (side = left AND cfi_ml is blank)", "abd"),
    ],
)
def test_a_condition_finds_its_rows(text: str, found: str) -> None:
    condition = parse_condition(text, COLUMNS)
    rows = BATCH.filter(condition.find_rows(BATCH))
    assert "".join(rows["case_id"].to_pylist()) == found
    assert condition.names <= {"side", "warnings", "cfi_ml"}


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("cfi = 3", "Did you mean cfi_ml"),
        ("__import__('os') = 3", "a column's name"),
        ("cfi_ml.__class__ = 3", "no column 'cfi_ml.__class__'"),
        ("cfi_ml < three", "a number for cfi_ml after 'cfi_ml <', got 'three'"),
        ("side < left", "one of = == !="),
        ("side = 'left", "is a quote open"),
        ("side = left cfi_ml = 3", "'and', 'or' or the end"),
        ("(side = left", "'\\)'"),
        ("cfi_ml in 3", "'\\('"),
        ("cfi_ml has 3", "holds numbers"),
        ("side = left and", "a column's name after 'side = left and', got the end"),
        ("side is left", "'blank'"),
    ],
)
def test_what_is_no_condition_is_said(text: str, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        parse_condition(text, COLUMNS)
