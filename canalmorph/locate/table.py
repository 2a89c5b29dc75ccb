"""On which side of the patient the table lies, and whether the stated position agrees."""

import numpy as np
from numpy.typing import NDArray

#: What is no air and no foam on the coarse grid. [HU]
SOLID_HU = -700.0
#: Seen from behind or from the front, a table is a sheet thinner than the first, with a gap of at
#: least the second after it, that lies in one place in this share of the slices: it is straight
#: along its length, as no body is. Common practice, no source. [mm, mm, 1]
THICKEST_MM, LEAST_GAP_MM, LEAST_SLICES = 40.0, 5.0, 0.8
#: It does so over this share of the field of view's width, the body lying on the rest, and over
#: this much. [1, mm]
LEAST_SHARE, LEAST_WIDTH_MM = 0.3, 100.0
#: Stated positions in which the table lies behind the patient, and in front.
TABLE_BEHIND, TABLE_IN_FRONT = ("HFS", "FFS"), ("HFP", "FFP")
#: The code of the warning.
TABLE_CONTRADICTS = "table_contradicts_position"


def find_table(blocks_hu: NDArray[np.float32], index_to_lps_mm: NDArray[np.float64]) -> int:
    """Return 1 where a table lies behind the patient, -1 where in front, 0 where none is clear.

    Parameters
    ----------
    blocks_hu : (k, j, i) float32 array
        Coarse grid, k upwards, j to the back. [HU]
    index_to_lps_mm : (4, 4) float array
        Its affine. [mm]
    """
    spacing = np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    solid = blocks_hu > SOLID_HU
    behind, in_front = (_shows_sheet(part, spacing) for part in (solid[:, ::-1], solid))
    return int(behind) - int(in_front)


def contradicts_position(table: int, patient_position: str) -> bool:
    """Return whether the table lies on the other side than the stated position says.

    Examples
    --------
    >>> contradicts_position(-1, "HFS"), contradicts_position(-1, "HFP")
    (True, False)
    >>> contradicts_position(0, "HFS"), contradicts_position(-1, "")
    (False, False)
    """
    return (table < 0 and patient_position in TABLE_BEHIND) or (
        table > 0 and patient_position in TABLE_IN_FRONT
    )


def _shows_sheet(solid: NDArray[np.bool_], spacing_mm: NDArray[np.float64]) -> bool:
    """Whether a thin sheet that is straight along k is what is met first along j."""
    first = np.where(solid.any(axis=1), solid.argmax(axis=1), -1)
    rows = np.arange(solid.shape[1])[None, :, None]
    air_after = ~solid & (rows > first[:, None, :])
    end = np.where(air_after.any(axis=1), air_after.argmax(axis=1), solid.shape[1])
    solid_after = solid & (rows > end[:, None, :])
    again = np.where(solid_after.any(axis=1), solid_after.argmax(axis=1), 10 * solid.shape[1])
    thin = (end - first) * spacing_mm[1] <= THICKEST_MM
    apart = (again - end) * spacing_mm[1] >= LEAST_GAP_MM
    seen = thin & apart & (first >= 0)
    straight = np.abs(first - np.median(first, axis=0)) <= 1
    columns = (seen & straight).mean(axis=0) >= LEAST_SLICES
    return bool(columns.mean() >= LEAST_SHARE and columns.sum() * spacing_mm[2] >= LEAST_WIDTH_MM)
