"""Whether values are Hounsfield units, told from where they lie.

Air, where there is any, lies near -1000; soft tissue near 0; bone above 300. A tight crop may hold
no air, and a scan whose values end at 3071 is a common CT; neither is refused. An offset that is
the same everywhere shows in air alone: where none is in view, one below 200 HU is not seen.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import BoneClippedError, NoBoneError, NotHounsfieldError, OnlyAirError
from canalmorph.read.pixels import AIR_HU

#: How many voxels are looked at: a peak of one part in a thousand still counts 1000.
SAMPLE_VOXELS = 1_000_000
#: Above this is tissue. [HU] Fat begins at -150, lung ends at -400.
TISSUE_HU = -300
#: Above this is bone (or metal, or contrast). [HU]
BONE_HU = 300
#: Less than this part of the voxels is noise. [dimensionless]
TRACE = 1e-3
#: Where the peak of air may lie. [HU] Scatter and foam move that of real scans by 30.
TRUE_AIR_HU, LARGEST_AIR_SHIFT_HU = -1000.0, 60.0
_LOWEST_TRUE_HU = TRUE_AIR_HU - LARGEST_AIR_SHIFT_HU
#: The values among which the peak of air is looked for: lung and foam lie above. [HU]
LOWEST_AIR_HU, HIGHEST_AIR_HU = -1300, -700
#: A smaller part of the sample is gas in the bowel. [dimensionless]
LEAST_AIR = 0.02
#: This part of the low values lies within 40 HU of the peak of air; lung is broader. In real scans
#: 0.6 to 0.8. [dimensionless]
LEAST_PEAK = 0.5
#: A peak this high, as a part of the highest, is air too. [dimensionless]
SECOND_PEAK = 0.1
#: Soft tissue that bends by less than this from voxel to voxel has no noise: it was drawn. [HU]
#: Real scans have 11 to 27 (an object of plastic in a soft kernel 2), drawn ones up to 1.
DRAWN_BEND_HU = 3.0
#: Slices that are looked at for it. [count]
DRAWN_SLICES = 16
#: So many voxels of the highest value, and so many times those of each value below it, are a
#: plateau; where the values below it gather towards it so much, it is the top of a blurred bone
#: that was drawn without noise.
PLATEAU_VOXELS, PLATEAU_RATIO, GATHERED_RATIO = 20, 10.0, 3.0
#: Cortex reaches 2000; what is cut off above is metal, below it is bone. [HU]
BONE_ENDS_HU = 2100


def check_scale(voxels_hu: NDArray[np.int16], source: str) -> tuple[str, ...]:
    """Return warning codes of a volume in Hounsfield units.

    Raises
    ------
    NotHounsfieldError, OnlyAirError, NoBoneError, BoneClippedError
        Naming the source.
    """
    sample = _sample(voxels_hu)
    _check_parts(_Scale.of(sample), source)
    _check_air(sample, source)
    return _check_plateau(voxels_hu, source)


def _check_plateau(voxels_hu: NDArray[np.int16], source: str) -> tuple[str, ...]:
    """Return a warning where values were cut off above bone; refuse it where within bone."""
    top, counts = _count_highest(voxels_hu)
    below = counts[:-1][counts[:-1] > 0]
    usual = float(below.mean()) if len(below) else 0.0
    if counts[-1] < max(PLATEAU_VOXELS, PLATEAU_RATIO * usual):
        return ()
    if top >= BONE_ENDS_HU:
        return ("clipped-high-values",)
    gathered = counts[-6:-1].mean() > GATHERED_RATIO * counts[:30].mean()
    if not gathered and not _is_drawn(voxels_hu):
        raise BoneClippedError(
            file=source,
            tag="voxel values",
            detail=f"Values above {top} HU are cut off, so that thick cortex is a plateau.",
        )
    return ()


def _count_highest(voxels_hu: NDArray[np.int16]) -> tuple[int, NDArray[np.int64]]:
    """Return the highest value and how many voxels have it and each of the 50 values below it."""
    top = int(voxels_hu.max())
    lowest = top - 50
    counts = np.zeros(51, np.int64)
    for plane in voxels_hu:
        if plane.max() >= lowest:
            high = plane[plane >= lowest].astype(np.int64)
            counts += np.bincount(high - lowest, minlength=51)
    return top, counts


def _sample(voxels: NDArray[np.int16]) -> NDArray[np.int16]:
    """Return about a million voxels on a coarser grid, spread over the volume."""
    step = max(1, round((voxels.size / SAMPLE_VOXELS) ** (1 / 3)))
    return voxels[step // 2 :: step, step // 2 :: step, step // 2 :: step].ravel()


def _is_drawn(voxels_hu: NDArray[np.int16]) -> bool:
    """Return whether soft tissue has no noise, so that one value for bone is no sign of a cut."""
    some = voxels_hu[:: max(1, len(voxels_hu) // DRAWN_SLICES)].astype(np.int32)
    soft = (some >= -200) & (some < 200)
    rows = soft[:, :, :-2] & soft[:, :, 1:-1] & soft[:, :, 2:]
    bend = np.abs(some[:, :, :-2] - 2 * some[:, :, 1:-1] + some[:, :, 2:])[rows]
    return not len(bend) or bool(np.median(bend) < DRAWN_BEND_HU)


def _check_air(sample: NDArray[np.int16], source: str) -> None:
    """Refuse a scan whose air, where it shows as a peak, does not lie near -1000."""
    # One value alone that fills what was not scanned is no air, unless it is where air that was
    # drawn without noise would be after a shift.
    fill = [value for value in _find_fill(sample) if not LOWEST_AIR_HU < value < _LOWEST_TRUE_HU]
    low = sample[(sample >= LOWEST_AIR_HU) & (sample < HIGHEST_AIR_HU) & ~np.isin(sample, fill)]
    if len(low) < LEAST_AIR * len(sample):
        return
    counts, edges = np.histogram(low, bins=np.arange(LOWEST_AIR_HU, HIGHEST_AIR_HU + 1, 10))
    smooth = np.convolve(counts, np.ones(3), mode="same")
    centres = edges[:-1] + 5.0
    inner = smooth[1:-1]
    peaks = np.flatnonzero((inner >= smooth[:-2]) & (inner >= smooth[2:]) & (inner > 0)) + 1
    high = peaks[smooth[peaks] >= SECOND_PEAK * smooth.max()]
    if not len(high) or np.any(np.abs(centres[high] - TRUE_AIR_HU) <= LARGEST_AIR_SHIFT_HU):
        return
    peak = float(centres[high[int(np.argmax(smooth[high]))]])
    if np.count_nonzero(np.abs(low - peak) <= 40) < LEAST_PEAK * len(low):
        return
    raise NotHounsfieldError(
        file=source,
        tag="voxel values",
        detail=f"Air lies near {peak:.0f} HU, not near -1000: the intercept is wrong.",
    )


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

    @classmethod
    def of(cls, sample: NDArray[np.int16]) -> "_Scale":
        fill = _find_fill(sample)
        values = sample[~np.isin(sample, fill)] if len(fill) else sample
        n = max(len(values), 1)

        def part(low: float, high: float) -> float:
            return float(np.count_nonzero((values >= low) & (values < high))) / n

        middle = values[(values >= -600) & (values < 600)]
        counts, edges = np.histogram(middle, bins=np.arange(-600, 601, 25))
        mode = float(edges[int(np.argmax(counts))] + 12.5) if len(middle) else float("nan")
        return cls(
            n=len(values),
            constant=len(values) < 100 or int(values.min()) == int(values.max()),
            below_air=part(-32769, -1300),
            wide_air=part(-1300, -1080),
            air=part(-1080, -850),
            fat_side=part(-950, -30),
            soft=part(-200, 200),
            offset_soft=part(824, 1224),
            has_fill=len(fill) > 0,
            tissue=part(TISSUE_HU, 40000),
            bone=part(BONE_HU, 40000),
            soft_mode_hu=mode,
        )


def _find_fill(sample: NDArray[np.int16]) -> NDArray[np.int16]:
    """Return the single low values that fill what was not scanned."""
    values, counts = np.unique(sample[sample <= AIR_HU], return_counts=True)
    return values[counts > 0.01 * len(sample)]


def _check_parts(scale: _Scale, source: str) -> None:
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
        raise NoBoneError(
            file=source, detail="Next to nothing in the scan reaches 300 HU, as bone does."
        )
