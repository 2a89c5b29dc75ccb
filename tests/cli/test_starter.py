"""The starter, run for real on a small project whose build needs no network."""

import importlib.util
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

PACKAGING = """\
[build-system]
requires = []
build-backend = "backend"
backend-path = ["."]

[project]
name = "canalmorph"
version = "{version}"
dependencies = {dependencies}
[project.optional-dependencies]
report = []
test = []
"""

#: A whole build backend: an editable wheel is a zip with a .pth file and three metadata files.
BACKEND = """\
import tomllib, zipfile
from pathlib import Path

def build_editable(wheel_directory, config_settings=None, metadata_directory=None):
    project = tomllib.loads(Path("pyproject.toml").read_text())["project"]
    name = f"canalmorph-{project['version']}"
    needs = "".join(f"Requires-Dist: {need}\\n" for need in project["dependencies"])
    head = f"Metadata-Version: 2.1\\nName: canalmorph\\nVersion: {project['version']}\\n"
    head += "Provides-Extra: report\\nProvides-Extra: test\\n" + needs
    with zipfile.ZipFile(Path(wheel_directory) / f"{name}-py3-none-any.whl", "w") as wheel:
        wheel.writestr("canalmorph.pth", str(Path("cli").resolve()))
        wheel.writestr(f"{name}.dist-info/METADATA", head)
        tag = "Wheel-Version: 1.0\\nRoot-Is-Purelib: true\\nTag: py3-none-any\\n"
        wheel.writestr(f"{name}.dist-info/WHEEL", tag)
        wheel.writestr(f"{name}.dist-info/RECORD", "")
    return f"{name}-py3-none-any.whl"
"""

COMMAND_LINE = """\
import importlib.metadata, json, os, sys
print(json.dumps({
    "arguments": sys.argv[1:], "prefix": sys.prefix, "folder": os.getcwd(), "path": sys.path,
    "version": importlib.metadata.version("canalmorph"),
}))
sys.exit(7)
"""


@pytest.fixture(scope="module")
def starter(project_folder: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location("starter", project_folder / "cli/__main__.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def write_packaging(folder: Path, version: str = "1.0", dependencies: str = "[]") -> None:
    text = PACKAGING.format(version=version, dependencies=dependencies)
    (folder / "pyproject.toml").write_text(text, encoding="utf-8")


def start(
    project: Path, *arguments: str, folder: Path | None = None, **variables: str
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, str(project / "cli"), *arguments],
        capture_output=True,
        text=True,
        cwd=folder or project,
        env={**os.environ, "PIP_NO_INDEX": "1", **variables},
        check=False,
    )


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory, project_folder: Path) -> Path:
    """A project in a folder whose name has a space and an umlaut, as folders of people have."""
    folder = tmp_path_factory.mktemp("starter") / "Hüfte und Schaft"
    (folder / "cli/canalmorph_cli").mkdir(parents=True)
    shutil.copy(project_folder / "cli/__main__.py", folder / "cli/__main__.py")
    (folder / "cli/canalmorph_cli/__init__.py").write_text("", encoding="utf-8")
    (folder / "cli/canalmorph_cli/__main__.py").write_text(COMMAND_LINE, encoding="utf-8")
    (folder / "backend.py").write_text(BACKEND, encoding="utf-8")
    write_packaging(folder)
    return folder


@pytest.fixture(scope="module")
def first_start(project: Path) -> subprocess.CompletedProcess[str]:
    return start(project, "measure", "a scan", "--out", "x")


def test_first_start_installs_and_runs_the_command_with_its_status(
    project: Path, first_start: subprocess.CompletedProcess[str]
) -> None:
    assert first_start.returncode == 7, first_start.stderr
    said = json.loads(first_start.stdout)
    assert said["arguments"] == ["measure", "a scan", "--out", "x"]
    assert Path(said["prefix"]) == project / ".venv"
    assert "installing into .venv" in first_start.stderr


def test_second_start_installs_nothing_from_any_folder(
    project: Path, first_start: subprocess.CompletedProcess[str], tmp_path: Path
) -> None:
    shadow = "raise SystemExit('taken from the folder')"
    (tmp_path / "canalmorph_cli.py").write_text(shadow, "utf-8")
    second = start(project, "survey", folder=tmp_path, PYTHONPATH=str(tmp_path))
    assert second.returncode == 7, second.stderr
    assert second.stderr == ""  # Any work of the starter itself would be said there.
    said = json.loads(second.stdout)
    assert said["folder"] == str(tmp_path)
    assert str(tmp_path) not in said["path"]


def test_changed_packaging_is_installed_and_kept_groups_stay(
    project: Path, first_start: subprocess.CompletedProcess[str]
) -> None:
    write_packaging(project, version="1.1")
    again = start(project, "survey")
    assert json.loads(again.stdout)["version"] == "1.1"
    stamp = json.loads((project / ".venv/canalmorph-stamp.json").read_text("utf-8"))
    assert stamp["groups"] == ["report"]


def test_interrupted_installation_is_done_again(
    project: Path, first_start: subprocess.CompletedProcess[str]
) -> None:
    (project / ".venv/canalmorph-stamp.json").unlink()
    shutil.rmtree(project / ".venv/bin", ignore_errors=True)
    again = start(project, "survey")
    assert again.returncode == 7, again.stderr
    assert "installed." in again.stderr


def test_starts_at_the_same_time_install_once(
    project: Path, first_start: subprocess.CompletedProcess[str]
) -> None:
    (project / ".venv/canalmorph-stamp.json").unlink(missing_ok=True)
    processes = [
        subprocess.Popen(
            [sys.executable, str(project / "cli"), "survey"],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            env={**os.environ, "PIP_NO_INDEX": "1"},
        )
        for _ in range(2)
    ]
    ends = [process.communicate() for process in processes]
    assert [process.returncode for process in processes] == [7, 7], ends
    assert sum("installed." in stderr for _, stderr in ends) == 1


def test_failed_installation_is_one_sentence_that_names_the_log(project: Path) -> None:
    write_packaging(project, version="1.2", dependencies='["no-such-thing-at-all"]')
    failed = start(project, "measure")
    write_packaging(project, version="1.2")
    assert failed.returncode == 2
    assert failed.stdout == ""
    last = failed.stderr.strip().splitlines()[-1]
    assert "start again" in last
    assert ".venv.log" in last
    assert "Traceback" not in failed.stderr
    assert start(project, "measure").returncode == 7


def test_missing_network_is_said(starter: ModuleType, tmp_path: Path) -> None:
    log = tmp_path / "log"
    log.write_text("... NewConnectionError: ... Temporary failure in name resolution", "utf-8")
    assert "connect this machine to the network" in starter.failure_sentence(log)
    log.write_text("error: command 'gcc' failed", "utf-8")
    assert "connect" not in starter.failure_sentence(log)


def test_tests_run_with_the_projects_own_settings(starter: ModuleType, tmp_path: Path) -> None:
    command = starter.build_command(tmp_path, ["test", "-k", "isthmus"])
    assert command[-2:] == ["-k", "isthmus"]
    assert command[command.index("--rootdir") + 1] == str(tmp_path)
    assert starter.groups_for(["test"]) == {"report", "test"}
    assert starter.groups_for(["demo"]) == {"report"}
    assert starter.groups_for(["export", "results"]) == {"report", "export"}
    assert starter.groups_for(["review", "results"]) == {"report", "review"}
    assert starter.groups_for(["agree", "a", "b"]) == {"report", "statistics"}
    assert starter.groups_for(["measure", "scans", "--dicom"]) == {"report", "dicom"}
    for command in ("receive", "send", "fetch"):
        assert starter.groups_for([command, "node.toml"]) == {"report", "network"}
    assert starter.groups_for([]) == {"report"}


def test_what_a_command_asks_for_is_what_the_starter_installs(
    starter: ModuleType, project_folder: Path
) -> None:
    asking = set()
    for module in (project_folder / "cli/canalmorph_cli/commands").glob("*.py"):
        wanted = re.findall(r'check_parts\(\s*"(\w+)"', module.read_text("utf-8"))
        asking |= {command for command in wanted if command not in ("report", "verify")}
    # What is drawn needs the group that every command gets.
    assert asking <= set(starter.FURTHER_GROUPS)
    assert {"fetch", "review", "export"} <= asking


def test_an_older_python_is_told_so_in_one_sentence(
    starter: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    spec = importlib.util.spec_from_file_location("old_start", starter.__file__)
    assert spec is not None
    assert spec.loader is not None
    monkeypatch.setattr(sys, "version_info", (3, 9, 1, "final", 0))
    with pytest.raises(SystemExit) as stop:
        spec.loader.exec_module(importlib.util.module_from_spec(spec))
    assert "Python 3.11 or newer is needed, this is 3.9" in str(stop.value)
