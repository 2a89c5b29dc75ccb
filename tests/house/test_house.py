"""Rules of the house that no linter knows."""

import ast
import importlib
import inspect
import pickle
import pkgutil
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest

import canalmorph
from canalmorph.errors import CanalMorphError
from canalmorph.model import columns

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "canalmorph",
    "cli",
    "phantoms",
    "tests",
}
LONGEST_MODULE_LINES = 450
#: The packages that are installed.
NAMES = ("canalmorph", "canalmorph_cli", "canalmorph_phantoms")

#: Values for the fields of errors, by annotation.
EXAMPLE_FIELDS = {"str": "an example", "float": 12.5, "int": 7, "tuple[str, ...]": ("a", "b")}


def list_tracked(project_folder: Path) -> list[Path]:
    """Return the project's files that are tracked, or to be."""
    listed = subprocess.run(
        ["git", "ls-files", "--cached", "--others", "--exclude-standard"],
        cwd=project_folder,
        capture_output=True,
        text=True,
        check=True,
    )
    paths = (project_folder / line for line in listed.stdout.splitlines())
    return [path for path in paths if path.is_file()]


def load_error_classes() -> list[type[CanalMorphError]]:
    """Import the whole library and return every class of error in it."""
    for module in pkgutil.walk_packages(canalmorph.__path__, "canalmorph."):
        importlib.import_module(module.name)
    classes: list[type[CanalMorphError]] = []
    waiting = [CanalMorphError]
    while waiting:
        found = [
            child for child in waiting.pop().__subclasses__() if "canalmorph" in child.__module__
        ]
        classes += found
        waiting += found
    return sorted(set(classes), key=lambda each: each.__name__)


def make_example(error_class: type[CanalMorphError]) -> CanalMorphError:
    """Return an error with a value in each field; a field of an unknown kind fails."""
    fields: dict[str, Any] = {}
    for name, parameter in inspect.signature(error_class).parameters.items():
        assert parameter.kind is inspect.Parameter.KEYWORD_ONLY, f"{name} must be keyword-only"
        annotation = parameter.annotation
        words = annotation if isinstance(annotation, str) else inspect.formatannotation(annotation)
        assert words in EXAMPLE_FIELDS, f"no example for {error_class.__name__}.{name}: {words}"
        fields[name] = EXAMPLE_FIELDS[words]
    return error_class(**fields)


def test_top_level_holds_only_the_agreed_entries(project_folder: Path) -> None:
    tops = {path.relative_to(project_folder).parts[0] for path in list_tracked(project_folder)}
    assert {top for top in tops if not top.startswith(".")} == TOP_LEVEL


def test_modules_are_short(project_folder: Path) -> None:
    long = {
        str(path.relative_to(project_folder)): len(path.read_text("utf-8").splitlines())
        for path in list_tracked(project_folder)
        if path.suffix == ".py"
    }
    assert {name: n for name, n in long.items() if n >= LONGEST_MODULE_LINES} == {}


def test_package_files_hold_only_a_docstring(project_folder: Path) -> None:
    for path in list_tracked(project_folder):
        if path.name == "__init__.py" and path.parent.name != "canalmorph":
            body = ast.parse(path.read_text("utf-8")).body
            assert len(body) == 1, path
            assert isinstance(body[0], ast.Expr), path


def test_no_function_is_named_like_its_module(project_folder: Path) -> None:
    for path in list_tracked(project_folder):
        # A command is a module with its one command, imported by its full name only.
        if path.suffix != ".py" or path.parent.name == "commands":
            continue
        names = {
            node.name
            for node in ast.parse(path.read_text("utf-8")).body
            if isinstance(node, ast.FunctionDef)
        }
        assert path.stem not in names, path


def test_tracked_files_name_no_place_of_a_machine(project_folder: Path) -> None:
    place = re.compile(r"(?<![\w.])/" + r"(work|tmp|root|home)/[a-z]", re.IGNORECASE)
    for path in list_tracked(project_folder):
        if path.suffix in {".py", ".md", ".toml", ".html", ".css", ".js", ""}:
            assert not place.search(path.read_text("utf-8")), path


def test_every_error_says_something_and_survives_a_process_border() -> None:
    classes = load_error_classes()
    assert len(classes) > 20
    for error_class in classes:
        error = make_example(error_class)
        back = pickle.loads(pickle.dumps(error))
        assert type(back) is error_class
        assert str(back) == str(error)
        assert vars(back) == vars(error)
        assert str(error).endswith("."), f"{error_class.__name__} is no sentence: {error}"
        assert error_class.remedy, error_class
        assert str(error).endswith(error_class.remedy), f"it does not say what to do: {error}"


def test_every_error_has_a_code_of_its_own() -> None:
    classes = load_error_classes()
    codes = [each.code for each in classes]
    assert sorted(codes) == sorted(set(codes))
    for code in codes:
        assert re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", code), code


@pytest.mark.parametrize("registry", ["FEMUR_COLUMNS", "SECTION_COLUMNS", "REFUSAL_COLUMNS"])
def test_column_names_are_unique(registry: str) -> None:
    names = [column.name for column in vars(columns)[registry]]
    assert len(names) == len(set(names))


def test_the_starter_needs_nothing_but_the_standard_library(project_folder: Path) -> None:
    tree = ast.parse((project_folder / "cli/__main__.py").read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0
            assert str(node.module).split(".")[0] in sys.stdlib_module_names
        if isinstance(node, ast.Import):
            for alias in node.names:
                assert alias.name.split(".")[0] in sys.stdlib_module_names


def test_slow_imports_wait_until_a_command_needs_them() -> None:
    code = (
        "import sys, canalmorph_cli.main; "
        "print([n for n in ('numpy', 'pydicom', 'numba', 'matplotlib') if n in sys.modules])"
    )
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert said.strip() == "[]"


def test_a_wheel_holds_every_file_of_the_packages(project_folder: Path) -> None:
    with open(project_folder / "pyproject.toml", "rb") as file:
        tool = tomllib.load(file)["tool"]["setuptools"]
    roots = [project_folder / each for each in tool["packages"]["find"]["where"]]
    held = {
        path
        for package, patterns in tool["package-data"].items()
        for root in roots
        for pattern in patterns
        for path in (root / package.replace(".", "/")).glob(pattern)
    }
    packages = [root / name for root in roots for name in NAMES]
    tracked = {
        path
        for path in list_tracked(project_folder)
        if any(path.is_relative_to(package) for package in packages)
    }
    assert len(tracked) > 200
    assert {path for path in tracked if path.suffix != ".py"} - held == set()
    # A folder without a package file is no package, and is left out.
    for path in tracked - held:
        assert (path.parent / "__init__.py").is_file(), path


def test_what_measures_needs_no_extra(project_folder: Path) -> None:
    with open(project_folder / "pyproject.toml", "rb") as file:
        project = tomllib.load(file)["project"]
    core, extras = project["dependencies"], project["optional-dependencies"]
    groups = [group for name, group in extras.items() if name != "test"]
    absent = {
        re.split(r"[\[>=]", line)[0].replace("-", "_")
        for group in groups
        for line in group
        if not line.startswith("canalmorph[")
    }
    assert not absent & {re.split(r"[\[>=]", line)[0].lower() for line in core}
    # A module that is None cannot be imported, and cannot be found.
    code = (
        f"import sys; sys.modules.update(dict.fromkeys({sorted(absent)})); "
        "import canalmorph.batch.run, canalmorph.batch.worker, canalmorph_cli.main, "
        "canalmorph_cli.summary, canalmorph_cli.progress, canalmorph_phantoms.write"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def read_words(path: Path) -> str:
    return path.read_text("utf-8")


def test_readme_states_the_job_first(project_folder: Path) -> None:
    text = read_words(project_folder / "README.md")
    paragraphs = [part.strip() for part in text.split("\n\n") if part.strip()]
    assert paragraphs[0].startswith("# ")
    first = paragraphs[1]
    for word in ("CT", "femur", "canal", "cortex", "uncertainty"):
        assert word in first, word
    assert "not a medical device" in " ".join(text.split())


def test_readme_commands_exist(project_folder: Path) -> None:
    from canalmorph_cli.main import app

    commands = {str(command.callback.__name__) for command in app.registered_commands}
    text = read_words(project_folder / "README.md")
    assert "python3 cli demo" in text
    assert "python3 cli test" in text
    in_table = set(re.findall(r"^\| `([a-z]+)[ `]", text, re.MULTILINE))
    in_examples = set(re.findall(r"^python3 cli ([a-z]+)", text, re.MULTILINE))
    assert in_table == commands | {"test"}
    assert in_examples <= in_table


def test_every_command_helps_with_an_example_that_it_takes() -> None:
    from typer.main import get_command

    from canalmorph_cli.main import COMMANDS, app

    known = get_command(app).commands
    assert {example.split()[0] for example in COMMANDS.values()} == set(known)
    for example in COMMANDS.values():
        name, *words = shlex.split(example)
        assert example in known[name].epilog
        # Wrong words end here.
        known[name].make_context(name, words)


def test_readme_pictures_and_links_exist(project_folder: Path) -> None:
    for name in ("README.md", "DEVELOPERS.md"):
        text = read_words(project_folder / name)
        for target in re.findall(r"\]\(([^)#]+)\)", text):
            if "://" not in target:
                assert (project_folder / target).exists(), f"{name}: {target}"


def test_readme_names_every_exit_status(project_folder: Path) -> None:
    from canalmorph_cli.exits import ExitStatus

    text = read_words(project_folder / "README.md")
    for status in ExitStatus:
        assert re.search(rf"^\| {int(status)} \|", text, re.MULTILINE), status


def test_developers_page_names_every_stage(project_folder: Path) -> None:
    text = read_words(project_folder / "DEVELOPERS.md")
    stages = re.findall(r"``(\w+)\.\w+\.(\w+)``", str(canalmorph.__doc__))
    assert len(stages) == 8
    for package, function in stages:
        assert f"`{package}`" in text, package
        assert f"`{function}`" in text, function
    for heading in ("Rule of passage", "Nomenclature", "Recipes", "Measured values that change"):
        assert f"## {heading}" in text, heading


def test_every_module_states_its_rule(project_folder: Path) -> None:
    for path in list_tracked(project_folder):
        if path.suffix == ".py" and "tests" not in path.parts:
            assert ast.get_docstring(ast.parse(path.read_text("utf-8"))), path


def test_library_version_is_the_packages(project_folder: Path) -> None:
    with open(project_folder / "pyproject.toml", "rb") as file:
        assert tomllib.load(file)["project"]["version"] == canalmorph.__version__
