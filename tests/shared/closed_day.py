"""The studies of a day, and a stage of measuring that looks their femora up in closed form.

Everything but that stage is the program's own: reading, batch, node, pages, tables, objects.
"""

import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any
from unittest.mock import patch

from closed_femora import Shape, make_case_result, make_femur

from canalmorph.batch.engine import InProcessEngine
from canalmorph.batch.run import measure_inputs
from canalmorph.femur_errors import HiddenByMetalError, NoFemurError
from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import FemurResult
from canalmorph.model.volume import CtVolume
from canalmorph.network.node import open_node
from canalmorph.pipeline import ScanMeasurement, Settings

#: Right femora by their canal's shape; nothing is measured in their coarse voxels.
SHAPES = {
    "normal": Shape(voxel_mm=3.0),
    "stovepipe": Shape(isthmus_radius_mm=9.0, flare=2.4, wall_mm=4.0, voxel_mm=3.0),
    "flute": Shape(isthmus_radius_mm=4.5, flare=5.6, voxel_mm=3.0),
}
#: Where a scan that is too short ends, in mm below the lesser trochanter.
SHORT_MM = -86.0
#: How wide another kernel shows a canal, as a share.
SHARP_SHARE = 1.01
#: Names the pause within each measuring, in which a kill falls.
NAP_NAME = "CLOSED_DAY_NAP_S"


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """An invented patient's study: how it arrives, and what is the matter with it."""

    name: str
    way: str = "folder"
    shape: str = "normal"
    fault: str = ""

    @property
    def place(self) -> str:
        """Where its files lie before anybody looks at them."""
        folders = {"node": "scanner", "other": "other_scans"}
        return f"{folders.get(self.way, 'scans')}/study_{self.name}"

    @property
    def patient_id(self) -> str:
        return f"DAY-{self.name}-{self.shape}-{self.fault}"


@lru_cache
def make_known(shape: str, fault: str) -> tuple[FemurResult, AlignedFemur]:
    known = SHAPES[shape]
    if fault == "sharp":
        known = replace(known, isthmus_radius_mm=SHARP_SHARE * known.isthmus_radius_mm)
    if fault != "short":
        return make_femur(Side.RIGHT, known)
    femur, aligned = make_femur(Side.RIGHT, replace(known, lowest_mm=SHORT_MM))
    return replace(femur, warnings=("isthmus_not_in_view",)), aligned


def measure_known(
    volume: CtVolume,
    settings: Settings,
    *,
    case_id: str,
    progress: Callable[[str], None] = lambda stage: None,
    knees: CtVolume | None = None,
) -> ScanMeasurement:
    """Give what is known of the patient whose number the scan has."""
    progress("measure right")
    time.sleep(float(os.environ.get(NAP_NAME, "0")))
    shape, fault = volume.patient.identifier.split("-")[2:]
    if fault == "bare":
        raise NoFemurError(source=volume.facts.source, n_long_bones=0)
    if fault == "metal":
        raise HiddenByMetalError(side="right", part="lesser trochanter")
    femur, aligned = make_known(shape, fault)
    case = replace(
        make_case_result([femur]),
        case_id=case_id,
        scan=volume.facts,
        patient=volume.patient,
        spacing_mm=tuple(float(step) for step in volume.spacing_mm),
        settings=settings.to_dict(),
        settings_hash=settings.hash_text(),
    )
    return ScanMeasurement(case=case, aligned=(aligned,))


def _engine(**_: Any) -> InProcessEngine:
    return InProcessEngine()


def _leave_out(*_: Any) -> None:
    """Draw nothing."""


@contextmanager
def use_known() -> Iterator[None]:
    """Let the commands look up what they would measure, in their own process."""
    with ExitStack() as stack:
        for function in (measure_inputs, open_node.__wrapped__):
            stack.enter_context(patch.dict(function.__kwdefaults__, measure=measure_known))
        # What is sent is the paper; the page is looked at on the surgeon's day.
        stack.enter_context(patch("canalmorph.batch.case_files.write_page", _leave_out))
        for module in ("batch.engine", "network.node"):
            stack.enter_context(patch(f"canalmorph.{module}.FittingEngine", _engine))
        yield


def run_known() -> None:
    """Run a command of the command line, whose words are those of this process."""
    import sys

    from canalmorph_cli.main import run_command

    with use_known():
        sys.exit(run_command(sys.argv[1:]))
