"""The exact environment of a run, as a list that pip installs again."""

import platform
import sys
from importlib.metadata import distributions
from pathlib import Path

from canalmorph.export.files import write_atomically

ENVIRONMENT_NAME = "environment.txt"


def write_environment(results_folder: Path) -> None:
    """Write ``environment.txt``: every installed package with its version, and the machine's kind.

    Nothing in it names a person, a machine or a place.

    Raises
    ------
    OSError
        If the folder cannot be written.
    """
    write_atomically(results_folder / ENVIRONMENT_NAME, list_environment().encode("utf-8"))


def list_environment() -> str:
    """Return the lines of the file: comments on interpreter and machine, then the packages."""
    packages = {
        f"{found.metadata['Name']}=={found.version}"
        for found in distributions()
        if found.metadata["Name"]
    }
    python = f"{platform.python_implementation()} {platform.python_version()}"
    heading = (
        f"# {python}, {sys.platform}, {platform.machine()}",
        "# The packages of the run that last measured into this folder; for pip install -r.",
    )
    return "\n".join([*heading, *sorted(packages, key=str.lower)]) + "\n"
