"""The widest straight rods in the canal: general geometry, no implant's shape.

A rod runs from the plane of the lesser trochanter to that of a lower level. Its axis is free to
lean and to lie anywhere; where many axes hold a rod as wide, the middle of them is given.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.geometry.rods import Rod, find_axis_ranges, find_widest_rod, follow_rod
from canalmorph.geometry.tubes import cut_tube
from canalmorph.measure.axis_doubt import AxisDoubt
from canalmorph.measure.section import LARGEST_GAP_SHARE, QUARTERS
from canalmorph.model.column import ROD_BOTTOMS_MM
from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import Measurement

#: Sections of the canal are this far apart. [mm]
STEP_MM = 1.0
#: Contacts of a side within this of each other are one place. [mm]
SAME_PLACE_MM = 10.0
#: A rod in a scan is narrower than in the bone by what noise puts in its way; see the tests. [mm]
SELECTION_U_MM = 0.02
#: A rod comes to rest in the canal's corners, which the blur rounds: on virtual scans of real
#: surfaces its radius erred by 0.1 mm at a blur of 0.6 mm. Share of the blur.
CORNER_SHARE = 0.15
#: The axis is that of rods thinner by at least this in radius. [mm]
LEAST_SLACK_MM = 0.02
#: Over this much of the level its effect on the width is taken. [mm]
LEVEL_REACH_MM = 1.0
#: Sections with these bits have no canal that could be trusted.
UNTRUSTED = int(
    Quality.METAL | Quality.NARROW_CANAL | Quality.OUTLINE_INCOMPLETE | Quality.FILLED_CANAL
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FemurFacts:
    """Measures that belong to no level, texts, and why one is blank, by femur column name."""

    numbers: dict[str, Measurement]
    texts: dict[str, str]
    reasons: dict[str, str]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Canal:
    """Sections of the canal downwards, with what each point's edge leaves uncertain [mm]."""

    levels: NDArray[np.float64]
    outlines: NDArray[np.float64]
    own_u: NDArray[np.float64]
    shared_u: NDArray[np.float64]
    whole: NDArray[np.bool_]

    def between(self, top_mm: float, bottom_mm: float) -> "_Canal":
        rows = (self.levels <= top_mm + 1e-6) & (self.levels >= bottom_mm - 1e-6)
        return _Canal(
            levels=self.levels[rows],
            outlines=self.outlines[rows],
            own_u=self.own_u[rows],
            shared_u=self.shared_u[rows],
            whole=self.whole[rows],
        )


def measure_rods(
    aligned: AlignedFemur,
    levels_mm: NDArray[np.float64],
    quality: NDArray[np.int64],
    doubt: AxisDoubt,
) -> FemurFacts:
    """Return the widest straight rod from LT+0 down to each named level.

    Parameters
    ----------
    aligned : AlignedFemur
        Surfaces and frame.
    levels_mm, quality : (n,) arrays
        The measured sections, descending, and their `canalmorph.flags.Quality` bits: a rod does
        not run through one that has no canal.
    doubt : AxisDoubt
        How surely the shaft axis is known, against which rods lean.
    """
    facts = FemurFacts(numbers={}, texts={}, reasons={})
    canal = _cut_canal(aligned)
    for name, bottom in ROD_BOTTOMS_MM.items():
        prefix = f"rod_lt_to_{name}"
        reason = _find_obstacle(canal, bottom, levels_mm, quality)
        part = canal.between(0.0, bottom)
        if not reason:
            rod = find_widest_rod(part.outlines, part.levels)
            reason = _find_doubt(part, rod)
        if reason:
            facts.reasons.update({f"{prefix}_{part}": reason for part in COLUMN_PARTS})
            continue
        u_radius = float(
            np.hypot(
                _find_radius_u_mm(rod, part, canal, aligned.lesser_trochanter.level_u_mm),
                CORNER_SHARE * aligned.cortex.calibration.blur_in_plane_mm,
            )
        )
        facts.numbers.update(_describe_rod(prefix, rod, part, u_radius, doubt))
        facts.texts[f"{prefix}_contacts"] = describe_contacts(rod, part.outlines, part.levels)
    return facts


def put_off_rods() -> FemurFacts:
    """Return what stands for the rods while somebody waits for the other numbers."""
    names = [f"rod_lt_to_{name}_{part}" for name in ROD_BOTTOMS_MM for part in COLUMN_PARTS]
    return FemurFacts(numbers={}, texts={}, reasons=dict.fromkeys(names, "Still being measured."))


#: What a rod's columns are called after their prefix.
COLUMN_PARTS = ("mm", "tilt_ml_deg", "tilt_ap_deg", "entry_ml_mm", "entry_ap_mm")


def _cut_canal(aligned: AlignedFemur) -> _Canal:
    """Return the canal below the lesser trochanter; small gaps are bridged straight."""
    cortex = aligned.cortex
    lowest = min(ROD_BOTTOMS_MM.values()) - LEVEL_REACH_MM
    levels = np.arange(LEVEL_REACH_MM, lowest - 0.5 * STEP_MM, -STEP_MM)
    rings = aligned.frame.lps_to_frame_mm(cortex.canal_lps_mm)
    cut = cut_tube(rings, levels, cortex.canal_u_mm, cortex.canal_shared_u_mm)
    known: NDArray[np.bool_] = np.asarray(np.isfinite(cut[..., :2]).all(axis=-1))
    whole = known.mean(axis=1) >= 1 - LARGEST_GAP_SHARE
    outlines = cut[..., :2].copy()
    places = np.arange(cut.shape[1])
    for row in np.flatnonzero(whole & ~known.all(axis=1)):
        here = places[known[row]]
        for axis in range(2):
            outlines[row, :, axis] = np.interp(
                places, here, cut[row, here, axis], period=len(places)
            )
    return _Canal(
        levels=levels,
        outlines=outlines,
        own_u=np.where(known, cut[..., 3], np.nan),
        shared_u=np.where(known, cut[..., 4], np.nan),
        whole=whole,
    )


def _find_obstacle(
    canal: _Canal, bottom_mm: float, levels_mm: NDArray[np.float64], quality: NDArray[np.int64]
) -> str:
    """Return why no rod can be sought down to a level; empty where one can."""
    lowest = float(levels_mm.min(initial=0.0))
    if lowest > bottom_mm + 1e-6:
        return (
            f"The scan shows the shaft down to {lowest:.0f} mm from the lesser trochanter; "
            f"{bottom_mm:.0f} mm is needed."
        )
    inside = (levels_mm <= 0.0) & (levels_mm >= bottom_mm)
    part = canal.between(0.0, bottom_mm)
    bad = [*levels_mm[inside & ((quality & UNTRUSTED) != 0)], *part.levels[~part.whole]]
    if not bad:
        return ""
    return (
        f"The canal is not known all around at {max(bad):.0f} mm from the lesser trochanter, "
        "where the rod might rest."
    )


def _find_doubt(canal: _Canal, rod: Rod) -> str:
    """Return why a rod that was found must not be given: it rests where no edge was seen."""
    unseen = ~np.isfinite(canal.own_u.ravel()[rod.contacts])
    if not unseen.any():
        return ""
    level = float(np.repeat(canal.levels, canal.outlines.shape[1])[rod.contacts[unseen]][0])
    return f"The rod would rest on a gap of the canal's outline at {level:.0f} mm from the LT."


def _describe_rod(
    prefix: str, rod: Rod, part: _Canal, u_radius: float, doubt: AxisDoubt
) -> dict[str, Measurement]:
    """Return diameter, lean and place of a rod with their uncertainties, by column name."""
    slack = max(LEAST_SLACK_MM, u_radius)
    # How far an axis may lean needs no fine surface; the last section is among every second.
    ends, slopes = find_axis_ranges(part.outlines[::2, ::3], part.levels[::2], rod, slack)
    half = np.ptp(slopes, axis=0) / 2
    tilt = np.degrees(np.arctan(slopes.mean(axis=0)))
    tilt_u = np.hypot(np.degrees(half) / np.sqrt(3.0), doubt.find_lean_u_deg())
    entry = ends.mean(axis=0)
    entry_u = np.hypot(np.ptp(ends, axis=0) / 2 / np.sqrt(3.0), doubt.find_place_u_mm(0.0))
    found = {f"{prefix}_mm": Measurement(value=2 * rod.radius_mm, u=2 * u_radius)}
    for axis, name in enumerate(("ml", "ap")):
        found[f"{prefix}_tilt_{name}_deg"] = Measurement(
            value=float(tilt[axis]), u=float(tilt_u[axis])
        )
        found[f"{prefix}_entry_{name}_mm"] = Measurement(
            value=float(entry[axis]), u=float(entry_u[axis])
        )
    return found


def _find_radius_u_mm(rod: Rod, part: _Canal, canal: _Canal, level_u_mm: float) -> float:
    """Return the standard uncertainty of a rod's radius [mm].

    To first order the radius is the weighted mean of where its contacts lie. Edges of one side
    may err together; the shared part moves all contacts.
    """
    own, shared = part.own_u.ravel()[rod.contacts], part.shared_u.ravel()[rod.contacts]
    sides = _find_sides(rod, part.outlines, part.levels)
    by_side = [float((rod.weights * own)[sides == side].sum()) for side in set(sides.tolist())]
    together = float((rod.weights * shared).sum())
    top, bottom = float(part.levels[0]), float(part.levels[-1])
    moved = [canal.between(top + move, bottom + move) for move in (-LEVEL_REACH_MM, LEVEL_REACH_MM)]
    slope = 0.0
    if all(one.whole.all() and len(one.levels) == len(part.levels) for one in moved):
        low, high = (follow_rod(rod, one.outlines[:, ::2], one.levels) for one in moved)
        slope = (high - low) / (2 * LEVEL_REACH_MM)
    return float(
        np.sqrt(
            np.square(by_side).sum() + together**2 + (slope * level_u_mm) ** 2 + SELECTION_U_MM**2
        )
    )


def _find_sides(
    rod: Rod, outlines_mm: NDArray[np.float64], levels_mm: NDArray[np.float64]
) -> NDArray[np.int64]:
    """Return on which quarter of the rod each contact lies, by the order of `QUARTERS`."""
    m = outlines_mm.shape[1]
    down = (levels_mm[0] - levels_mm[rod.contacts // m]) / (levels_mm[0] - levels_mm[-1])
    axis = rod.ends_mm[0] + down[:, None] * (rod.ends_mm[1] - rod.ends_mm[0])
    arms = outlines_mm.reshape(-1, 2)[rod.contacts] - axis
    return np.asarray(np.round(np.degrees(np.arctan2(arms[:, 1], arms[:, 0])) / 90.0) % 4, int)


def describe_contacts(
    rod: Rod, outlines_mm: NDArray[np.float64], levels_mm: NDArray[np.float64]
) -> str:
    """Return where a rod touches the canal, from the top: ``anterior LT-52; medial LT-98``."""
    m = outlines_mm.shape[1]
    sides = _find_sides(rod, outlines_mm, levels_mm)
    at = levels_mm[rod.contacts // m]
    places: list[tuple[float, float, str]] = []
    for side, name in enumerate(QUARTERS):
        for level in sorted(at[sides == side], reverse=True):
            if places and places[-1][2] == name and places[-1][1] - level <= SAME_PLACE_MM:
                places[-1] = (places[-1][0], float(level), name)
            else:
                places.append((float(level), float(level), name))
    return "; ".join(
        f"{name} {_name_levels(high, low)}" for high, low, name in sorted(places, reverse=True)
    )


def _name_levels(high_mm: float, low_mm: float) -> str:
    names = [f"LT{level:+.0f}" if round(level) else "LT" for level in (high_mm, low_mm)]
    return names[0] if names[0] == names[1] else " to ".join(names)
