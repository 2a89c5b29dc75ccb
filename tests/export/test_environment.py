"""The list of the environment is exact, and holds names and versions of packages only."""

import platform
import re
from importlib.metadata import version
from pathlib import Path

from canalmorph.export.environment import list_environment, write_environment


def test_the_environment_is_listed_exactly(tmp_path: Path) -> None:
    write_environment(tmp_path)
    lines = (tmp_path / "environment.txt").read_text("utf-8").splitlines()
    assert platform.python_version() in lines[0]
    packages = [line for line in lines if not line.startswith("#")]
    assert f"numpy=={version('numpy')}" in packages
    assert all(re.fullmatch(r"[\w.-]+==[\w.+!-]+", line) for line in packages)
    assert packages == sorted(packages, key=str.lower)
    assert len({line.split("==")[0].lower() for line in packages}) == len(packages)
    assert list_environment() == "\n".join(lines) + "\n"
