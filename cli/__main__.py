"""The starter: ``python3 cli COMMAND ...`` on a machine with nothing but Python.

Makes ``.venv`` beside ``pyproject.toml``, installs what the command needs, then hands over to the
command line in it. Standard library only; a second start finds its stamp and hands over at once.
"""

import sys

if sys.version_info < (3, 11):  # noqa: UP036  this file is what an older Python meets first
    sys.exit(
        "canalmorph: Python 3.11 or newer is needed, this is %d.%d; start it with a newer one, "  # noqa: UP031  the same
        "for example: python3.11 cli demo" % sys.version_info[:2]
    )

import hashlib
import json
import os
import subprocess
import time
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parent.parent
#: What `pytest` is told before the user's own words: two processes, each file's tests in one of
#: them, so that a file's costly phantom is made once.
TEST_ARGUMENTS = ("-n", "2", "--dist", "loadfile")
#: Variables that would lead the new interpreter or its installer out of ``.venv``.
LEAKING_VARIABLES = (
    "PYTHONPATH",
    "PYTHONHOME",
    "PYTHONSTARTUP",
    "PYTHONUSERBASE",
    "PIP_USER",
    "PIP_TARGET",
    "PIP_PREFIX",
    "PIP_ROOT",
    "__PYVENV_LAUNCHER__",
)
#: What a command needs beside reading, measuring and reporting.
FURTHER_GROUPS = {
    "test": ("test",),
    "export": ("export",),
    "describe": ("statistics",),
    "agree": ("statistics",),
    "methods": ("export",),
    "review": ("review",),
    "receive": ("network",),
    "send": ("network",),
    "fetch": ("network",),
}
#: Words in the installer's output that tell of a missing network.
OFFLINE_SIGNS = (
    "name resolution",
    "getaddrinfo failed",
    "NewConnectionError",
    "Network is unreachable",
    "ConnectTimeout",
    "Max retries exceeded",
    "nodename nor servname",
)
#: Left in ``.venv`` by a finished installation, so that the next start need not look further.
STAMP_NAME = "canalmorph-stamp.json"
#: A line of life is printed this often while installing. [s]
LIFE_SIGN_S = 20.0


class StarterError(Exception):
    """The environment cannot be made; the text is one sentence for the user."""


def say(sentence: str) -> None:
    """Print a line about the starter's own work, apart from what the command prints."""
    print(f"canalmorph: {sentence}", file=sys.stderr, flush=True)


def venv_python(venv: Path) -> Path:
    """Return where the interpreter of a virtual environment lies."""
    return venv / ("Scripts/python.exe" if os.name == "nt" else "bin/python")


def groups_for(arguments: Sequence[str]) -> frozenset[str]:
    """Return the optional groups of ``pyproject.toml`` that a command needs."""
    command = arguments[0] if arguments else ""
    objects = ("dicom",) if "--dicom" in arguments else ()
    return frozenset({"report", *objects, *FURTHER_GROUPS.get(command, ())})


def packaging_hash(project: Path) -> str:
    """Return a hash of what decides which packages an environment holds."""
    return hashlib.sha256((project / "pyproject.toml").read_bytes()).hexdigest()


def place_text(project: Path) -> str:
    """Return what an environment is bound to: the project's folder and the interpreter."""
    return f"{project} {sys.base_prefix} {sys.version}"


def read_stamp(venv: Path, project: Path) -> dict[str, Any]:
    """Return what a finished installation left, or nothing where ``.venv`` must be made anew."""
    try:
        content = json.loads((venv / STAMP_NAME).read_text(encoding="utf-8"))
        usable = content["place"] == place_text(project) and venv_python(venv).exists()
        return {"packaging": content["packaging"], "groups": content["groups"]} if usable else {}
    except (OSError, ValueError, KeyError, TypeError):
        return {}


def clean_environment(environment: Mapping[str, str]) -> dict[str, str]:
    """Return the environment without what would lead an interpreter out of ``.venv``."""
    return {name: value for name, value in environment.items() if name not in LEAKING_VARIABLES}


@contextmanager
def hold_lock(path: Path) -> Iterator[None]:
    """Wait for and hold a lock between processes; the system frees it when the holder dies."""
    with open(path, "a+b") as file:
        waiting = False
        while not try_lock(file.fileno()):
            if not waiting:
                say("another start is installing; waiting for it.")
                waiting = True
            time.sleep(0.5)
        yield


def try_lock(descriptor: int) -> bool:
    """Take the lock of an open file if no other process has it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            os.lseek(descriptor, 0, os.SEEK_SET)
            msvcrt.locking(descriptor, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True


def run_logged(command: Sequence[str], log: Path) -> bool:
    """Run a command with its output in a file, showing now and then that it lives."""
    with open(log, "ab") as output:
        process = subprocess.Popen(
            command,
            stdin=subprocess.DEVNULL,
            stdout=output,
            stderr=subprocess.STDOUT,
            env=clean_environment(os.environ),
        )
        started = time.monotonic()
        while True:
            try:
                return process.wait(timeout=LIFE_SIGN_S) == 0
            except subprocess.TimeoutExpired:
                say(f"still installing ({time.monotonic() - started:.0f} s).")
            except BaseException:
                process.kill()
                process.wait()
                raise


def failure_sentence(log: Path) -> str:
    """Return what a failed installation means and what to do, in one sentence."""
    text = log.read_text(encoding="utf-8", errors="replace")
    if any(sign in text for sign in OFFLINE_SIGNS):
        return (
            "the package index cannot be reached; connect this machine to the network (or name "
            f"a mirror in PIP_INDEX_URL) and start again; details in {log}"
        )
    return (
        "installing failed; look at the last lines of the log, mend what they name and start "
        f"again: {log}"
    )


def install(project: Path, groups: frozenset[str], *, anew: bool) -> None:
    """Make or mend ``.venv`` so that it holds the project with these groups.

    Raises
    ------
    StarterError
        If the environment cannot be made.
    """
    venv, log = project / ".venv", project / ".venv.log"
    say("installing into .venv; this takes a minute or two, once, and needs the network.")
    log.write_bytes(b"")
    # Inside a virtual environment: the interpreter below it, or .venv would clear itself.
    maker = getattr(sys, "_base_executable", None) or sys.executable
    if anew and not run_logged([maker, "-m", "venv", "--clear", str(venv)], log):
        raise StarterError(
            "a virtual environment cannot be made; on Debian and Ubuntu install the package "
            f"python3-venv, then start again; details in {log}"
        )
    stamp = venv / STAMP_NAME
    stamp.unlink(missing_ok=True)
    pip = [str(venv_python(venv)), "-m", "pip", "install", "--disable-pip-version-check"]
    target = f"{project}[{','.join(sorted(groups))}]"
    if not run_logged([*pip, "--no-input", "--editable", target], log):
        raise StarterError(failure_sentence(log))
    content = {
        "place": place_text(project),
        "packaging": packaging_hash(project),
        "groups": sorted(groups),
    }
    unfinished = stamp.with_suffix(".tmp")
    unfinished.write_text(json.dumps(content), encoding="utf-8")
    unfinished.replace(stamp)
    say("installed.")


def ensure_installed(project: Path, needed: frozenset[str]) -> None:
    """Install what is missing; return at once where nothing is.

    Raises
    ------
    StarterError
        If something is missing and cannot be installed.
    """
    venv = project / ".venv"

    def is_complete(stamp: Mapping[str, Any]) -> bool:
        groups = stamp.get("groups", [])
        return stamp.get("packaging") == packaging_hash(project) and needed <= set(groups)

    if is_complete(read_stamp(venv, project)):
        return
    try:
        with hold_lock(project / ".venv.lock"):
            stamp = read_stamp(venv, project)
            if not is_complete(stamp):
                groups = needed | frozenset(stamp.get("groups", []))
                install(project, groups, anew=not stamp)
    except OSError as error:
        raise StarterError(
            f"{project} cannot be written ({error.strerror}); copy the project to a folder of "
            "your own and start it there"
        ) from error


def build_command(project: Path, arguments: Sequence[str]) -> list[str]:
    """Return the command of the environment's interpreter that does the work.

    ``-P`` keeps modules of the current folder from taking the place of installed ones.
    """
    python = [str(venv_python(project / ".venv")), "-P", "-m"]
    if arguments[:1] != ["test"]:
        return [*python, "canalmorph_cli", *arguments]
    return [*python, "pytest", "--rootdir", str(project), *TEST_ARGUMENTS, *arguments[1:]]


def hand_over(command: Sequence[str]) -> int:
    """Run the command in place of this process where the system can, else below it."""
    environment = clean_environment(os.environ)
    if os.name != "nt":
        sys.stdout.flush()
        os.execve(command[0], list(command), environment)
    process = subprocess.Popen(command, env=environment)
    while True:
        try:
            return process.wait()
        except KeyboardInterrupt:
            continue  # The command below got it too and ends in its own way.


def main(arguments: Sequence[str]) -> int:
    """Install if needed, run the command, return its exit status."""
    try:
        ensure_installed(PROJECT, groups_for(arguments))
    except StarterError as error:
        say(f"{error}.")
        return 2
    except KeyboardInterrupt:
        say("stopped while installing; the next start begins the installation again.")
        return 130
    if arguments[:1] == ["test"]:
        os.chdir(PROJECT)
    return hand_over(build_command(PROJECT, arguments))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
