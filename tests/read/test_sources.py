"""What of a folder cannot be looked at is told, and the rest is found."""

import os
from pathlib import Path
from typing import Any

import pytest

from canalmorph.errors import InputNotFoundError, ReadError
from canalmorph.read.settings import ReadSettings
from canalmorph.read.sources import list_files


def look(folder: Path) -> tuple[list[str], list[tuple[str, str]]]:
    """Return the names of the files that are found, and what is told of the rest."""
    found: list[str] = []
    told: list[tuple[str, str]] = []
    for name, files in list_files([folder], ReadSettings()):
        if isinstance(files, ReadError):
            assert isinstance(files, InputNotFoundError)
            told.append((name, files.detail))
        else:
            found += [entry.name for entry in files]
    return found, told


def make_day(folder: Path) -> Path:
    day = folder / "day"
    for name in ("a", "b"):
        (day / name).mkdir(parents=True)
        (day / name / "IM0").write_bytes(b"x")
    return day


@pytest.mark.parametrize("closed", ["day/b", "day"])
def test_a_folder_that_cannot_be_opened_is_told(
    closed: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    day, whole = make_day(tmp_path), os.scandir

    def scan(place: Any) -> Any:
        if Path(place) == tmp_path / closed:
            raise PermissionError(13, "Permission denied", str(place))
        return whole(place)

    monkeypatch.setattr(os, "scandir", scan)
    found, told = look(day)
    assert found == (["day/a/IM0"] if closed == "day/b" else [])
    assert told == [(closed, "The folder cannot be opened (PermissionError).")]


def test_links_that_lead_nowhere_or_away_are_told(tmp_path: Path) -> None:
    day = make_day(tmp_path)
    (tmp_path / "elsewhere").mkdir()
    (day / "a" / "away").symlink_to(tmp_path / "elsewhere")
    (day / "a" / "sibling").symlink_to(day / "b")
    (day / "b" / "same").symlink_to(day / "a" / "IM0")
    for name in ("IM1", "IM2", "._IM3"):
        (day / "b" / name).symlink_to(tmp_path / "gone")
    found, told = look(day)
    assert found == ["day/a/IM0", "day/b/IM0", "day/b/same"]
    assert [name for name, _ in told] == ["day/a/away", "day/b"]
    assert told[1][1].startswith("2 of its files cannot be found")


def test_an_empty_folder_is_no_error_here(tmp_path: Path) -> None:
    assert look(tmp_path) == ([], [])
