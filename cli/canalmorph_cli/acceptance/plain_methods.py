"""Two plain methods on the same scans: what is easily had, for comparison.

Both are helped: they are given the true frame, levels and middle of each section and never have
to find the bone. Each section is sampled along rays by linear interpolation. One takes the edges
of the wall at a fixed threshold, the other at half of the step between the wall's own plateau and
the plateaus on its two sides.
"""

from collections.abc import Iterator, Mapping, Sequence
from enum import StrEnum
from math import nan

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.volume import CtVolume
from canalmorph_cli.acceptance.records import Record, ScanConditions
from canalmorph_cli.acceptance.truths import HIGHEST_SECTION_MM, KnownFemur, list_known_femora
from canalmorph_phantoms.truth import FemurTruth, ScanTruth

#: Threshold of the fixed method: within the 500 to 700 HU that are recommended for the shaft. [HU]
THRESHOLD_HU = 600.0
#: Rays of a section, and distance between samples. [mm]
N_RAYS, STEP_MM = 240, 0.1
#: A ray goes so far beyond the bone. [mm]
MARGIN_MM = 6.0
#: The plateau beside an edge lies between these distances from it. [mm]
PLATEAU_MM = (2.0, 5.0)
#: The wall's plateau is what lies above this share of its highest tenth.
PEAK_SHARE = 0.9
#: A wall whose peak is lower is none. [HU]
LOWEST_PEAK_HU = 300.0
#: A section is left out where more of its rays have no wall.
LARGEST_GAP_SHARE = 0.1

_QUARTERS = ("medial", "posterior", "lateral", "anterior")
#: Numbers of one section by column name; None where blank. [mm]
_Numbers = Mapping[str, float | None]


class PlainMethod(StrEnum):
    """The two methods."""

    THRESHOLD = "threshold"
    HALF_MAXIMUM = "half-maximum"


def measure_plainly(
    name: str, volume: CtVolume, truth: ScanTruth, *, conditions: ScanConditions
) -> Mapping[PlainMethod, list[Record]]:
    """Return the records of both methods, under the column names of the tool's own numbers.

    Parameters
    ----------
    name : str
        Of the scan.
    volume : CtVolume
        The scan.
    truth : ScanTruth
        Gives the frame and the levels, and judges the result.
    conditions : ScanConditions
        Of the scan.
    """
    known = {one.side: one for one in list_known_femora(truth)}
    records: dict[PlainMethod, list[Record]] = {method: [] for method in PlainMethod}
    for femur in truth.femora:
        sections = [
            section
            for section in femur.sections
            if femur.bottom_level_mm <= section["level_mm"] <= HIGHEST_SECTION_MM
        ]
        rays = [sample_rays(volume, femur, section) for section in sections]
        for method in PlainMethod:
            numbers = [
                measure_profiles(method, *one, section)
                for section, one in zip(sections, rays, strict=True)
            ]
            records[method] += _list_records(
                name, known[femur.side], sections, numbers, femur, conditions
            )
    return records


def sample_rays(
    volume: CtVolume, femur: FemurTruth, section: Mapping[str, float]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return densities along rays from the canal's middle, and the rays' directions.

    Returns
    -------
    profiles_hu : (m, n) float array
        NaN beyond a box a little larger than the bone. [HU]
    directions : (m, 2) float array
        Unit vectors (medial, posterior).
    """
    turn = np.arange(N_RAYS) * 2 * np.pi / N_RAYS
    directions = np.column_stack([np.cos(turn), np.sin(turn)])
    centre = np.array([section["canal_centroid_medial_mm"], section["canal_centroid_posterior_mm"]])
    middle = np.array([section["outer_centroid_medial_mm"], section["outer_centroid_posterior_mm"]])
    # The centroid is not the box's middle; a quarter of the width covers how far it may be off.
    half = 0.75 * np.array([section["outer_ml_whole_mm"], section["outer_ap_mm"]]) + MARGIN_MM
    radii = np.arange(0.0, float(np.hypot(*half)) * 1.5, STEP_MM)
    flat = centre + radii[None, :, None] * directions[:, None, :]
    axes = np.stack([np.array(femur.medial), np.array(femur.posterior)])
    origin = np.array(femur.origin_mm) + section["level_mm"] * np.array(femur.up)
    points = flat @ axes + origin
    to_index = np.linalg.inv(volume.index_to_lps_mm)
    indices = points @ to_index[:3, :3].T + to_index[:3, 3]
    densities = map_coordinates(
        volume.voxels_hu,
        np.moveaxis(indices, -1, 0),
        output=np.float64,
        order=1,
        mode="constant",
        cval=np.nan,
    )
    outside = (np.abs(flat - middle) > half).any(axis=2)
    return np.where(outside, np.nan, densities), directions


def measure_profiles(
    method: PlainMethod,
    profiles_hu: NDArray[np.float64],
    directions: NDArray[np.float64],
    section: Mapping[str, float],
) -> _Numbers:
    """Return widths and thickness of one section by one method; all blank where the wall gapes.

    Parameters
    ----------
    method : PlainMethod
        Where the edges lie.
    profiles_hu, directions
        From `sample_rays`.
    section : mapping of str to float
        Its truth: the middle of the canal, and where ML widths end at the head.
    """
    edges = [find_edges(method, profile) for profile in profiles_hu]
    found = np.array([edge for edge in edges if edge is not None])
    names = [f"{outline}_{axis}_mm" for outline in ("outer", "canal") for axis in ("ml", "ap")]
    names += [f"cortex_{name}_mm" for name in _QUARTERS]
    if len(found) < (1 - LARGEST_GAP_SHARE) * len(edges):
        return dict.fromkeys(names)
    seen = directions[[edge is not None for edge in edges]]
    canal, outer = found[:, :1] * seen, found[:, 1:] * seen
    numbers: dict[str, float | None] = {}
    for outline, points in (("outer", outer), ("canal", canal)):
        low, high = points.min(axis=0), points.max(axis=0)
        if section[f"{outline}_ml_mm"] < section[f"{outline}_ml_whole_mm"]:
            numbers[f"{outline}_ml_mm"] = None  # ends at the head, which plain methods do not know
        else:
            numbers[f"{outline}_ml_mm"] = float(high[0] - low[0])
        numbers[f"{outline}_ap_mm"] = float(high[1] - low[1])
    walls = _measure_distances(canal, outer)
    turn = np.degrees(np.arctan2(seen[:, 1], seen[:, 0]))
    quarter = np.round(turn / 90.0) % 4
    # A ray stands for a length of outline in proportion to its radius.
    for number, name in enumerate(_QUARTERS):
        here = quarter == number
        mean = np.average(walls[here], weights=found[here, 0]) if here.any() else None
        numbers[f"cortex_{name}_mm"] = None if mean is None else float(mean)
    return numbers


def find_edges(method: PlainMethod, profile_hu: NDArray[np.float64]) -> tuple[float, float] | None:
    """Return inner and outer edge of the wall on one ray, from its start [mm]; None without.

    Examples
    --------
    >>> wall = np.where((np.arange(300) >= 100) & (np.arange(300) < 150), 1600.0, 0.0)
    >>> inner, outer = find_edges(PlainMethod.HALF_MAXIMUM, wall)
    >>> round(inner, 2), round(outer, 2)
    (9.95, 14.95)
    """
    known = (
        profile_hu[: int(np.argmax(np.isnan(profile_hu)))]
        if np.isnan(profile_hu).any()
        else profile_hu
    )
    if known.size < 2 or known.max() < LOWEST_PEAK_HU:
        return None
    peak = int(np.argmax(known))
    if method is PlainMethod.THRESHOLD:
        levels = (THRESHOLD_HU, THRESHOLD_HU)
    else:
        levels = _find_half_levels(known, peak)
    inner = _walk(known, peak, -1, levels[0])
    outer = _walk(known, peak, 1, levels[1])
    return None if inner is None or outer is None else (inner * STEP_MM, outer * STEP_MM)


def _find_half_levels(profile_hu: NDArray[np.float64], peak: int) -> tuple[float, float]:
    """Return the middle between the wall's plateau and the one on each side [HU]."""
    rough = profile_hu[peak] / 2
    low = high = peak
    while low > 0 and profile_hu[low - 1] > rough:
        low -= 1
    while high < len(profile_hu) - 1 and profile_hu[high + 1] > rough:
        high += 1
    within = profile_hu[low : high + 1]
    # Not the peak itself, which noise lifts in a thick wall.
    wall = float(np.median(within[within >= PEAK_SHARE * np.percentile(within, 90)]))
    near, far = (round(distance / STEP_MM) for distance in PLATEAU_MM)
    inside = profile_hu[max(low - far, 0) : max(low - near, 1)]
    outside = profile_hu[high + near : high + far]
    beyond = float(outside.mean()) if outside.size else float(profile_hu[-1])
    return (wall + float(inside.mean())) / 2, (wall + beyond) / 2


def _walk(profile_hu: NDArray[np.float64], peak: int, way: int, level: float) -> float | None:
    """Return where the profile first falls to a level on the way from its peak [samples]."""
    if profile_hu[peak] <= level:
        return None
    along = profile_hu[peak:] if way > 0 else profile_hu[peak::-1]
    below = np.flatnonzero(along <= level)
    if below.size == 0:
        return None
    end = int(below[0])
    share = (along[end - 1] - level) / (along[end - 1] - along[end])
    return float(peak + way * (end - 1 + share))


def _measure_distances(
    points: NDArray[np.float64], outline: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the distance of each point to a closed polygon [mm]."""
    sides = np.roll(outline, -1, axis=0) - outline
    away = points[:, None, :] - outline[None, :, :]
    lengths = np.maximum((sides**2).sum(axis=1), 1e-12)
    share = np.clip((away * sides).sum(axis=2) / lengths, 0.0, 1.0)
    gaps = away - share[:, :, None] * sides
    return np.asarray(np.sqrt((gaps**2).sum(axis=2)).min(axis=1))


def _list_records(
    name: str,
    known: KnownFemur,
    sections: Sequence[Mapping[str, float]],
    numbers: Sequence[_Numbers],
    femur: FemurTruth,
    conditions: ScanConditions,
) -> Iterator[Record]:
    """Yield a record for every number of one femur by one method."""
    for section, found in zip(sections, numbers, strict=True):
        for column, measured in found.items():
            wall = section[column if column.startswith("cortex_") else "cortex_min_mm"]
            yield Record(
                scan=name,
                side=known.side,
                column=column,
                true=section[column],
                measured=measured,
                wall_mm=wall,
                level_mm=section["level_mm"],
                conditions=conditions,
            )
    by_level = {
        section["level_mm"]: found for section, found in zip(sections, numbers, strict=True)
    }
    for column, measured in _name_columns(by_level, femur.isthmus_level_mm).items():
        if column in known.values:
            yield Record(
                scan=name,
                side=known.side,
                column=column,
                true=known.values[column],
                measured=measured,
                wall_mm=known.wall_mm.get(column, nan),
                conditions=conditions,
            )


def _name_columns(by_level: Mapping[float, _Numbers], isthmus_mm: float) -> _Numbers:
    """Return the femur's columns from its sections: widths, CTI and CFI."""

    def get(level_mm: float, column: str) -> float | None:
        nearest = min(by_level, key=lambda level: abs(level - level_mm))
        return by_level[nearest][column] if abs(nearest - level_mm) < 1e-6 else None

    def cti(level_mm: float, axis: str) -> float | None:
        canal, outer = (get(level_mm, f"{outline}_{axis}_mm") for outline in ("canal", "outer"))
        return None if canal is None or outer is None else 1 - canal / outer

    widths = [f"{outline}_{axis}" for outline in ("canal", "outer") for axis in ("ml", "ap")]
    named = {
        f"{width}_{level}_mm": get(height, f"{width}_mm")
        for level, height in NAMED_LEVELS_MM.items()
        for width in widths
    }
    isthmus = {f"isthmus_{width}_mm": get(isthmus_mm, f"{width}_mm") for width in widths}
    top, narrow = named["canal_ml_lt_plus20_mm"], isthmus["isthmus_canal_ml_mm"]
    return {
        **named,
        **isthmus,
        "cti_ml_lt_minus100": cti(-100.0, "ml"),
        "cti_ap_lt_minus100": cti(-100.0, "ap"),
        "cti_ml_isthmus": cti(isthmus_mm, "ml"),
        "cfi_ml": None if top is None or narrow is None else top / narrow,
    }
