"""Where slices stand along their normal: on a regular lattice, some of whose places may be empty.

The distance of slices comes from ImagePositionPatient alone; slice thickness and the declared
spacing between slices are never used.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import MissingSlicesError, ReadError, UnevenSpacingError
from canalmorph.model.counting import count_noun
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import SliceHeader
from canalmorph.read.tags import tag_label

#: A run of this many equal wide steps is a wider spacing, not lost slices.
CHANGE_RUN = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class SlicePlaces:
    """Slices in ascending order and their places on the lattice.

    Attributes
    ----------
    slices : tuple of SliceHeader
        Those that stand on the lattice, ascending along the normal.
    places : tuple of int
        Of each slice, from 0.
    spacing_mm : float
        Distance of two neighbouring places. [mm]
    gaps_mm : tuple of (low, high)
        Heights of the slices on either side of empty places. [mm]
    thinned : bool
        Whether slices between the places were left out.
    """

    slices: tuple[SliceHeader, ...]
    places: tuple[int, ...]
    spacing_mm: float
    gaps_mm: tuple[tuple[float, float], ...] = ()
    thinned: bool = False


def place_slices(
    slices: Sequence[SliceHeader],
    heights_mm: NDArray[np.float64],
    source: str,
    settings: ReadSettings,
) -> SlicePlaces:
    """Return the places of slices that were sorted by height.

    Slices whose distances are multiples of the usual one leave gaps; a series that is spaced more
    closely in one part is thinned to its wider spacing.

    Raises
    ------
    MissingSlicesError
        If too many slices are missing, or too far in a row.
    UnevenSpacingError
        If the slices stand on no lattice.
    """
    steps = np.diff(heights_mm)
    counts = np.rint(steps / np.median(steps)).astype(np.int64)
    places = np.concatenate([[0], np.cumsum(counts)])
    spacing, worst = _fit(places, heights_mm)
    on_lattice = counts.min() > 0 and worst <= _tolerance_mm(spacing, settings)
    if on_lattice and counts.max() == 1:
        return SlicePlaces(
            slices=tuple(slices), places=tuple(range(len(slices))), spacing_mm=spacing
        )
    if not on_lattice or _changes_spacing(counts):
        thinned = _thin(slices, heights_mm, settings)
        if thinned is None:
            raise _describe_uneven(steps, worst, source)
        return thinned
    wide = np.flatnonzero(counts > 1)
    lost = int(places[-1] + 1 - len(slices))
    share = lost / (places[-1] + 1)
    if share > settings.largest_missing_share or steps[wide].max() > settings.largest_gap_mm:
        raise _describe_missing(slices, steps, wide, lost, source)
    return SlicePlaces(
        slices=tuple(slices),
        places=tuple(places.tolist()),
        spacing_mm=spacing,
        gaps_mm=tuple((float(heights_mm[row]), float(heights_mm[row + 1])) for row in wide),
    )


def _fit(places: NDArray[np.int64], heights_mm: NDArray[np.float64]) -> tuple[float, float]:
    """Return the spacing, and how far the worst slice lies off its place [mm]."""
    if places[-1] == 0:
        return 0.0, float(np.ptp(heights_mm))
    spacing, start = np.polyfit(places, heights_mm, 1)
    return float(spacing), float(np.abs(heights_mm - (start + spacing * places)).max())


def _tolerance_mm(spacing_mm: float, settings: ReadSettings) -> float:
    return min(settings.position_tolerance_mm, 0.25 * abs(spacing_mm))


def _changes_spacing(counts: NDArray[np.int64]) -> bool:
    """Whether equal wide steps follow each other too often for slices that were lost."""
    run = 0
    for before, count in pairwise(counts.tolist()):
        run = run + 1 if count == before and count > 1 else 0
        if run >= CHANGE_RUN - 1:
            return True
    return False


def _thin(
    slices: Sequence[SliceHeader], heights_mm: NDArray[np.float64], settings: ReadSettings
) -> SlicePlaces | None:
    """Return the slices of the widest spacing, where it has one everywhere, else None."""
    widest = float(np.diff(heights_mm).max())
    if widest > settings.largest_thinned_mm:
        return None
    # The wider part tells where the lattice lies.
    first = int(np.argmax(np.diff(heights_mm)))
    places = np.rint((heights_mm - heights_mm[first]) / widest).astype(np.int64)
    off = np.abs(heights_mm - heights_mm[first] - places * widest)
    kept = np.flatnonzero(off <= _tolerance_mm(widest, settings))
    if len(kept) < settings.min_slices or (np.diff(places[kept]) != 1).any():
        return None
    # The ends beyond the last places of the lattice are shorter than one step.
    if kept[0] > 0 and heights_mm[kept[0]] - heights_mm[0] >= widest:
        return None
    spacing, worst = _fit(np.arange(len(kept)), heights_mm[kept])
    if worst > _tolerance_mm(spacing, settings):
        return None
    return SlicePlaces(
        slices=tuple(slices[row] for row in kept.tolist()),
        places=tuple(range(len(kept))),
        spacing_mm=spacing,
        thinned=True,
    )


def _describe_missing(
    slices: Sequence[SliceHeader],
    steps: NDArray[np.float64],
    wide: NDArray[np.int64],
    lost: int,
    source: str,
) -> ReadError:
    usual = float(np.median(steps))
    first = int(wide[np.argmax(steps[wide])])
    return MissingSlicesError(
        file=source,
        tag=tag_label("ImagePositionPatient"),
        detail=(
            f"{count_noun(lost, 'slice')} {'is' if lost == 1 else 'are'} missing in "
            f"{count_noun(len(wide), 'gap')}; the largest gap of "
            f"{steps[first]:.2f} mm, where {usual:.2f} mm is usual, follows "
            f"{slices[first].entry.name}."
        ),
    )


def _describe_uneven(steps: NDArray[np.float64], worst_mm: float, source: str) -> ReadError:
    return UnevenSpacingError(
        file=source,
        tag=tag_label("ImagePositionPatient"),
        detail=(
            f"The slices are {steps.min():.3f} to {steps.max():.3f} mm apart, usually "
            f"{np.median(steps):.3f} mm, and lie up to {worst_mm:.2f} mm off a regular grid."
        ),
    )
