"""Marks that a femur's landmarks do not show, for the page to draw.

Places in metal or of a break, marks that no longer fit, and marks that were taken away.
"""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from canalmorph.batch.reviews import ReviewEntry
from canalmorph.model.corrections import Correction, CorrectionKind, Unfit
from canalmorph.model.femur import FemurFrame, Side
from canalmorph.model.review_words import KIND_WORDS

#: Marks that show nowhere else while they hold.
PLACES = (CorrectionKind.METAL, CorrectionKind.FRACTURE, CorrectionKind.NECK_FRACTURE)
#: What is said of a mark that holds, does not fit, or was taken away.
STATE_WORDS = {"set": "", "unfit": ", no longer fits", "withdrawn": ", withdrawn"}


def list_drawn_marks(
    side: Side,
    frame: FemurFrame,
    *,
    holding: Sequence[Correction],
    unfit: Sequence[Unfit],
    entries: Sequence[ReviewEntry],
) -> list[dict[str, Any]]:
    """Return the marks of a femur that are drawn as such.

    Parameters
    ----------
    side : Side
        Of the femur, by the scan.
    frame : FemurFrame
        In which their places are told.
    holding : sequence of Correction
        The case's marks.
    unfit : sequence of Unfit
        Those of them that are left out.
    entries : sequence of ReviewEntry
        The case's log.
    """
    return [
        {
            "kind": mark.kind.value,
            "state": state,
            "words": KIND_WORDS[mark.kind].removeprefix("level of the ") + STATE_WORDS[state],
            "points_mm": np.round(frame.lps_to_frame_mm(np.array(mark.points_lps_mm)), 2).tolist(),
            "radius_mm": mark.radius_mm,
        }
        for state, mark in _list_states(holding, [one.mark for one in unfit], entries)
        if mark.side is side and mark.points_lps_mm
    ]


def _list_states(
    holding: Sequence[Correction], unfit: Sequence[Correction], entries: Sequence[ReviewEntry]
) -> Iterator[tuple[str, Correction]]:
    """Yield marks with what became of them; of those taken away, the last of each slot."""
    for mark in holding:
        if mark in unfit:
            yield "unfit", mark
        elif mark.kind in PLACES:
            yield "set", mark
    held = {mark.slot for mark in holding}
    gone = {mark.slot: mark for entry in entries for mark in entry.old if mark not in entry.new}
    for slot, mark in gone.items():
        if slot not in held:
            yield "withdrawn", mark
