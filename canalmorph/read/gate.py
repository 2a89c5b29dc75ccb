"""The last check of every reader: whether this is CT in Hounsfield units on a sound grid.

The scale is recognised from where the values lie, on a sample of the voxels: air, where there is
any, near -1000; soft tissue near 0; bone above 300. A tight crop may hold no air, and a scan whose
values end at 3071 is a common CT; neither is refused.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import NoBoneError, NotHounsfieldError, OnlyAirError, TooFewSlicesError
from canalmorph.model.volume import CtVolume
from canalmorph.read.grid import check_voxel
from canalmorph.read.pixels import AIR_HU
from canalmorph.read.raster import square_axes
from canalmorph.read.settings import ReadSettings

#: How many voxels are looked at: a peak of one part in a thousand still counts 1000.
SAMPLE_VOXELS = 1_000_000
#: Above this is tissue. [HU] Fat begins at -150, lung ends at -400.
TISSUE_HU = -300
#: Above this is bone (or metal, or contrast). [HU]
BONE_HU = 300
#: Less than this part of the voxels is noise. [dimensionless]
TRACE = 1e-3
#: At least so many voxels of the sample at the highest value are a plateau. [count]
PLATEAU_VOXELS = 20
#: Highest values of clipped scans lie near 3071 (12 bits less 1024) or above. [HU]
CLIPPED_HU = 2950


def check_volume(volume: CtVolume, settings: ReadSettings) -> CtVolume:
    """Return the volume with values below air raised to air and what was odd as warnings.

    Raises
    ------
    TooFewSlicesError, NotOrthogonalError, ImplausibleVoxelError, NotHounsfieldError, \
OnlyAirError, NoBoneError
        Naming the source.
    """
    source = volume.facts.source
    check_grid(volume.voxels_hu.shape, volume.index_to_lps_mm, source, settings)
    scale = _Scale.of(_sample(volume.voxels_hu))
    _check_scale(scale, source)
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
    if scale.plateau:
        warnings["clipped-high-values"] = None
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


def _sample(voxels: NDArray[np.int16]) -> NDArray[np.int16]:
    """Return about a million voxels on a coarser grid, spread over the volume."""
    step = max(1, round((voxels.size / SAMPLE_VOXELS) ** (1 / 3)))
    return voxels[step // 2 :: step, step // 2 :: step, step // 2 :: step].ravel()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Scale:
    """Parts of the sample by value, fill excluded [dimensionless]."""

    n: int
    constant: bool
    below_air: float
    wide_air: float
    air: float
    fat_side: float
    soft: float
    offset_soft: float
    has_fill: bool
    tissue: float
    bone: float
    soft_mode_hu: float
    plateau: bool

    @classmethod
    def of(cls, sample: NDArray[np.int16]) -> "_Scale":
        values = _without_fill(sample)
        n = max(len(values), 1)

        def part(low: float, high: float) -> float:
            return float(np.count_nonzero((values >= low) & (values < high))) / n

        middle = values[(values >= -600) & (values < 600)]
        counts, edges = np.histogram(middle, bins=np.arange(-600, 601, 25))
        mode = float(edges[int(np.argmax(counts))] + 12.5) if len(middle) else float("nan")
        top = int(values.max()) if len(values) else 0
        return cls(
            n=len(values),
            constant=len(values) < 100 or int(values.min()) == top,
            below_air=part(-32769, -1300),
            wide_air=part(-1300, -1080),
            air=part(-1080, -850),
            fat_side=part(-950, -30),
            soft=part(-200, 200),
            offset_soft=part(824, 1224),
            has_fill=len(values) < len(sample),
            tissue=part(TISSUE_HU, 40000),
            bone=part(BONE_HU, 40000),
            soft_mode_hu=mode,
            plateau=top >= CLIPPED_HU and int(np.count_nonzero(values == top)) >= PLATEAU_VOXELS,
        )


def _without_fill(sample: NDArray[np.int16]) -> NDArray[np.int16]:
    """Return the sample without the single low values that fill what was not scanned."""
    low = sample[sample <= AIR_HU]
    if not len(low):
        return sample
    values, counts = np.unique(low, return_counts=True)
    fill = values[counts > 0.01 * len(sample)]
    return sample[~np.isin(sample, fill)]


def _check_scale(scale: _Scale, source: str) -> None:
    def wrong(detail: str) -> NotHounsfieldError:
        return NotHounsfieldError(file=source, tag="voxel values", detail=detail)

    if scale.constant:
        raise OnlyAirError(file=source, detail="All voxels have one value or are padding.")
    if scale.below_air > 0.05:
        raise wrong(f"{scale.below_air:.0%} of the voxels lie below -1300.")
    low = scale.below_air + scale.wide_air
    if low > 0.004 and low > 0.4 * (low + scale.air):
        raise wrong("The lowest values do not gather near -1000, where air is.")
    if scale.tissue < TRACE:
        raise OnlyAirError(file=source, detail="The volume holds air alone.")
    # Air, fat, marrow and every edge lie below water; stored values with their offset do not.
    # A drawn phantom may hold none of them but air at exactly -1024, which looks like fill.
    nothing_low = scale.fat_side < TRACE and scale.air < TRACE
    if nothing_low and (not scale.has_fill or scale.offset_soft > 0.3 * scale.soft):
        raise wrong("Nothing lies below water: an offset was kept, or this is no CT.")
    if not -200 <= scale.soft_mode_hu <= 200 or scale.soft < 0.05 * scale.tissue:
        raise wrong("No soft tissue lies near 0.")
    if scale.bone * scale.n < 10:
        raise NoBoneError(file=source, detail="No voxel of the sample reaches 300 HU.")
