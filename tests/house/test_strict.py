"""What is let off a rule says why: checks that are ignored, and functions that are long."""

import ast
import re
from pathlib import Path

import pytest

LONGEST_FUNCTION_LINES = 60
#: What tells a checker to look away, and the reason behind it on its line.
IGNORED = re.compile(r"# (?:type: ignore|noqa)(?P<what>\[[^\]]*\]|: [A-Z0-9, ]+)?(?P<reason>.*)")
#: Begins a comment in a function that has a reason to be long.
REASON = re.compile(r"^ +# Long: \w.*\.$", re.MULTILINE)

Function = ast.FunctionDef | ast.AsyncFunctionDef


def list_sources(project_folder: Path, *parts: str) -> list[Path]:
    return [path for part in parts for path in sorted((project_folder / part).rglob("*.py"))]


def find_unreasoned(text: str) -> list[str]:
    """Return the lines that ignore a check, and name neither which nor why."""
    return [
        line.strip()
        for line in text.splitlines()
        if (ignored := IGNORED.search(line))
        and not (ignored["what"] and re.search(r"[a-z]{3}", ignored["reason"]))
    ]


def count_lines(function: Function) -> int:
    """Return the lines of a function from its name on, without its docstring."""
    assert function.end_lineno is not None
    n_lines = function.end_lineno - function.lineno + 1
    if ast.get_docstring(function) is None:
        return n_lines
    docstring = function.body[0]
    assert docstring.end_lineno is not None
    return n_lines - (docstring.end_lineno - docstring.lineno + 1)


def find_long(text: str) -> list[str]:
    """Return the names of functions that are long without a reason in them."""
    lines = text.splitlines()
    return [
        node.name
        for node in ast.walk(ast.parse(text))
        if isinstance(node, Function)
        and count_lines(node) > LONGEST_FUNCTION_LINES
        and not REASON.search("\n".join(lines[node.lineno : node.end_lineno]))
    ]


@pytest.mark.parametrize(
    ("line", "n_found"),
    [
        ("x = f()  # type: ignore[arg-type]", 1),
        ("x = f()  # type: ignore", 1),
        ("x = f()  # type: ignore  # because it is so", 1),
        ("x = f()  # type: ignore[arg-type]  # the library names it at run time", 0),
        ("import a as b  # noqa: N813", 1),
        ("import a as b  # noqa: N813  as its own pages name it", 0),
        ("def f(x):  # type: ignore[no-untyped-def]", 1),
        ("def f(x):  # type: ignore[no-untyped-def]  # compiled", 0),
    ],
)
def test_an_ignored_check_without_a_reason_is_found(line: str, n_found: int) -> None:
    assert len(find_unreasoned(line)) == n_found


def test_every_ignored_check_has_a_reason_beside_it(project_folder: Path) -> None:
    unreasoned = {
        str(path.relative_to(project_folder)): found
        for path in list_sources(project_folder, "canalmorph", "cli", "phantoms", "tests")
        if path != Path(__file__) and (found := find_unreasoned(path.read_text("utf-8")))
    }
    # In tests no types are checked: nothing is to be ignored there.
    assert unreasoned == {}


def test_a_long_function_without_a_reason_is_found() -> None:
    body = "\n".join("    x = 1" for _ in range(LONGEST_FUNCTION_LINES))
    assert find_long(f"def f():\n{body}") == ["f"]
    assert find_long(f"def f():\n    # Long: a table.\n{body}") == []
    short = body.partition("\n")[2]
    assert find_long(f'def f():\n    """Return nothing.\n\n    At length.\n    """\n{short}') == []


def test_functions_are_short_or_say_why_not(project_folder: Path) -> None:
    long = {
        str(path.relative_to(project_folder)): found
        for path in list_sources(project_folder, "canalmorph", "cli", "phantoms")
        if (found := find_long(path.read_text("utf-8")))
    }
    assert long == {}
