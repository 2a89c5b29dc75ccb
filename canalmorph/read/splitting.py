"""Tell apart volumes that share one series: by number or times of acquisition, or not at all."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise

import numpy as np

from canalmorph.read.grid import heights_mm, normal_of
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import SliceHeader

#: What may tell two volumes in one series apart, in the order in which it is tried.
_SPLITTERS: tuple[Callable[[SliceHeader], str], ...] = (
    lambda header: header.temporal_position,
    lambda header: header.acquisition_number,
    lambda header: header.acquisition_time,
    lambda header: header.content_time,
)
#: Two planes closer than this are at one position. [mm] Rounding noise is 0.001, no CT
#: reconstructs finer than 0.1.
SAME_POSITION_MM = 0.02


def split_interleaved(
    part: Sequence[SliceHeader], settings: ReadSettings
) -> list[list[SliceHeader]]:
    """Return acquisitions whose ranges overlap, none where nothing tells them apart.

    Two phases shifted by half a slice would look like one volume of half the spacing.
    """
    for splitter in _SPLITTERS:
        values = _by_value(part, splitter)
        if (
            len(values) > 1
            and all(len(group) >= settings.min_slices for group in values)
            and _overlap(values)
            and not any(has_repeats(group) for group in values)
        ):
            return values
    return []


def split_repeated(part: Sequence[SliceHeader]) -> list[list[SliceHeader]]:
    """Return volumes told apart by the order of their times at every position, else none."""
    for splitter in _SPLITTERS:
        volumes = _by_rank(part, splitter)
        if volumes:
            return volumes
    return []


def split_uneven(part: Sequence[SliceHeader], settings: ReadSettings) -> list[list[SliceHeader]]:
    """Return evenly spaced blocks of an uneven series where acquisitions explain it, else none."""
    if len(part) < 3 or _is_even(part, settings):
        return []
    for splitter in _SPLITTERS:
        values = _by_value(part, splitter)
        if len(values) > 1 and all(
            len(group) >= settings.min_slices and _is_even(group, settings) for group in values
        ):
            return values
    return []


def split_at_gaps(part: Sequence[SliceHeader], settings: ReadSettings) -> list[list[SliceHeader]]:
    """Return the blocks on either side of gaps too wide to be lost slices, else none.

    Hips and knees that were scanned apart may share one series.
    """
    heights = heights_mm(part)
    order = np.argsort(heights, kind="stable")
    steps = np.diff(heights[order])
    if len(steps) < 2:
        return []
    bound = max(settings.largest_gap_mm, 1.5 * float(np.median(steps)))
    breaks = np.flatnonzero(steps > bound) + 1
    if not len(breaks):
        return []
    return [[part[int(index)] for index in rows] for rows in np.split(order, breaks)]


def _by_value(
    part: Iterable[SliceHeader], splitter: Callable[[SliceHeader], str]
) -> list[list[SliceHeader]]:
    values: dict[str, list[SliceHeader]] = defaultdict(list)
    for header in part:
        values[splitter(header)].append(header)
    return [values[value] for value in sorted(values)]


def _heights(part: Sequence[SliceHeader]) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return np.sort(heights_mm(part))


def has_repeats(part: Sequence[SliceHeader]) -> bool:
    """Return whether two planes lie at one position."""
    return len(part) > 1 and bool(np.diff(_heights(part)).min() < SAME_POSITION_MM)


def first_repeat(part: Sequence[SliceHeader]) -> tuple[SliceHeader, SliceHeader]:
    """Return the two planes that lie closest together."""
    heights = heights_mm(part)
    order = np.argsort(heights, kind="stable")
    place = int(np.argmin(np.diff(heights[order])))
    return part[int(order[place])], part[int(order[place + 1])]


def _overlap(groups: Sequence[Sequence[SliceHeader]]) -> bool:
    """Return whether the ranges of any two groups overlap."""
    normal = normal_of(groups[0][0].orientation)
    ranges = []
    for group in groups:
        heights = [float(np.dot(header.position_mm, normal)) for header in group]
        ranges.append((min(heights), max(heights)))
    ranges.sort()
    return any(a[1] > b[0] for a, b in pairwise(ranges))


def _is_even(part: Sequence[SliceHeader], settings: ReadSettings) -> bool:
    steps = np.diff(_heights(part))
    return bool(steps.max() - steps.min() <= 2 * settings.position_tolerance_mm)


def _by_rank(
    part: Sequence[SliceHeader], splitter: Callable[[SliceHeader], str]
) -> list[list[SliceHeader]]:
    """Return volumes by the order of a time at each position, none where times interleave."""
    heights = heights_mm(part)
    order = np.argsort(heights, kind="stable")
    stacks: list[list[SliceHeader]] = []
    last = -np.inf
    for index in order:
        if heights[index] - last > SAME_POSITION_MM:
            stacks.append([])
        stacks[-1].append(part[int(index)])
        last = heights[index]
    count = len(stacks[0])
    if count < 2 or any(len(stack) != count for stack in stacks):
        return []
    ranked = [sorted(stack, key=lambda header: _sortable(splitter(header))) for stack in stacks]
    volumes = [list(column) for column in zip(*ranked, strict=True)]
    for earlier, later in pairwise(volumes):
        latest = max(_sortable(splitter(header)) for header in earlier)
        if latest >= min(_sortable(splitter(header)) for header in later):
            return []
    return volumes


def _sortable(value: str) -> tuple[float, str]:
    try:
        return (float(value), "")
    except ValueError:
        return (-1.0, value)
