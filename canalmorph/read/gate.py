"""The last check of every reader: whether this is CT in Hounsfield units on a sound grid."""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import TooFewSlicesError
from canalmorph.model.volume import CtVolume
from canalmorph.read.continuity import check_rows, find_jumps
from canalmorph.read.grid import check_voxel
from canalmorph.read.pixels import AIR_HU
from canalmorph.read.raster import square_axes
from canalmorph.read.scale import check_scale
from canalmorph.read.settings import ReadSettings


def check_volume(volume: CtVolume, settings: ReadSettings) -> CtVolume:
    """Return the volume with values below air raised to air and what was odd as warnings.

    Raises
    ------
    TooFewSlicesError, NotOrthogonalError, ImplausibleVoxelError, NotHounsfieldError, \
OnlyAirError, NoBoneError, BoneClippedError, CorruptFileError
        Naming the source.
    """
    source = volume.facts.source
    check_grid(volume.voxels_hu.shape, volume.index_to_lps_mm, source, settings)
    codes = (*check_scale(volume.voxels_hu, source), *find_jumps(volume.voxels_hu))
    check_rows(volume.voxels_hu, volume.index_to_lps_mm, source)
    warnings = dict.fromkeys(volume.facts.warnings)
    voxels = volume.voxels_hu
    # Voxels of the sample may all lie above; the whole volume decides, slice by slice.
    low = [k for k, plane in enumerate(voxels) if plane.min() < AIR_HU]
    if low:
        if not voxels.flags.writeable:
            voxels = _writeable(voxels)
        for k in low:
            np.maximum(voxels[k], AIR_HU, out=voxels[k])
        warnings["below-air"] = None
    warnings |= dict.fromkeys(codes)
    return replace(volume, voxels_hu=voxels, facts=replace(volume.facts, warnings=tuple(warnings)))


def check_grid(
    shape: tuple[int, ...],
    index_to_lps_mm: NDArray[np.float64],
    source: str,
    settings: ReadSettings,
) -> None:
    """Refuse a grid that is too small, not right-angled or of an implausible voxel size."""
    if min(shape) < settings.min_slices:
        raise TooFewSlicesError(
            file=source,
            detail=(
                f"The volume has {' x '.join(map(str, shape))} voxels, "
                f"{settings.min_slices} are needed along each axis."
            ),
        )
    square_axes(index_to_lps_mm, source, "axes")
    check_voxel(np.linalg.norm(index_to_lps_mm[:3, :3], axis=0), source, settings)


def _writeable(voxels: NDArray[np.int16]) -> NDArray[np.int16]:
    # The reader made this array and nobody else holds it yet: `CtVolume` locked it.
    try:
        voxels.setflags(write=True)
    except ValueError:
        return voxels.copy()
    return voxels
