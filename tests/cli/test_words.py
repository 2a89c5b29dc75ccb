"""What the program says of itself, and how a shell completes its words."""

from collections.abc import Callable
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
