"""Whether the field of view cuts a long bone: then what is left of it tells nothing of a femur."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from canalmorph.femur_errors import FieldOfViewError
from canalmorph.locate.shafts import Chain

#: Skin and muscle lie between bone and air in a patient, and half a blur between bone and air in a
#: bone alone: bone this dense right beside nothing was cut. [HU]
CUT_BONE_HU, NOTHING_HU = 600, -950
#: So much of a shaft must be cut, by so many voxels a slice.
LEAST_CUT_MM, LEAST_CUT_VOXELS = 20.0, 3
#: Around a shaft that is in view, and over its upper end, where the rest of it must lie. [mm]
AROUND_MM, ABOVE_MM = 60.0, 120.0


def refuse_cut_bone(
    voxels: NDArray[np.int16],
    index_to_lps_mm: NDArray[np.float64],
    chains: Sequence[Chain],
    source: str,
) -> None:
    """Refuse a scan that shows no sound femur because its field of view cuts a long bone.

    Parameters
    ----------
    voxels, index_to_lps_mm
        The scan, turned towards the patient. [HU]
    chains : sequence of Chain
        Shafts that are in view.
    source : str
        For the refusal.

    Raises
    ------
    FieldOfViewError
        With the heights between which a bone is cut.
    """
    cut = _list_cut_heights(voxels, index_to_lps_mm, chains)
    step_mm = float(np.linalg.norm(index_to_lps_mm[:3, 0]))
    if len(cut) * step_mm >= LEAST_CUT_MM:
        raise FieldOfViewError(source=source, low_mm=min(cut), high_mm=max(cut))


def _list_cut_heights(
    voxels: NDArray[np.int16], index_to_lps_mm: NDArray[np.float64], chains: Sequence[Chain]
) -> list[float]:
    """Return the height of every slice in which bone of a shaft ends at the field of view [mm]."""
    heights = []
    to_index = np.linalg.inv(index_to_lps_mm)
    around = np.ceil(AROUND_MM / np.linalg.norm(index_to_lps_mm[:3, 1:3], axis=0)).astype(int)
    for k, plane in enumerate(voxels):
        height = float(index_to_lps_mm[2] @ [k, *np.array(plane.shape) / 2, 1])
        for chain in chains:
            centres = chain.centres_lps_mm
            if not centres[0, 2] <= height <= centres[-1, 2] + ABOVE_MM:
                continue
            centre = centres[np.argmin(np.abs(centres[:, 2] - height))]
            middle = np.rint(to_index[1:3, :3] @ centre + to_index[1:3, 3]).astype(int)
            low, high = np.maximum(middle - around, 0), np.maximum(middle + around + 1, 0)
            if _count_cut(plane, low, high) >= LEAST_CUT_VOXELS:
                heights.append(height)
                break
    return heights


def _count_cut(plane: NDArray[np.int16], low: NDArray[np.int64], high: NDArray[np.int64]) -> int:
    """Return how many voxels of bone in a part of a slice lie beside nothing, or at its border."""
    nothing = np.pad(plane <= NOTHING_HU, 1, constant_values=True)
    beside = nothing[:-2, 1:-1] | nothing[2:, 1:-1] | nothing[1:-1, :-2] | nothing[1:-1, 2:]
    part = (slice(low[0], high[0]), slice(low[1], high[1]))
    return int(np.count_nonzero((plane[part] > CUT_BONE_HU) & beside[part]))
