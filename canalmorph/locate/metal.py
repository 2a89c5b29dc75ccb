"""Metal in a scan."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lumps import find_lumps
from canalmorph.locate.settings import LocateSettings


def find_metal(
    voxels: NDArray[np.int16], index_to_lps_mm: NDArray[np.float64], settings: LocateSettings
) -> NDArray[np.float64]:
    """Return points (n, 3) in whatever metal the grid shows, the body's or not [mm]."""
    return find_lumps(
        voxels, index_to_lps_mm, above=settings.metal_hu, least_mm3=settings.least_metal_mm3
    )
