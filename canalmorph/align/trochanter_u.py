"""How exactly the level of the lesser trochanter is known.

Six independent causes, each by its own derivation; no constant stands for what was observed:

* the surface: the top's middle moves where its rim moves. A point of the rim that errs by e across
  the surface moves the middle by ``(level - middle) e / slope`` per length of rim over the top's
  area, and all of it moves where the farthest point errs. Points closer than the surface's
  smoothing share their errors;
* the axis: leaning it by an angle changes which points are the farthest. Done by leaning it;
* the direction: turning it. Done by turning it, by as much as lets the prominence fall by less
  than the surface's uncertainty;
* the saddle: a second hump belongs to the top where the saddle between lies less than 1 mm behind
  the farthest point. Where that is not sure, the level might be that with it or without it. Done
  by taking the top a little shallower and deeper;
* holes: where a part of the top is not known, the level might be the one that a smooth cover over
  the hole gives;
* another candidate: where a second bump is nearly as prominent, it might be the one.

It is the uncertainty of the rule's own level. A reader who marks the farthest single point instead
reads 0.2 to 0.8 mm higher or lower on real femora, whose tops are flat; that is another
definition and not in it.
"""

from dataclasses import dataclass, replace
from math import cos, erf, hypot, radians, sin, sqrt

import numpy as np

from canalmorph.align.trochanter_top import RIM_MM, TOP_MM, DenseSurface, Top, find_top

#: Errors of the surface are shared over this, along the shaft and around: its smoothing. [mm]
SHARED_ALONG_MM, SHARED_AROUND_MM = 3.0, 1.5
#: The rim is read over this half-width in height, so that it has points all around. [mm]
RIM_READ_MM = 0.25
#: A saddle this many uncertainties above or below the top's rim may be on its other side.
SADDLE_US = 2.0
#: Turned and leaned by this to see what moves. [deg]
PROBE_DEG = 2.0
#: A bump that looks the same all around is not turned farther than this. [deg]
LARGEST_TURN_DEG = 6.0
#: A second candidate's place counts as if heights were judged to the top's depth, uniformly. [mm]
JUDGED_MM = TOP_MM / sqrt(12.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rival:
    """The next best bump: how much less it rises than the best, and how far away it is [mm]."""

    behind_mm: float
    apart_mm: float


def state_level_uncertainty(
    surface: DenseSurface, top: Top, *, axis_u_deg: float, bend_per_deg2: float, rival: Rival
) -> float:
    """Return the standard uncertainty of the top's level [mm].

    Parameters
    ----------
    surface : DenseSurface
        The bone.
    top : Top
        The top of its lesser trochanter.
    axis_u_deg : float
        Standard uncertainty of the shaft axis. [deg]
    bend_per_deg2 : float
        How fast the prominence falls when turned: twice the fall over the angle squared.
    rival : Rival
        The second candidate.
    """
    from_surface, height_u = _from_surface(surface, top)
    per_degree_leaned = _probe(surface, top, lean_deg=PROBE_DEG) / PROBE_DEG
    turn_deg = min(sqrt(2 * height_u / max(bend_per_deg2, 1e-4)), LARGEST_TURN_DEG)
    from_turn = _probe(surface, top, turn_deg=PROBE_DEG) / PROBE_DEG * turn_deg
    judged = hypot(JUDGED_MM, height_u) * sqrt(2.0)
    other = 0.5 * (1.0 - erf(rival.behind_mm / judged / sqrt(2.0)))
    from_rival = rival.apart_mm * sqrt(other * (1.0 - other))
    terms = (
        from_surface,
        per_degree_leaned * axis_u_deg,
        from_turn,
        _from_saddle(surface, top, height_u),
        _from_holes(surface, top),
        from_rival,
    )
    return float(np.sqrt(np.square(terms).sum()))


def _from_surface(surface: DenseSurface, top: Top) -> tuple[float, float]:
    """Return what errors of the surface move the level by, and the farthest point's u [mm]."""
    near = surface.near & (np.abs(surface.points_mm @ top.direction - top.height_mm) < 2 * TOP_MM)
    near &= np.abs(surface.points_mm[..., 2] - top.apex_mm[2]) < 2 * (
        top.highest_mm - top.lowest_mm
    )
    area = float(surface.areas_mm2[top.cells].sum())
    rim = near & (
        np.abs(surface.points_mm @ top.direction - (top.height_mm - TOP_MM)) < RIM_READ_MM
    )
    along = surface.points_mm[rim, 2] - top.apex_mm[2]
    across = surface.points_mm[rim] @ np.cross([0.0, 0.0, 1.0], top.direction)
    pull = along * surface.areas_mm2[rim] / (2 * RIM_READ_MM) / area
    cell = np.floor(along / SHARED_ALONG_MM) + 1000 * np.floor(across / SHARED_AROUND_MM)
    _, group = np.unique(cell, return_inverse=True)
    pulls = np.bincount(group, weights=pull * surface.u_mm[rim])
    height_u = float(np.sqrt(np.mean(np.square(surface.u_mm[top.cells]))))
    return hypot(float(np.sqrt(np.square(pulls).sum())), float(pull.sum()) * height_u), height_u


def _from_holes(surface: DenseSurface, top: Top) -> float:
    """Return by how much the level moves where unknown places are covered smoothly [mm]."""
    if surface.near.all():
        return 0.0
    covered = replace(surface, near=np.ones_like(surface.near))
    level = find_top(covered, top.direction, float(top.farthest_mm[2])).apex_mm[2]
    return abs(float(level - top.apex_mm[2]))


def _from_saddle(surface: DenseSurface, top: Top, height_u_mm: float) -> float:
    """Return by how much the level moves where a hump may or may not belong to the top [mm]."""
    level = float(top.farthest_mm[2])
    probe = SADDLE_US * hypot(RIM_MM, height_u_mm)
    shallow, deep = (
        float(find_top(surface, top.direction, level, depth_mm=TOP_MM + sign * probe).apex_mm[2])
        for sign in (-1.0, 1.0)
    )
    return abs(deep - shallow) / 2.0


def _probe(
    surface: DenseSurface, top: Top, *, lean_deg: float = 0.0, turn_deg: float = 0.0
) -> float:
    """Return by how much the level moves when looked at from a little higher or farther round."""
    u, v, _ = top.direction
    lean, turn = radians(lean_deg), radians(turn_deg)
    levels = []
    for sign in (-1.0, 1.0):
        c, s = cos(sign * turn), sin(sign * turn)
        direction = np.array([u * c - v * s, u * s + v * c, 0.0]) * cos(lean)
        direction[2] = sin(sign * lean)
        levels.append(float(find_top(surface, direction, float(top.farthest_mm[2])).apex_mm[2]))
    return abs(levels[1] - levels[0]) / 2.0
