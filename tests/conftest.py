"""What all tests share: the outside data, and the promise that a CI skips none of them."""

import os
from collections.abc import Generator
from pathlib import Path

# One thread for compiled loops: two test processes share two cores. Set before numba is imported.
# Compiled code is kept in the __pycache__ beside its module (numba's default), so that only the
# first run on a new machine pays for the compiling; to start cold, remove those folders.
os.environ.setdefault("NUMBA_NUM_THREADS", "1")
os.environ.setdefault("MPLBACKEND", "Agg")

import pytest

#: Markers of tests that need something beside the project; each is skipped with its reason
#: where that is missing, and fails for it where CANALMORPH_NO_SKIP is set, as .ci/run does.
NEEDS_SOMETHING = ("outside_data", "browser")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    marked = any(item.get_closest_marker(name) for name in NEEDS_SOMETHING)
    if report.skipped and marked and os.environ.get("CANALMORPH_NO_SKIP") == "1":
        reason = report.longrepr[2] if isinstance(report.longrepr, tuple) else report.longrepr
        report.outcome = "failed"
        report.longrepr = f"Skipped although CANALMORPH_NO_SKIP is set. {reason}"
    return report


@pytest.fixture(scope="session")
def project_folder() -> Path:
    """Return the folder of ``pyproject.toml``."""
    return Path(__file__).resolve().parent.parent


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """Return the folder of the shared material, or skip the test with the reason."""
    named = os.environ.get("CANALMORPH_SHARED", "")
    if not named:
        pytest.skip("CANALMORPH_SHARED names no folder with the shared data.")
    folder = Path(named)
    if not folder.is_dir():
        pytest.skip("The folder that CANALMORPH_SHARED names does not exist.")
    return folder


@pytest.fixture(scope="session")
def shared_data(shared_folder: Path) -> Path:
    """Return the folder of real CT that no one here made, or skip the test with the reason."""
    return _subfolder(shared_folder, "data")


@pytest.fixture(scope="session")
def virtual_ct(shared_folder: Path) -> Path:
    """Return the folder of the maker of virtual scans, or skip the test with the reason."""
    return _subfolder(shared_folder, "virtual_ct")


def _subfolder(folder: Path, name: str) -> Path:
    if not (folder / name).is_dir():
        pytest.skip(f"The shared folder holds no {name}.")
    return folder / name
