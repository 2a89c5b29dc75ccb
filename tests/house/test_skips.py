"""A test without its outside data is skipped with the reason, and fails where CI has them."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

INNER_TEST = """\
import pytest

@pytest.mark.outside_data
def test_with_data(shared_data):
    assert shared_data.name == "data"

def test_without_mark():
    pytest.skip("a reason of its own")
"""


def run_inner(folder: Path, project_folder: Path, **variables: str) -> str:
    shutil.copy(project_folder / "tests/conftest.py", folder / "conftest.py")
    (folder / "test_inner.py").write_text(INNER_TEST, "utf-8")
    (folder / "pytest.ini").write_text("[pytest]\nmarkers = outside_data: needs data\n", "utf-8")
    environment = {
        name: value for name, value in os.environ.items() if not name.startswith("CANALMORPH")
    }
    return subprocess.run(
        [sys.executable, "-m", "pytest", "-rs", "-p", "no:cacheprovider", str(folder)],
        cwd=folder,
        env={**environment, **variables},
        capture_output=True,
        text=True,
        check=False,
    ).stdout


def test_without_data_the_reason_is_shown(tmp_path: Path, project_folder: Path) -> None:
    said = run_inner(tmp_path, project_folder)
    assert "2 skipped" in said
    assert "CANALMORPH_SHARED names no folder" in said


@pytest.mark.parametrize("named", [{}, {"CANALMORPH_SHARED": "absent"}], ids=["unset", "absent"])
def test_where_no_skip_is_allowed_it_fails(
    tmp_path: Path, project_folder: Path, named: dict[str, str]
) -> None:
    said = run_inner(tmp_path, project_folder, CANALMORPH_NO_SKIP="1", **named)
    assert "1 skipped, 1 error" in said


def test_with_data_it_runs(tmp_path: Path, project_folder: Path) -> None:
    (tmp_path / "shared/data").mkdir(parents=True)
    shared = str(tmp_path / "shared")
    said = run_inner(tmp_path, project_folder, CANALMORPH_NO_SKIP="1", CANALMORPH_SHARED=shared)
    assert "1 passed, 1 skipped" in said
