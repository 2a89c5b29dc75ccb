"""What the program says of itself, and how a shell completes its words."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import canalmorph

Run = Callable[..., Any]


def test_the_version_says_what_it_is(run: Run) -> None:
    said = run("--version")
    assert said.status == 0
    first, what = said.out.splitlines()
    assert first == f"canalmorph {canalmorph.__version__}"
    assert "femoral canal" in what.lower()
    assert "no medical device" in what


@pytest.mark.parametrize(
    "words",
    [
        ("demo", "--out", "{}/deeper"),
        ("phantom", "small_bones", "--out", "{}"),
        ("phantom", "small_bones", "--out", "{}/deeper"),
        ("review", "{}", "--port", "70000"),
    ],
)
def test_what_cannot_be_taken_is_no_bug(run: Run, words: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    said = run(*(word.format(tmp_path / "file") for word in words))
    assert said.status == 2
    assert "bug" not in said.err


@pytest.mark.parametrize(
    ("words", "expected"),
    [("canalmorph me", ["measure", "methods"]), ("canalmorph measure --de", ["--deidentify"])],
)
def test_a_shell_completes_commands_and_options(
    run: Run, monkeypatch: pytest.MonkeyPatch, words: str, expected: list[str]
) -> None:
    monkeypatch.setenv("_CANALMORPH_COMPLETE", "complete_bash")
    monkeypatch.setenv("COMP_WORDS", words)
    monkeypatch.setenv("COMP_CWORD", str(words.count(" ")))
    assert set(expected) <= set(run().out.split())
