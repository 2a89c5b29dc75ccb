"""Every code that can be met is in the registry, has its sentences, and stands in the README."""

from __future__ import annotations

import ast
import importlib
import pkgutil
import re
import runpy
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

import canalmorph
from canalmorph.errors import CanalMorphError
from canalmorph.flags import Quality
from canalmorph.model import codes, warning_codes
from canalmorph.model.code import CodeKind

#: Where codes are defined; everywhere else they are used.
REGISTRIES = {"errors.py", "femur_errors.py", "results_errors.py", "codes.py", "warning_codes.py"}
CODE_SHAPE = re.compile(r"[a-z][a-z0-9]*([-_][a-z0-9]+)*")
#: The names under which codes travel.
CARRIERS = re.compile(r"warnings|codes?$")


def list_names(kind: CodeKind) -> list[str]:
    return [code.name for code in codes.CODES if code.kind is kind]


def parse_library() -> dict[str, ast.Module]:
    """Return the library's modules, by path, without the registries."""
    root = Path(canalmorph.__file__).parent
    return {
        path.relative_to(root).as_posix(): ast.parse(path.read_text("utf-8"))
        for path in root.rglob("*.py")
        if path.name not in REGISTRIES
    }


def name_of(node: ast.expr) -> str:
    """Return the last name of a target, such as ``warnings`` of ``self.warnings[code]``."""
    while isinstance(node, ast.Subscript):
        node = node.value
    if isinstance(node, ast.Attribute):
        return node.attr
    return node.id if isinstance(node, ast.Name) else ""


def find_texts(nodes: Iterable[ast.AST]) -> Iterator[str]:
    """Yield the literals in these expressions, without the keys by which something is looked up."""
    for node in nodes:
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield node.value
        elif isinstance(node, ast.Subscript):
            yield from find_texts([node.value])
        elif not (isinstance(node, ast.Call) and name_of(node.func) in {"get", "simplefilter"}):
            yield from find_texts(ast.iter_child_nodes(node))


def find_carried(tree: ast.AST) -> Iterator[str]:
    """Yield the literals that a statement puts where codes travel."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            if name_of(node.func) == "simplefilter":
                continue
            if isinstance(node.func, ast.Attribute) and CARRIERS.search(name_of(node.func.value)):
                yield from find_texts(node.args)
            yield from find_texts(
                each.value for each in node.keywords if CARRIERS.search(each.arg or "")
            )
        elif isinstance(node, ast.Assign | ast.AugAssign | ast.AnnAssign) and node.value:
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            if any(CARRIERS.search(name_of(target)) for target in targets):
                # Of ``warnings["code"] = None`` the key is the code.
                slices = [each.slice for each in targets if isinstance(each, ast.Subscript)]
                yield from find_texts([node.value, *slices])
        elif isinstance(node, ast.Dict):
            for key, value in zip(node.keys, node.values, strict=True):
                if isinstance(key, ast.Constant) and key.value == "warnings":
                    yield from find_texts([value])
        elif isinstance(node, ast.For) and isinstance(node.target, ast.Tuple):
            yield from find_looped(node, node.target)


def find_looped(loop: ast.For, target: ast.Tuple) -> Iterator[str]:
    """Yield the literals that a loop over tuples gives to a name of codes."""
    places = [i for i, each in enumerate(target.elts) if CARRIERS.search(name_of(each))]
    rows = loop.iter.elts if isinstance(loop.iter, ast.Tuple) else []
    for row in rows:
        if isinstance(row, ast.Tuple):
            yield from find_texts(row.elts[place] for place in places)


def find_returned(tree: ast.AST) -> Iterator[str]:
    """Yield the literals in what functions return as a tuple or a set of texts."""
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef) and node.returns is not None:
            kind = ast.unparse(node.returns)
            if "tuple[str, ...]" in kind or "set[str]" in kind:
                yield from find_texts(
                    each.value
                    for each in ast.walk(node)
                    if isinstance(each, ast.Return) and each.value is not None
                )


def find_emitted(tree: ast.AST) -> set[str]:
    found = {*find_carried(tree), *find_returned(tree)}
    return {text for text in found if CODE_SHAPE.fullmatch(text)}


EXAMPLES = {
    "list": "warnings.append('a_b')",
    "attribute": "self._warnings.add('a_b')",
    "key": "warnings['a_b'] = None",
    "sum": "warnings += ('a_b',)",
    "choice": "warnings: tuple[str, ...] = () if unit else ('a_b',)",
    "dictionary": "facts = {'warnings': ('a_b',) if bare else ()}",
    "argument": "group(part, warnings=('a_b',))",
    "one": "OtherObject(code='a_b')",
    "return": "def f() -> tuple[str, ...]:\n    return ('a_b',) if x else ()",
    "loop": "for name, code in ((1, 'a_b'), (2, 'a_b')):\n    pass",
}


@pytest.mark.parametrize("source", EXAMPLES.values(), ids=EXAMPLES)
def test_codes_are_found_in_every_form(source: str) -> None:
    assert find_emitted(ast.parse(source)) == {"a_b"}


def test_every_code_that_is_written_is_in_the_registry() -> None:
    known = {code.name for code in codes.CODES}
    unknown = {
        (path, text)
        for path, tree in parse_library().items()
        for text in find_emitted(tree) - known
    }
    assert unknown == set()


def test_every_warning_in_the_registry_can_be_met() -> None:
    written = {
        node.value
        for tree in parse_library().values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant)
    }
    for kind in (CodeKind.SCAN_WARNING, CodeKind.FEMUR_WARNING, CodeKind.LEFT_OUT):
        registered = set(list_names(kind)) - set(list_names(CodeKind.REFUSAL))
        assert registered - written == set()


def list_reasons() -> list[type[CanalMorphError]]:
    """Import the whole library and return its classes of errors that are no base of others."""
    for module in pkgutil.walk_packages(canalmorph.__path__, "canalmorph."):
        importlib.import_module(module.name)
    classes: list[type[CanalMorphError]] = []
    waiting = [CanalMorphError]
    while waiting:
        children = waiting.pop().__subclasses__()
        children = [each for each in children if each.__module__.startswith("canalmorph.")]
        classes += [each for each in children if not each.__subclasses__()]
        waiting += children
    return classes


def test_every_class_of_errors_is_in_the_registry_and_raised() -> None:
    classes = list_reasons()
    registered = set(list_names(CodeKind.REFUSAL)) - {codes.INTERNAL_ERROR}
    assert {each.code for each in classes} == registered
    called = {
        name_of(node.func)
        for tree in parse_library().values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
    }
    assert {each.__name__ for each in classes} - called == set()


def test_the_flags_of_the_registry_are_the_bits() -> None:
    assert list_names(CodeKind.QUALITY_FLAG) == [bit.names()[0] for bit in Quality if bit]


def test_a_code_stands_once_and_says_what_to_do() -> None:
    seen = Counter((code.kind, code.name) for code in codes.CODES)
    assert [key for key, n in seen.items() if n > 1] == []
    for code in codes.CODES:
        assert CODE_SHAPE.fullmatch(code.name), code
        for sentence in (code.meaning, code.action):
            assert re.fullmatch(r"[A-Z-].*\.", sentence), code
            # The README's table.
            assert "|" not in sentence, code
    # Both stand in the column `warnings`: a name must tell which it is.
    scan, femur = list_names(CodeKind.SCAN_WARNING), list_names(CodeKind.FEMUR_WARNING)
    assert not set(scan) & set(femur)
    assert len(warning_codes.SCAN_WARNINGS) == len(scan)


def test_the_readme_lists_every_code(project_folder: Path) -> None:
    script = runpy.run_path(str(project_folder / "tests/house/write_codes.py"))
    text = (project_folder / "README.md").read_text("utf-8")
    assert script["BEGIN"] in text
    assert script["END"] in text
    # To put right: python tests/house/write_codes.py
    assert script["replace_table"](text) == text


def is_slow(node: ast.AST) -> bool:
    """Return whether a test is run by hand only."""
    return isinstance(node, ast.FunctionDef) and any(
        ast.unparse(each) == "pytest.mark.slow" for each in node.decorator_list
    )


def find_named(tree: ast.AST) -> Iterator[str]:
    """Yield what a test names: texts, and names that it does not call.

    A code is no part of a sentence, and an error that a test makes itself was not raised.
    """
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call)}
    waiting = [tree]
    while waiting:
        node = waiting.pop()
        if is_slow(node):
            continue
        if isinstance(node, ast.Constant) and isinstance(node.value, str):
            yield from node.value.split(";")
        elif isinstance(node, ast.Name | ast.Attribute) and id(node) not in called:
            yield name_of(node)
        waiting += ast.iter_child_nodes(node)


NAMED = {
    "text": ("assert 'a_b' in warnings", {"a_b"}),
    "several": ("assert row == 'a_b;c_d'", {"a_b", "c_d"}),
    "expected": ("with pytest.raises(AbError): pass", {"AbError"}),
    "made": ("raise AbError(side='left')", set()),
    "sentence": ("assert 'what a_b says' in text", set()),
    "bit": ("assert quality & Quality.AB", {"AB"}),
    "by hand": ("@pytest.mark.slow\ndef test(): assert 'a_b' in warnings", set()),
}


@pytest.mark.parametrize(("source", "names"), NAMED.values(), ids=NAMED)
def test_what_a_test_names_is_found(source: str, names: set[str]) -> None:
    found = set(find_named(ast.parse(source)))
    assert found & {"a_b", "c_d", "AbError", "AB"} == names


def test_every_code_is_named_in_a_test_that_could_miss_it(project_folder: Path) -> None:
    tests = (project_folder / "tests").rglob("test_*.py")
    named = {
        name
        for path in tests
        if path.parent.name != "house"
        for name in find_named(ast.parse(path.read_text("utf-8")))
    }
    others = {each.code: {each.__name__} for each in list_reasons()}
    others |= {bit.names()[0]: {str(bit.name)} for bit in Quality if bit}
    unnamed = {
        (code.kind.value, code.name)
        for code in codes.CODES
        if not named & {code.name, *others.get(code.name, ())}
    }
    assert unnamed == set()
