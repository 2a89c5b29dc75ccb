"""Whether a column is blank because slices are missing where it would be measured."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.indices.widths import NEAR_MM
from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.results import CanalProfile
from canalmorph.model.shaft import ISTHMUS_ABOVE_MM, ISTHMUS_BELOW_MM
from canalmorph.published import (
    FLARE_LEVEL_MM,
    METAPHYSEAL_LEVEL_MM,
    MORPHOLOGICAL_LEVEL_MM,
)

#: Levels that a column needs without naming them.
_NEEDED_LEVELS_MM = {
    "cfi_ml": (FLARE_LEVEL_MM,),
    "cfi_ap": (FLARE_LEVEL_MM,),
    "dcfi_ml": (METAPHYSEAL_LEVEL_MM,),
    "mci_ml": (0.0, MORPHOLOGICAL_LEVEL_MM),
    "mcfi_ml": (FLARE_LEVEL_MM, METAPHYSEAL_LEVEL_MM),
    "cancellous_metaphysis_hu": (10.0, 15.0, 20.0),
}


def explain_gap(profile: CanalProfile, column: str, *, needs_isthmus: bool) -> str | None:
    """Return the reason of a blank column that missing slices made so, else None.

    Parameters
    ----------
    profile : CanalProfile
        Its quality bits tell where slices are missing.
    column : str
        The column's name.
    needs_isthmus : bool
        Whether it needs the narrowest place, which may lie in the gap.
    """
    missing = profile.levels_mm[(profile.quality & int(Quality.MISSING_SLICES)) != 0]
    if not missing.size:
        return None
    if needs_isthmus and ((missing < ISTHMUS_BELOW_MM) & (missing > ISTHMUS_ABOVE_MM)).any():
        return "Slices are missing where the canal may be narrowest."
    if any(np.abs(missing - level).min() <= NEAR_MM for level in _list_levels(column)):
        return "Slices are missing at a level that it needs."
    if column == "canal_volume_lt_isthmus_mm3" and _within(missing, ISTHMUS_ABOVE_MM, 0.0):
        return "Slices are missing between the lesser trochanter and the isthmus."
    return None


def _within(levels_mm: NDArray[np.float64], low_mm: float, high_mm: float) -> bool:
    return bool(((levels_mm > low_mm) & (levels_mm <= high_mm)).any())


def _list_levels(column: str) -> tuple[float, ...]:
    """Return the levels that a column needs, as far as its name or the list above tells."""
    stem = column.removesuffix("_condylar").removesuffix("_scanner")
    if stem in _NEEDED_LEVELS_MM:
        return _NEEDED_LEVELS_MM[stem]
    named = [level for name, level in NAMED_LEVELS_MM.items() if name != "lt" and name in column]
    return (*named, 0.0) if column.endswith(("_lt_mm", "_over_lt_ml")) else tuple(named)
