"""Runs the command line in this process, and makes the scans it is given."""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from canalmorph_cli.main import run_command
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.write import write_dicom


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a command returned and printed."""

    status: int
    out: str
    err: str


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str]) -> Callable[..., Said]:
    def run_words(*words: object) -> Said:
        capsys.readouterr()
        status = run_command([str(word) for word in words])
        printed = capsys.readouterr()
        return Said(status=status, out=printed.out, err=printed.err)

    return run_words


@pytest.fixture(scope="session")
def small_result() -> PhantomResult:
    return build_scan(SMALL["small_right"])


@pytest.fixture(scope="session")
def small_dicom(small_result: PhantomResult, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("day") / "quill_rosalind"
    write_dicom(small_result, folder, patient_name="Quill^Rosalind", patient_id="PX-552317")
    return folder
