"""What the pictures draw of a profile: edges by level, outlines of a level, calipers.

A caliper is as long as the number in the table; it hangs on the measured outline's lateral or
anterior edge.
"""

from dataclasses import dataclass
from math import ceil

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.results import CanalProfile, FemurResult, Measurement

#: Levels that the pictures mark, by their name in the columns.
MARKED_LEVELS = ("lt_plus20", "lt", "lt_minus20", "lt_minus100")
#: How far from the nearest section a level may lie and still be drawn. [mm]
NEAREST_SECTION_MM = 2.5
#: Share of a section's picture that the bone may take, so that calipers have room; step of the
#: picture's size. [1, mm]
BONE_SHARE, VIEW_STEP_MM = 0.58, 20.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MarkedLevel:
    """A level that the pictures mark.

    Attributes
    ----------
    name : str
        ``lt_plus20``, ..., or ``isthmus``.
    level_mm : float
        Its height. [mm]
    outer_ml, canal_ml, outer_ap, canal_ap : Measurement
        The table's numbers; unknown ones are not drawn. [mm]
    """

    name: str
    level_mm: float
    outer_ml: Measurement
    canal_ml: Measurement
    outer_ap: Measurement
    canal_ap: Measurement

    def get_width(self, outline: str, axis: str) -> Measurement:
        """Return the table's width of ``outer`` or ``canal`` along ``ml`` or ``ap`` [mm]."""
        return {
            "outer_ml": self.outer_ml,
            "canal_ml": self.canal_ml,
            "outer_ap": self.outer_ap,
            "canal_ap": self.canal_ap,
        }[f"{outline}_{axis}"]


def list_marked_levels(femur: FemurResult) -> list[MarkedLevel]:
    """Return the levels to mark that lie within the profile, from the top down."""
    values = femur.indices.values
    heights = {name: NAMED_LEVELS_MM[name] for name in MARKED_LEVELS}
    isthmus = values.get("isthmus_level_mm", Measurement()).value
    if isthmus is not None:
        heights["isthmus"] = isthmus
    marked = []
    for name, level_mm in heights.items():
        if find_section(femur.profile, level_mm) is None:
            continue
        numbers = {
            f"{outline}_{axis}": values.get(_name_column(name, outline, axis), Measurement())
            for outline in ("outer", "canal")
            for axis in ("ml", "ap")
        }
        marked.append(MarkedLevel(name=name, level_mm=level_mm, **numbers))
    return sorted(marked, key=lambda level: -level.level_mm)


def find_section(profile: CanalProfile, level_mm: float) -> int | None:
    """Return the index of the section nearest to a level; None where none is near."""
    if len(profile.levels_mm) == 0:
        return None
    index = int(np.argmin(np.abs(profile.levels_mm - level_mm)))
    near = abs(profile.levels_mm[index] - level_mm) <= NEAREST_SECTION_MM
    return index if near else None


def find_edges(
    profile: CanalProfile, outline: str, axis: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return both edges of an outline at each level, as the view across `axis` shows them.

    Parameters
    ----------
    profile : CanalProfile
        The sections.
    outline : str
        ``outer`` or ``canal``.
    axis : str
        ``ml`` or ``ap``.

    Returns
    -------
    first, second : (n,) float arrays
        Lateral and medial edge, or anterior and posterior; the second ends where the measured
        width ends, so that a section cut at the head's circle is drawn as it was measured. NaN
        where the outline or its width is not known. [mm]
    """
    points = profile.outer_outline_mm if outline == "outer" else profile.canal_outline_mm
    across = points[:, :, 0 if axis == "ml" else 1]
    known = np.isfinite(across).any(axis=1)
    first = np.full(len(across), np.nan)
    first[known] = np.nanmin(across[known], axis=1)
    return first, first + profile.columns[f"{outline}_{axis}_mm"]


def find_view(outer: NDArray[np.float64]) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the medial and posterior span of a section's picture, a square around the bone [mm].

    Its size goes by steps, so that the scale rarely changes from one level to the next.
    """
    known = outer[np.isfinite(outer).all(axis=1)]
    low, high = (known.min(axis=0), known.max(axis=0)) if len(known) else (-np.ones(2), np.ones(2))
    needed_mm = float((high - low).max()) / BONE_SHARE
    half_mm = max(ceil(needed_mm / VIEW_STEP_MM), 3) * VIEW_STEP_MM / 2
    medial, posterior = (float(place) for place in (low + high) / 2)
    return (medial - half_mm, medial + half_mm), (posterior - half_mm, posterior + half_mm)


def interpolate_edge(
    profile: CanalProfile, edge_mm: NDArray[np.float64], level_mm: float
) -> float | None:
    """Return an edge at a level between two sections; None where it is not known there."""
    order = np.argsort(profile.levels_mm)
    value = float(np.interp(level_mm, profile.levels_mm[order], edge_mm[order]))
    return value if np.isfinite(value) else None


def get_level_uncertainty(profile: CanalProfile, name: str) -> NDArray[np.float64]:
    """Return the standard uncertainty of a width at a level: of its edges and of level 0 [mm]."""
    values = profile.columns[name]
    slope = np.gradient(values, profile.levels_mm) if len(values) > 1 else np.zeros_like(values)
    slope = np.where(np.isfinite(slope), slope, 0.0)
    return np.asarray(np.hypot(profile.uncertainties[name], slope * profile.level_u_mm))


def _name_column(level: str, outline: str, axis: str) -> str:
    if level == "isthmus":
        return f"isthmus_{outline}_{axis}_mm"
    return f"{outline}_{axis}_{level}_mm"
