"""A file is whole or it is not there."""

import os
from pathlib import Path
from typing import NoReturn

import pytest

from canalmorph.export.files import open_atomically, write_atomically


def test_a_failure_keeps_the_earlier_file_and_leaves_no_litter(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    write_atomically(path, b"whole")

    def fail() -> None:
        with open_atomically(path) as stream:
            stream.write(b"ha")
            raise RuntimeError("the power went")

    with pytest.raises(RuntimeError, match="power"):
        fail()
    assert path.read_bytes() == b"whole"
    assert [entry.name for entry in tmp_path.iterdir()] == ["table.csv"]


def test_content_is_replaced_with_the_rights_of_a_new_file(tmp_path: Path) -> None:
    path, plain = tmp_path / "table.csv", tmp_path / "plain"
    write_atomically(path, b"one")
    write_atomically(path, b"two")
    plain.write_bytes(b"")
    assert path.read_bytes() == b"two"
    assert path.stat().st_mode == plain.stat().st_mode


def test_a_missing_folder_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        write_atomically(tmp_path / "nowhere" / "x", b"")


def test_writing_leaves_the_umask_alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # It is the whole process's: what another thread makes meanwhile would be open to everyone, and
    # two that set it at a time would leave it so.
    def refuse(mask: int) -> NoReturn:
        raise AssertionError(f"the umask was set to {mask:o}")

    monkeypatch.setattr(os, "umask", refuse)
    write_atomically(tmp_path / "table.csv", b"one")
    assert (tmp_path / "table.csv").read_bytes() == b"one"
