"""Who may write to a results folder, and the keyed names in it."""

import os
import stat
from pathlib import Path

import pytest

from canalmorph.batch.folder import KEY_NAME, ResultsFolder, keyed_hash, open_results
from canalmorph.results_errors import (
    CaseKeyUnusableError,
    ResultsBusyError,
    ResultsForeignFolderError,
    ResultsInsideInputError,
    ResultsNotWritableError,
    ResultsOtherKeyError,
)

#: HMAC-SHA256 of RFC 4231, test case 2: key "Jefe".
RFC_4231_CASE_2 = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"


def test_names_are_the_standard_keyed_hash() -> None:
    text = "what do ya want for nothing?"
    name = keyed_hash(b"Jefe", text)
    # The first digit is written as a letter, so that no spreadsheet sees a number.
    assert "ghijklmnopqrstuv".index(name[0]) == int(RFC_4231_CASE_2[0], 16)
    assert RFC_4231_CASE_2[1:].startswith(name[1:])


def test_the_key_is_random_private_and_kept(tmp_path: Path) -> None:
    with open_results(tmp_path / "a", inputs=[]) as first:
        name = first.name_case("1.2.3")
    with open_results(tmp_path / "a", inputs=[]) as again:
        assert again.name_case("1.2.3") == name
    with open_results(tmp_path / "b", inputs=[]) as other:
        assert other.name_case("1.2.3") != name
    key = tmp_path / "a" / KEY_NAME
    assert len(key.read_bytes()) == 32
    if os.name != "nt":
        assert stat.S_IMODE(key.stat().st_mode) == 0o600


def test_a_given_key_gives_the_same_names_anywhere_and_is_not_copied(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(b"sixteen bytes or more")
    names = set()
    for folder in ("a", "b"):
        with open_results(tmp_path / folder, inputs=[], key_file=secret) as results:
            names.add(results.name_case("1.2.3"))
        held = b"".join(f.read_bytes() for f in (tmp_path / folder).iterdir() if f.is_file())
        assert secret.read_bytes() not in held
    assert len(names) == 1


def test_a_person_has_no_name_without_the_key(tmp_path: Path) -> None:
    with open_results(tmp_path / "a", inputs=[]) as results:
        assert results.name_reader("M. Okoro")
    assert ResultsFolder(path=tmp_path / "a", key=b"").name_reader("M. Okoro") == ""


def test_another_key_is_not_mixed_in(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(b"sixteen bytes or more")
    with open_results(tmp_path / "own", inputs=[]):
        pass
    with (
        pytest.raises(ResultsOtherKeyError),
        open_results(tmp_path / "own", inputs=[], key_file=secret),
    ):
        pass
    with open_results(tmp_path / "given", inputs=[], key_file=secret):
        pass
    with pytest.raises(ResultsOtherKeyError), open_results(tmp_path / "given", inputs=[]):
        pass


@pytest.mark.parametrize("content", [None, b"short"], ids=["absent", "short"])
def test_a_bad_key_is_refused(tmp_path: Path, content: bytes | None) -> None:
    secret = tmp_path / "secret"
    if content is not None:
        secret.write_bytes(content)
    with (
        pytest.raises(CaseKeyUnusableError, match="at least 16 bytes"),
        open_results(tmp_path / "out", inputs=[], key_file=secret),
    ):
        pass
    assert not (tmp_path / "out").exists()


@pytest.mark.parametrize("out", ["scans", "scans/results", "scans/a/../results"])
def test_results_among_the_scans_are_refused(tmp_path: Path, out: str) -> None:
    (tmp_path / "scans").mkdir()
    with (
        pytest.raises(ResultsInsideInputError),
        open_results(tmp_path / out, inputs=[tmp_path / "scans"]),
    ):
        pass
    assert list((tmp_path / "scans").iterdir()) == []


def test_a_foreign_folder_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("mine")
    with pytest.raises(ResultsForeignFolderError), open_results(tmp_path, inputs=[]):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["letter.txt"]


def test_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("")
    with pytest.raises(ResultsForeignFolderError), open_results(tmp_path / "out", inputs=[]):
        pass


def test_a_folder_that_cannot_be_made_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with (
        pytest.raises(ResultsNotWritableError),
        open_results(tmp_path / "file" / "out", inputs=[]),
    ):
        pass


def test_a_second_run_at_the_same_time_is_refused_and_a_later_one_not(tmp_path: Path) -> None:
    out = tmp_path / "out"
    with (
        open_results(out, inputs=[]),
        pytest.raises(ResultsBusyError),
        open_results(out, inputs=[]),
    ):
        pass
    with open_results(out, inputs=[]):
        pass


def test_what_a_killed_run_left_is_cleared_and_no_case_is_lost(tmp_path: Path) -> None:
    cases = tmp_path / "cases"
    with open_results(tmp_path, inputs=[]):
        pass
    (cases / ".unfinished-aaa").mkdir()
    (cases / ".unfinished-bbb-outdated").mkdir()
    (cases / ".unfinished-bbb-outdated" / "result.json").write_text("{}")
    (cases / ".unfinished-ccc-outdated").mkdir()
    (cases / "ccc").mkdir()
    with open_results(tmp_path, inputs=[]):
        assert sorted(path.name for path in cases.iterdir()) == ["bbb", "ccc"]
    assert (cases / "bbb/result.json").exists()
