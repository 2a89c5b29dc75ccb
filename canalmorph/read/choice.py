"""Which series of a study is measured.

The rule, in this order: original before derived; axial before other planes; thin before thick
(the larger of spacing and declared thickness, in four classes); a long scan before one that covers
less than four fifths of it; a bone kernel before a soft one; then the longest, the thinnest and
the finest. One series a study is chosen, and a second one only if it is the other side of the same
region: each leg reconstructed as a series of its own. A block of the knees in the same frame of
reference goes with the block of the hips.
"""

import math
import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace

from canalmorph.read.found import SeriesFound
from canalmorph.read.settings import ReadSettings

#: Upper ends of the classes of slice thickness. [mm] Up to 1.25 the bias bounds of the tool hold,
#: above 2.5 thin cortex is no longer resolved, above 3.5 only the outline is.
THICKNESS_CLASSES_MM = (1.25, 2.5, 3.5)
#: Two blocks of one leg, scanned apart, overlap by no more than this. [mm]
LARGEST_OVERLAP_MM = 20.0
#: An upper block so far from the one that was chosen is measured too: it may be the hips. Blocks
#: of chest, abdomen and pelvis touch each other. [mm]
LEAST_GAP_MM = 20.0
#: Names that scanners give to sharp kernels.
_BONE_KERNELS = re.compile(
    r"BONE|EDGE|SHARP|DETAIL|^Y[A-D]$|^[BHU][A-Z]?[5-9]\d|^FC ?(3\d|8\d)", re.IGNORECASE
)


def is_bone_kernel(kernel: str) -> bool:
    """Return whether the kernel's name is that of a sharp one.

    Examples
    --------
    >>> is_bone_kernel("BONEPLUS"), is_bone_kernel("B70f"), is_bone_kernel("B30s")
    (True, True, False)
    """
    return any(_BONE_KERNELS.search(part.strip()) for part in kernel.split("\\"))


def choose_series(found: Sequence[SeriesFound], settings: ReadSettings) -> tuple[SeriesFound, ...]:
    """Return the same series with `chosen` set and, where it is not, the reason why."""
    studies: dict[str, list[int]] = defaultdict(list)
    for index, series in enumerate(found):
        if series.status == "measurable":
            studies[series.study_key or f"file {index}"].append(index)
    result = list(found)
    for members in studies.values():
        longest = max(found[index].coverage_mm or 0.0 for index in members)
        ranked = sorted(members, key=lambda index: _rank(found[index], longest))
        best = found[ranked[0]]
        chosen = [best]
        for index in ranked:
            series = found[index]
            if settings.all_series or series is best or _is_other_side(series, chosen):
                if series is not best:
                    chosen.append(series)
                result[index] = replace(series, chosen=True)
            else:
                reason = _why_not(series, best, longest)
                result[index] = replace(series, code="not-chosen", message=reason)
        _pair_blocks(result, ranked)
    return tuple(result)


def _pair_blocks(result: list[SeriesFound], ranked: Sequence[int]) -> None:
    """Give chosen series the block with the knees below them, and choose a block above.

    Hips and knees are scanned apart for torsion. Where the better series is the lower block, the
    upper one is chosen beside it: no header tells which of them shows the hips.
    """
    for index in [index for index in ranked if result[index].chosen]:
        above = [
            other
            for other in ranked
            if _lies_below(result[index], result[other], least_gap_mm=LEAST_GAP_MM)
        ]
        if above:
            result[above[0]] = replace(result[above[0]], chosen=True, code="", message="")
    for index in ranked:
        below = [other for other in ranked if _lies_below(result[other], result[index])]
        if not result[index].chosen or not below:
            continue
        knees = result[below[0]]
        result[index] = replace(result[index], knees=replace(knees, knees=None))
        if not knees.chosen:
            message = f"It is read for the knees of another series ({result[index].source})."
            result[below[0]] = replace(knees, message=message)


def _lies_below(
    one: SeriesFound, other: SeriesFound, *, least_gap_mm: float = -LARGEST_OVERLAP_MM
) -> bool:
    """Return whether a series lies wholly below another in the same frame of reference."""
    if one is other or not one.frame_key or one.frame_key != other.frame_key:
        return False
    if {one.orientation, other.orientation} != {"axial"}:
        return False
    if not (one.low_mm and one.high_mm and other.low_mm and other.high_mm):
        return False
    beside = one.low_mm[0] > other.high_mm[0] or one.high_mm[0] < other.low_mm[0]
    return not beside and other.low_mm[2] - one.high_mm[2] > least_gap_mm


def _traits(series: SeriesFound, longest_mm: float) -> tuple[tuple[str, float], ...]:
    kinds = series.image_type.upper().split("\\")
    spacing = series.spacing_mm[0] if series.spacing_mm else 10.0
    thickness = max(spacing, series.slice_thickness_mm or 0.0)
    class_ = sum(thickness > bound for bound in THICKNESS_CLASSES_MM)
    coverage = series.coverage_mm or 0.0
    bone, plane = is_bone_kernel(series.kernel), series.orientation
    return (
        ("this one is derived", float("DERIVED" in kinds)),
        (f"this one's plane is {plane or 'unknown'}", float(plane != "axial")),
        (f"this one's slices are thick ({thickness:.2f} mm)", float(class_)),
        (f"this one covers less ({coverage:.0f} mm)", float(coverage < 0.8 * longest_mm)),
        (f"this one's kernel is soft ({series.kernel or 'not stated'})", float(not bone)),
        (f"this one covers less ({coverage:.0f} mm)", -round(coverage)),
        (f"this one's slices are thicker ({thickness:.2f} mm)", thickness),
        ("this one's voxels are coarser", math.prod(series.spacing_mm or (0.0,))),
    )  # fmt: skip


def _rank(series: SeriesFound, longest_mm: float) -> tuple[object, ...]:
    return (*[value for _, value in _traits(series, longest_mm)], series.series_key)


def _why_not(series: SeriesFound, best: SeriesFound, longest_mm: float) -> str:
    pairs = zip(_traits(series, longest_mm), _traits(best, longest_mm), strict=True)
    for (text, value), (_, best_value) in pairs:
        if value > best_value:
            return f"Another series of the study is measured ({_describe(best)}): {text}."
    return f"Another series of the study, equally good, is measured ({_describe(best)})."


def _describe(series: SeriesFound) -> str:
    """Return what tells a series from others of its folder."""
    spacing = f" every {series.spacing_mm[0]:.3g} mm" if series.spacing_mm else ""
    kernel = f", kernel {series.kernel}" if series.kernel else ""
    return f"{series.source}: {series.n_slices} slices{spacing}{kernel}"


def _is_other_side(series: SeriesFound, chosen: Sequence[SeriesFound]) -> bool:
    """Return whether the series lies beside every chosen one, at the same height."""
    return all(_lies_beside(series, other) for other in chosen)


def _lies_beside(one: SeriesFound, other: SeriesFound) -> bool:
    if not (one.low_mm and one.high_mm and other.low_mm and other.high_mm):
        return False
    if one.kernel != other.kernel or one.orientation != other.orientation:
        return False
    if one.slice_thickness_mm != other.slice_thickness_mm:
        return False
    lows, highs = (one.low_mm, other.low_mm), (one.high_mm, other.high_mm)

    def shared(axis: int) -> float:
        low, high = max(place[axis] for place in lows), min(place[axis] for place in highs)
        widths = [end[axis] - start[axis] for start, end in zip(lows, highs, strict=True)]
        return max(high - low, 0.0) / max(min(widths), 1e-9)

    # A field of view around one leg may reach into the other, not past its middle.
    return shared(2) > 0.5 and shared(0) < 0.5
