"""The part of a section's uncertainty that moves all its points together.

The scan-wide density, blur and kernel move every edge the same way, on both femora of a scan, so
that this part cancels in a difference of the two.
"""

import numpy as np
from numpy.typing import NDArray

from canalmorph.measure.section import measure_outline, measure_walls
from canalmorph.measure.stack import SectionStack


def find_shared_uncertainties(
    sections: SectionStack, limits_mm: NDArray[np.float64]
) -> dict[str, NDArray[np.float64]]:
    """Return the shared part of the uncertainty of each measured column.

    Parameters
    ----------
    sections : SectionStack
        With its outlines and their shared uncertainty.
    limits_mm : (n,) float array
        Where the head's circle ends each section medially; infinite without. [mm]

    Returns
    -------
    dict of str to (n,) float array
        NaN where the column is. [mm or mm2]
    """
    shared = {name: np.full(len(limits_mm), np.nan) for name in sections.columns}
    for row, limit in enumerate(limits_mm):
        outer, canal = sections.outer_mm[row], sections.canal_mm[row]
        for name, u in _measure_section(outer, canal, float(limit)).items():
            if np.isfinite(sections.columns[name][row]):
                shared[name][row] = u
    return shared


def _measure_section(
    outer: NDArray[np.float64], canal: NDArray[np.float64], limit_mm: float
) -> dict[str, float]:
    """Return the uncertainties of one section as if no point erred alone."""
    still = np.zeros(len(outer))
    us: dict[str, float] = {}
    for prefix, outline in (("outer", outer), ("canal", canal)):
        us |= measure_outline(
            outline[:, :2], still, outline[:, 3], medial_limit_mm=limit_mm, prefix=prefix
        )[1]
    known = np.isfinite(outer[:, 3])
    together = outer[known, 3].mean() if known.any() else 0.0
    walls = measure_walls(outer[:, :2], canal[:, :2], still, still, canal[:, 3] + together)[1]
    return us | walls
