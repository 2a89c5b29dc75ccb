"""What is compiled, loaded while a person still looks at the list.

Loading it takes about a second, once in a process; the first case and the first mark would wait.
"""

import logging
import threading
from collections.abc import Iterator

from canalmorph.errors import CanalMorphError
from canalmorph.export.surfaces import SURFACES_NAME
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.model.femur import AlignedFemur
from canalmorph.pipeline import Settings, correct_femur
from canalmorph.report.pictures import find_box
from canalmorph.report.projection import project_femur
from canalmorph.review.desk import ReviewDesk
from canalmorph.review.payload import describe_section

#: A mark this far from what was found has everything measured that a mark can ask for. [mm]
MOVED_MM = 0.5
_log = logging.getLogger(__name__)


def load_compiled(desk: ReviewDesk) -> None:
    """Mark, measure and draw one femur of the folder once, and forget it."""
    for femur in _find_femora(desk):
        apex = femur.lesser_trochanter.apex_lps_mm + MOVED_MM * femur.frame.proximal
        x, y, z = apex.tolist()
        mark = Correction(
            kind=CorrectionKind.LESSER_TROCHANTER,
            side=femur.cortex.femur.side,
            points_lps_mm=((x, y, z),),
        )
        try:
            moved, result, _ = correct_femur(femur, [mark], Settings(), brief=True)
            project_femur(moved, find_box(result.profile), "ap")
            describe_section(moved, result, 0.0, axial=False)
        except (CanalMorphError, ValueError) as error:
            _log.info("A femur was not measured beforehand (%s).", type(error).__name__)
            continue
        return


def start_loading(desk: ReviewDesk) -> threading.Thread:
    """Return a thread in which what is compiled is loaded."""
    thread = threading.Thread(target=load_compiled, args=(desk,), daemon=True)
    thread.start()
    return thread


def _find_femora(desk: ReviewDesk) -> Iterator[AlignedFemur]:
    for path in desk.results.glob(f"cases/[!.]*/{SURFACES_NAME}"):
        try:
            yield from desk.open_case(path.parent.name, brief=True).automatic_aligned
        except (CanalMorphError, KeyError, OSError) as error:
            _log.info("A case was not opened beforehand (%s).", type(error).__name__)
