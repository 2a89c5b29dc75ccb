"""Widths along the shaft over a cohort: mean and spread by level, read section by section."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.cohort.selection import Selection

#: Sections are gathered to the nearest multiple of this. [mm]
LEVEL_STEP_MM = 2.0
#: Levels that are gathered. [mm above the lesser trochanter]
LEVEL_RANGE_MM = (-400.0, 100.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WidthProfile:
    """A width by level over one group of femora.

    Attributes
    ----------
    column : str
        Of ``sections.csv``.
    levels_mm : (n,) float array
        Ascending; only levels with a number. [mm]
    n, mean, sd : (n,) arrays
        Femora, mean, and SD (NaN for one femur). [mm]
    """

    column: str
    levels_mm: NDArray[np.float64]
    n: NDArray[np.int64]
    mean: NDArray[np.float64]
    sd: NDArray[np.float64]


def gather_profiles(
    sections: Selection,
    keys: Sequence[str],
    groups: NDArray[np.int64],
    columns: Sequence[str],
) -> list[list[WidthProfile]]:
    """Return, for each group, the profile of each column.

    Parameters
    ----------
    sections : Selection
        Of ``sections``; its columns are `columns` and those that name a row.
    keys : sequence of str
        ``CASE_ID/SIDE`` of every femur that counts.
    groups : (n,) int array
        The group of each of them, from 0 on.
    columns : sequence of str
        Widths. [mm]
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    low = round(LEVEL_RANGE_MM[0] / LEVEL_STEP_MM)
    n_levels = round(LEVEL_RANGE_MM[1] / LEVEL_STEP_MM) - low + 1
    n_groups = int(groups.max()) + 1 if len(groups) else 0
    sums = np.zeros((len(columns), 3, n_groups * n_levels))
    known_keys = pa.array(list(keys), pa.string())
    for batch in sections.iterate_typed():
        names = pc.binary_join_element_wise(batch["case_id"], batch["side"], "/")
        found = pc.fill_null(pc.index_in(names, value_set=known_keys), -1).to_numpy()
        levels = np.rint(batch["level_mm"].to_numpy(zero_copy_only=False) / LEVEL_STEP_MM) - low
        inside = (found >= 0) & (levels >= 0) & (levels < n_levels)
        bins = groups[found[inside]] * n_levels + levels[inside].astype(np.int64)
        for sum_, column in zip(sums, columns, strict=True):
            values = batch[column].to_numpy(zero_copy_only=False)[inside]
            known = np.isfinite(values)
            for power, total in enumerate(sum_):
                # Powers of widths of some 10 mm: squares lose no digit that matters.
                total += np.bincount(bins[known], values[known] ** power, minlength=len(total))
    grid_mm = LEVEL_STEP_MM * np.arange(low, low + n_levels, dtype=np.float64)
    by_group = sums.reshape(len(columns), 3, n_groups, n_levels)
    return [
        [
            _finish(column, grid_mm, by_group[place, :, group])
            for place, column in enumerate(columns)
        ]
        for group in range(n_groups)
    ]


def _finish(column: str, grid_mm: NDArray[np.float64], sums: NDArray[np.float64]) -> WidthProfile:
    kept = sums[0] > 0
    n, total, squares = sums[:, kept]
    mean = total / n
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = (squares - n * mean**2) / (n - 1)
    sd = np.sqrt(np.clip(variance, 0.0, None))
    sd[n < 2] = np.nan
    return WidthProfile(
        column=column, levels_mm=grid_mm[kept], n=n.astype(np.int64), mean=mean, sd=sd
    )
