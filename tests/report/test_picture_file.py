"""Pictures come back from their file as they were; a damaged file is refused by its name."""

from pathlib import Path

import numpy as np
import pytest

from canalmorph.model.results import CaseResult
from canalmorph.report.content import make_content
from canalmorph.report.page import make_page
from canalmorph.report.picture_file import read_pictures, write_pictures
from canalmorph.report.pictures import FemurPictures
from canalmorph.results_errors import RecordUnreadableError

Case = tuple[CaseResult, tuple[FemurPictures, ...]]


def _make_page(case: CaseResult, pictures: tuple[FemurPictures, ...]) -> str:
    return make_page(case, make_content(case), pictures)


def test_a_page_drawn_from_the_file_is_the_same(whole_case: Case, tmp_path: Path) -> None:
    case, pictures = whole_case
    write_pictures(tmp_path / "pictures.npz", pictures)
    back = read_pictures(tmp_path / "pictures.npz")
    assert [femur.side for femur in back] == [femur.side for femur in pictures]
    assert _make_page(case, back) == _make_page(case, pictures)


def test_sections_are_kept_every_4_mm_and_at_the_marked_levels(whole_case: Case) -> None:
    for femur, pictures in zip(whole_case[0].femora, whole_case[1], strict=True):
        levels = [section.level_mm for section in pictures.sections]
        assert levels == sorted(levels, reverse=True)
        assert {40.0, 36.0, 0.0, -100.0, -168.0, -130.0} <= set(levels)
        assert set(levels) <= set(femur.profile.levels_mm)


def test_a_section_unpacks_to_its_greys(whole_case: Case) -> None:
    section = whole_case[1][0].sections[20]
    picture = section.unpack()
    assert picture.grey.shape == (200, 200)
    # Air, soft tissue and cortex are apart: HU -250 is black and 1750 white.
    middle = picture.grey[100, 100]
    assert middle == pytest.approx(255 * 250 / 2000, abs=20)
    assert picture.grey.max() > 200


@pytest.mark.parametrize("content", [b"", b"no zip at all"])
def test_a_damaged_file_is_refused(content: bytes, tmp_path: Path) -> None:
    path = tmp_path / "cases" / "abc" / "pictures.npz"
    path.parent.mkdir(parents=True)
    path.write_bytes(content)
    with pytest.raises(RecordUnreadableError, match=r"cases/abc/pictures\.npz"):
        read_pictures(path)


def test_a_garbled_byte_anywhere_is_no_other_error(whole_case: Case, tmp_path: Path) -> None:
    path = tmp_path / "pictures.npz"
    write_pictures(path, whole_case[1])
    whole = path.read_bytes()
    n_refused = 0
    for place in np.linspace(0, len(whole) - 1, 60).astype(int):
        garbled = bytearray(whole)
        garbled[place] ^= 0xFF
        path.write_bytes(garbled)
        try:
            read_pictures(path)
        except RecordUnreadableError:
            n_refused += 1
    assert n_refused > 30


def test_no_pictures_are_none(tmp_path: Path) -> None:
    write_pictures(tmp_path / "pictures.npz", ())
    assert read_pictures(tmp_path / "pictures.npz") == ()
    assert np.load(tmp_path / "pictures.npz").files == []
