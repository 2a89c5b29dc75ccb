"""One word for one thing, one bibliography: names, columns, commands and pages against both."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from canalmorph.model import columns
from canalmorph.model.codes import CODES
from canalmorph.model.column import Column
from canalmorph.published import BIBLIOGRAPHY

#: Units that stand in names; other columns have no unit, are a ratio, or say `row`.
UNITS = ("mm", "mm2", "mm3", "deg", "hu")
PACKAGES = ("canalmorph", "cli", "phantoms")
#: Names in the pages that stand for others, or are Python's.
STAND_INS = {"a_to_b", "verb_noun", "x_u", "__init__", "__main__", "__pycache__"}
#: What a constant of `published.py` says of itself where nobody printed it.
UNPUBLISHED = re.compile(r"no source|from memory")


def list_columns() -> list[Column]:
    registries = [
        value
        for name, value in vars(columns).items()
        if name.endswith("_COLUMNS") and not name.startswith("_")
    ]
    return [column for registry in registries for column in registry]


def read_sources(project_folder: Path, *parts: str) -> dict[Path, str]:
    return {
        path: path.read_text("utf-8")
        for part in parts
        for path in sorted((project_folder / part).rglob("*.py"))
    }


def list_names(tree: ast.AST) -> Iterator[str]:
    """Yield every name that code gives or uses."""
    for node in ast.walk(tree):
        for part in ("name", "id", "attr", "arg"):
            name = getattr(node, part, None)
            if isinstance(name, str):
                yield name


@pytest.fixture(scope="module")
def names(project_folder: Path) -> set[str]:
    """Return the names of code, modules, columns, codes, commands and options."""
    from typer.main import get_command

    from canalmorph_cli.main import app

    sources = read_sources(project_folder, *PACKAGES)
    found = {name for text in sources.values() for name in list_names(ast.parse(text))}
    found |= {path.stem for path in sources}
    found |= {column.name for column in list_columns()} | {code.name for code in CODES}
    commands = get_command(app).commands
    options = {word for one in commands.values() for each in one.params for word in each.opts}
    return found | set(commands) | {option.strip("-").replace("-", "_") for option in options}


def read_nomenclature(project_folder: Path) -> dict[str, list[str]]:
    """Return the words of the table, and those that stand in no name in their place."""
    text = (project_folder / "DEVELOPERS.md").read_text("utf-8")
    table = text.partition("## Nomenclature")[2].partition("\n\nArrays")[0]
    rows = [line.strip("|").split("|") for line in table.splitlines() if line.startswith("| ")]
    return {row[0].strip(): re.findall(r"\w+", row[2]) for row in rows[1:]}


def test_no_name_has_another_word_for_what_the_nomenclature_names(
    project_folder: Path, names: set[str]
) -> None:
    words = {name: set(re.findall(r"[a-z]+", name.lower())) for name in names}
    table = read_nomenclature(project_folder)
    assert sum(bool(others) for others in table.values()) >= 4
    for word, others in table.items():
        wrong = sorted(name for name, parts in words.items() if parts & set(others))
        assert wrong == [], f"the word is {word}"


def test_a_column_has_a_definition_and_a_source_that_can_be_found() -> None:
    listed = list_columns()
    assert len(listed) > 200
    for column in listed:
        assert not column.source or column.source in BIBLIOGRAPHY, column.name
        assert column.definition.endswith("."), column.name


def test_a_columns_unit_stands_at_its_names_end() -> None:
    for column in list_columns():
        ending = column.name.rpartition("_")[2]
        wanted = column.unit.lower() if column.unit.lower() in UNITS else ""
        assert (ending if ending in UNITS else "") == wanted, column


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md"])
def test_names_on_the_pages_exist(project_folder: Path, names: set[str], page: str) -> None:
    text = (project_folder / page).read_text("utf-8")
    # What changed has names that are gone, too.
    text = text.partition("## Measured values that change")[0]
    sources = read_sources(project_folder, *PACKAGES, "tests")
    spelled = {word for text in sources.values() for word in re.findall(r"\w+", text)}
    known = names | STAND_INS | spelled | {path.stem for path in sources}
    unknown = {
        word
        for quoted in re.findall(r"`([^`\n]+)`", re.sub(r"```.*?```", "", text, flags=re.DOTALL))
        if "..." not in quoted
        for word in re.findall(r"\w*[a-z0-9]_\w+", quoted)
    }
    assert {word for word in unknown if word not in known} == set()


def list_constants(text: str) -> Iterator[tuple[str, str]]:
    """Yield each constant of a module with what stands above and in it."""
    lines = text.splitlines()
    for node in ast.parse(text).body:
        if isinstance(node, ast.Assign | ast.AnnAssign):
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            first = node.lineno - 1
            while lines[first - 1].startswith("#"):
                first -= 1
            assert node.end_lineno is not None
            yield ast.unparse(target), "\n".join(lines[first : node.end_lineno])


def test_every_bound_names_its_source_and_is_used_by_name(project_folder: Path) -> None:
    sources = read_sources(project_folder, *PACKAGES, "tests")
    text = sources.pop(project_folder / "canalmorph/published.py")
    used = {
        name
        for path, other in sources.items()
        if path.parent.name != "house"
        for name in list_names(ast.parse(other))
    }
    constants = dict(list_constants(text))
    del constants["BIBLIOGRAPHY"]
    assert len(constants) > 20
    for name, words in constants.items():
        # One that is made of others has their source.
        words += "".join(constants.get(other, "") for other in re.findall(r"[A-Z_]{4,}", words))
        cited = set(re.findall(r"\w+", words)) & BIBLIOGRAPHY.keys()
        assert cited or UNPUBLISHED.search(" ".join(words.replace("#:", "").split())), name
        assert name in used or text.count(name) > 1, f"{name} is not used"


def test_every_source_is_cited(project_folder: Path) -> None:
    sources = read_sources(project_folder, *PACKAGES, "tests")
    published = sources.pop(project_folder / "canalmorph/published.py")
    cited = published.partition("\n}\n")[2] + "\n".join(sources.values())
    words = set(re.findall(r"\w+", cited))
    assert BIBLIOGRAPHY.keys() - words == set()


def test_every_key_that_looks_like_a_source_is_in_the_bibliography(project_folder: Path) -> None:
    text = (project_folder / "canalmorph/published.py").read_text("utf-8").partition("\n}\n")[2]
    keys = set(re.findall(r"# ([a-z]+_\w+)", text))
    for quoted in re.findall(r"sources=\(([^)]*)\)", text):
        keys |= set(re.findall(r"\"(\w+)\"", quoted))
    assert len(keys) > 20
    assert keys - BIBLIOGRAPHY.keys() == set()
