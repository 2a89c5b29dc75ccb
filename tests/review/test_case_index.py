"""The list of two thousand cases: paged, filtered and sorted as a list in memory would be."""

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from canalmorph.batch.reviews import open_reviews
from canalmorph.review.case_index import PAGE_ROWS, CaseIndex, ListQuery

#: As the fixture of many cases has them.
N_CASES, N_SAID = 2000, 6


@pytest.fixture(scope="module")
def index(many: Path) -> Iterator[CaseIndex]:
    index = CaseIndex(many, lambda name: name)
    with open_reviews(many) as reviews:
        # Cases that were signed are put into the list from their own record.
        index.refresh(reviews)
    yield index
    index.close()


def read_all(index: CaseIndex, **asked: object) -> list[str]:
    names: list[str] = []
    while True:
        told = index.read_page(ListQuery(page=len(names) // PAGE_ROWS, **asked))
        names += [row["case"] for row in told["rows"]]
        if len(names) >= told["total"]:
            return names


def test_every_case_is_on_one_page(index: CaseIndex) -> None:
    names = read_all(index)
    assert names == [f"g{number:011d}" for number in range(N_CASES)]
    told = index.read_page(ListQuery())
    assert told["counts"] == {"to_see": N_CASES - N_SAID, "signed": 3, "rejected": 3}
    assert told["flags"] == ["metal", "narrow_canal", "thin_cortex_at_lt20"]


def test_filters_choose_what_they_say(index: CaseIndex) -> None:
    beyond = range(N_SAID, N_CASES)
    for asked, chosen in (
        ({"shape": "normal"}, lambda n: n % 3 == 1),
        ({"flag": "metal"}, lambda n: n % 5 == 0),
        ({"flag": "meta"}, lambda n: False),
        ({"flag": "metal", "shape": "stovepipe"}, lambda n: n % 15 == 0),
        ({"text": "g00000000123"}, lambda n: n == 123),
    ):
        names = read_all(index, **asked, state="to_see")
        assert names == [f"g{n:011d}" for n in beyond if chosen(n)], asked
    assert len(read_all(index, state="signed")) == 3


@pytest.mark.parametrize("down", [False, True])
def test_an_order_has_what_is_unknown_last(index: CaseIndex, down: bool) -> None:
    names = read_all(index, sort="cfi", down=down, state="to_see")
    values = {
        f"g{n:011d}": None if n % 7 == 0 else 2.0 + (n * 37 % 500) / 100 for n in range(N_CASES)
    }
    known = [values[name] for name in names if values[name] is not None]
    assert known == sorted(known, reverse=down)
    first_blank = next(place for place, name in enumerate(names) if values[name] is None)
    assert all(values[name] is None for name in names[first_blank:])


def test_neighbours_are_those_of_the_list(index: CaseIndex) -> None:
    names = read_all(index, shape="normal", sort="flags")
    query = ListQuery(shape="normal", sort="flags")
    assert index.find_neighbours(query, names[7]) == (names[6], names[8])
    assert index.find_neighbours(query, names[0]) == ("", names[1])
    assert index.find_neighbours(query, names[-1]) == (names[-2], "")


def test_what_changed_is_read_again_and_nothing_else(
    index: CaseIndex, many: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[str] = []
    put = index._put
    monkeypatch.setattr(
        index, "_put", lambda folder, *rest: (read.append(folder.name), put(folder, *rest))
    )
    with open_reviews(many) as reviews:
        index.refresh(reviews)
        assert read == []
        name = f"g{1999:011d}"
        os.utime(many / "cases" / name / ".digest.json", ns=(1, 1))
        index.refresh(reviews)
        assert read == [name]
        aside = (many / "cases" / name).rename(many / "aside")
        index.refresh(reviews)
        assert index.read_page(ListQuery())["total"] == N_CASES - 1
        aside.rename(many / "cases" / name)


def test_a_damaged_list_is_made_again(many: Path, tmp_path: Path) -> None:
    (tmp_path / "cases").mkdir()
    (tmp_path / ".review_list.sqlite").write_bytes(b"no database " * 1000)
    index = CaseIndex(tmp_path, lambda name: name)
    assert index.read_page(ListQuery())["total"] == 0
    index.close()
