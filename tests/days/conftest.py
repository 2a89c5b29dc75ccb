"""Results folders for the days of people who use them; their commands are the README's."""

import json
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import nibabel
import numpy as np
import pydicom
import pytest
from closed_day import SHORT_MM, Study, make_known, use_known
from closed_femora import Shape, make_case_result, make_femur
from peers import NODE, SENDER, Peer, make_entity, run_peer, wait_until
from pydicom.uid import CTImageStorage
from pynetdicom import build_context

from canalmorph.batch.run import measure_inputs
from canalmorph.model.femur import Side
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings
from canalmorph_cli.main import run_command
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.write import write_dicom

#: What is scanned where femora are measured.
PHANTOMS = {
    "normal": "small_right",
    "stovepipe": "small_right_stovepipe",
    "flute": "small_left_flute",
}
#: Patient space of DICOM to that of NIfTI.
LPS_TO_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])


def write_crop(volume: CtVolume, path: Path) -> None:
    """Write a volume as NIfTI, whose columns come first."""
    affine = LPS_TO_RAS @ volume.index_to_lps_mm[:, [2, 1, 0, 3]]
    image = nibabel.nifti1.Nifti1Image(volume.voxels_hu.transpose(2, 1, 0), affine)
    image.header.set_xyzt_units("mm")
    image.to_filename(path)


@pytest.fixture(scope="session")
def measure_shapes() -> Callable[[Path, Mapping[str, Shape]], Path]:
    """Return a maker of results of right femora in closed form: all but their measuring is real."""

    def measure(folder: Path, shapes: Mapping[str, Shape]) -> Path:
        known = {}
        scans = folder / "scans"
        scans.mkdir()
        for name, shape in shapes.items():
            femur, aligned = make_femur(Side.RIGHT, shape)
            write_crop(aligned.cortex.femur.crop, scans / f"{name}.nii")
            known[name] = (make_case_result([femur]), aligned)

        def look_up(
            volume: CtVolume, settings: Settings, *, case_id: str, **others: object
        ) -> ScanMeasurement:
            case, aligned = known[Path(volume.facts.source).stem]
            shown = replace(
                case, case_id=case_id, scan=volume.facts, settings_hash=settings.hash_text()
            )
            return ScanMeasurement(case=shown, aligned=(aligned,))

        measure_inputs([scans], folder / "results", Settings(), measure=look_up)
        return folder / "results"

    return measure


@pytest.fixture
def peer() -> Iterator[Peer]:
    """An archive in this process."""
    with run_peer() as made:
        yield made


@dataclass(frozen=True, slots=True, kw_only=True)
class Said:
    """What a command returned and printed."""

    status: int
    out: str


class Started:
    """A command in a process of its own."""

    def __init__(self, words: Sequence[str], folder: Path, known: bool, nap: Mapping[str, str]):
        begin = (
            ["-c", "import closed_day; closed_day.run_known()"]
            if known
            else ["-m", "canalmorph_cli"]
        )
        shared = str(Path(__file__).parents[1] / "shared")
        path = os.pathsep.join([shared, *filter(None, [os.environ.get("PYTHONPATH")])])
        self._process = subprocess.Popen(
            [sys.executable, *begin, *words],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": path, **nap},
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        self.lines: list[str] = []
        self._seen = 0
        self._reader = threading.Thread(target=self._read)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        self.lines.extend(iter(self._process.stdout.readline, ""))

    def wait_for(self, words: str) -> Any:
        """Return the next line with these words; one of a log as its facts."""

        def find() -> int | None:
            lines = enumerate(self.lines[self._seen :], start=self._seen)
            return next((n for n, line in lines if words in line), None)

        wait_until(lambda: find() is not None or self._process.poll() is not None, 300.0)
        place = find()
        assert place is not None, "".join(self.lines)
        self._seen = place + 1
        line = self.lines[place].strip()
        return json.loads(line) if line.startswith("{") else line

    def kill(self) -> None:
        self._process.send_signal(signal.SIGKILL)
        self._process.wait(120)

    def interrupt(self) -> None:
        self._process.send_signal(signal.SIGINT)
        assert self._process.wait(300) == 0, "".join(self.lines)

    def end(self) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.wait(120)
        self._reader.join()
        assert self._process.stdout is not None
        self._process.stdout.close()


class Day:
    """Studies that arrive in a folder, and the README's commands on them."""

    def __init__(
        self, folder: Path, readme: str, known: bool, capsys: pytest.CaptureFixture[str]
    ) -> None:
        self._folder, self._readme, self._known, self._capsys = folder, readme, known, capsys

    def read_commands(self, person: str) -> list[str]:
        """Return the commands of a person's day."""
        section = self._readme.partition("\n## Three days\n")[2].partition("\n## ")[0]
        found = re.search(rf"\*\*An? [a-z ]*{person}\*\*.*?```\n(.*?)```", section, re.DOTALL)
        assert found is not None
        return found[1].splitlines()

    def _split(self, command: str) -> list[str]:
        """Return a command's words, with folders of this day for the capitals of the README."""
        words = shlex.split(command.removeprefix("python3 cli "))
        return [
            str(self._folder / word.lower())
            if re.match(r"[A-Z_]+(/|$)|node\.toml|.*\.csv", word)
            else word
            for word in words
        ]

    def do(self, command: str) -> Said:
        """Run a command in this process."""
        self._capsys.readouterr()
        with use_known() if self._known else nullcontext():
            status = run_command(self._split(command))
        printed = self._capsys.readouterr()
        assert "Traceback" not in printed.out + printed.err
        return Said(status=status, out=printed.out + printed.err)

    @contextmanager
    def start(self, command: str, **nap: str) -> Iterator[Started]:
        """Run a command beside this process until the block ends."""
        started = Started(self._split(command), self._folder, self._known, nap)
        try:
            yield started
        finally:
            started.end()

    def send(self, study: Study, port: int) -> None:
        """Send a study to the node as a scanner does."""
        entity = make_entity(SENDER)
        association = entity.associate(
            "127.0.0.1", port, contexts=[build_context(CTImageStorage)], ae_title=NODE
        )
        assert association.is_established
        for path in sorted((self._folder / study.place).iterdir()):
            assert association.send_c_store(pydicom.dcmread(path)).Status == 0x0000
        association.release()


def write_study(study: Study, folder: Path, volume: CtVolume) -> None:
    """Write a study as DICOM with what is the matter with it."""
    result = SimpleNamespace(
        spec=replace(SMALL["small_right"], name=f"day_{study.name}_{study.fault}"),
        seed=7,
        volume=volume,
    )
    paths = write_dicom(
        result,
        folder,
        patient_name=f"Invented^{study.name}",
        patient_id=study.patient_id,
    )
    if study.fault == "gap":
        paths[len(paths) // 2].unlink()


def spoil_volume(volume: CtVolume, fault: str, apex_lps_mm: np.ndarray) -> CtVolume:
    """Return a volume with a fault in its voxels."""
    voxels = volume.voxels_hu.copy()
    if fault == "bare":
        return replace(volume, voxels_hu=np.minimum(voxels, 80).astype(np.int16))
    if fault == "metal":
        index = np.linalg.inv(volume.index_to_lps_mm) @ [*apex_lps_mm, 1.0]
        k, j, i = np.round(index[:3]).astype(int)
        voxels[k - 8 : k + 8, j - 8 : j + 8, i - 8 : i + 8] = 3071
        return replace(volume, voxels_hu=voxels)
    return volume


@pytest.fixture
def make_day(
    project_folder: Path,
    cut_between: Callable[[CtVolume, float, float], CtVolume],
    capsys: pytest.CaptureFixture[str],
) -> Callable[..., Day]:
    """Return a maker of a day on which studies arrive; ``known`` ones need no measuring."""

    @lru_cache
    def build(shape: str, sharp: bool) -> PhantomResult:
        spec = SMALL[PHANTOMS[shape]]
        sharper = replace(spec.scanner, kernel="Br60", blur_in_plane_mm=0.45)
        return build_scan(replace(spec, scanner=sharper) if sharp else spec)

    def draw(study: Study, kind: str) -> CtVolume:
        """Return the voxels of a study, with what is the matter with them."""
        if kind == "known":
            _, aligned = make_known(study.shape, study.fault)
            apex = aligned.lesser_trochanter.apex_lps_mm
            return spoil_volume(aligned.cortex.femur.crop, study.fault, apex)
        built = build(study.shape, study.fault == "sharp")
        apex = np.array(built.truth.femora[0].lt_mm)
        if study.fault == "short":
            return cut_between(built.volume, apex[2] + SHORT_MM, 1000.0)
        return spoil_volume(built.volume, study.fault, apex)

    def make(folder: Path, studies: Sequence[Study], kind: str) -> Day:
        for study in studies:
            target = folder / study.place
            if study.fault == "copy":
                shutil.copytree(folder / replace(study, way="node").place, target)
                continue
            write_study(study, target, draw(study, kind))
            if study.way == "zip":
                shutil.make_archive(str(target), "zip", target)
                shutil.rmtree(target)
        readme = (project_folder / "README.md").read_text("utf-8")
        return Day(folder, readme, kind == "known", capsys)

    return make
