"""Outlines that a person drew, put into the rings of a femur's surfaces."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.geometry.outlines import find_distances, find_inside
from canalmorph.model.corrections import Correction, CorrectionKind, Unfit
from canalmorph.model.femur import Cortex, FemurFrame

#: A drawn outline holds for sections this near to it. [mm]
HOLDS_MM = 1.2
#: Two drawn outlines this near to each other are joined: what lies between is between them. [mm]
JOINED_MM = 10.0
#: Rings lie oblique to sections by up to so much at the bone's surface. [mm]
TILT_MM = 8.0
#: A canal's outline may reach so far out of the bone's, as hands err, and no farther. [mm]
OUTSIDE_MM = 1.0
#: Standard uncertainty of a point that a person drew, across the outline: half a pixel of usual
#: CT, and as much again for where one sees the edge. [mm]
HAND_EDGE_U_MM = 0.5


def repaint_outlines(
    cortex: Cortex, frame: FemurFrame, marks: Sequence[Correction]
) -> tuple[Cortex, tuple[Unfit, ...]]:
    """Return the surfaces with drawn outlines, and the drawings that do not fit.

    Parameters
    ----------
    cortex : Cortex
        Both surfaces.
    frame : FemurFrame
        Drawings lie across its axis.
    marks : sequence of Correction
        Outlines of either surface, in any order.
    """
    unfit: list[Unfit] = []
    for kind, name in (
        (CorrectionKind.OUTER_OUTLINE, "outer"),
        (CorrectionKind.CANAL_OUTLINE, "canal"),
    ):
        drawn = []
        for mark in (one for one in marks if one.kind is kind):
            reason = _find_fault(cortex, frame, mark)
            if reason:
                unfit.append(Unfit(mark=mark, reason=reason))
            else:
                drawn.append(frame.lps_to_frame_mm(np.array(mark.points_lps_mm)))
        if drawn:
            cortex = _paint(cortex, frame, name, sorted(drawn, key=lambda one: one[:, 2].mean()))
    return cortex, tuple(unfit)


def _find_fault(cortex: Cortex, frame: FemurFrame, mark: Correction) -> str:
    """Return why a drawing does not fit; empty where it does."""
    points = frame.lps_to_frame_mm(np.array(mark.points_lps_mm))
    levels = frame.lps_to_frame_mm(cortex.outer_lps_mm)[..., 2]
    if np.ptp(points[:, 2]) > 2 * HOLDS_MM:
        return "It was drawn across another axis of the shaft."
    if not np.nanmin(levels) <= points[:, 2].mean() <= np.nanmax(levels):
        return "It lies above or below the part of the femur that is measured."
    middle = points[:, :2].mean(axis=0, keepdims=True)
    if not find_inside(middle, points[:, :2])[0]:
        return "The outline does not go round its own middle."
    rings = _nearest_ring(cortex, frame, float(points[:, 2].mean()))
    known = np.isfinite(rings).all(axis=1)
    if known.sum() > 8 and np.linalg.norm(rings[known, :2].mean(axis=0) - middle[0]) > 15.0:
        return "It lies beside the femur."
    if mark.kind is CorrectionKind.CANAL_OUTLINE and known.sum() > 8:
        bone = rings[known, :2]
        outside = points[~find_inside(points[:, :2], bone), :2]
        if len(outside) and find_distances(outside, bone).max() > OUTSIDE_MM:
            return "The canal's outline reaches out of the bone."
    return ""


def _nearest_ring(cortex: Cortex, frame: FemurFrame, level_mm: float) -> NDArray[np.float64]:
    rings = frame.lps_to_frame_mm(cortex.outer_lps_mm)
    row = int(np.argmin(np.abs(_ring_levels(cortex, frame) - level_mm)))
    return np.asarray(rings[row])


def _ring_levels(cortex: Cortex, frame: FemurFrame) -> NDArray[np.float64]:
    """Return the level of each ring's middle, known where its edges are not [mm]."""
    middles = cortex.axis_point_lps_mm + cortex.heights_mm[:, None] * cortex.axis_direction
    return np.asarray(frame.lps_to_frame_mm(middles)[:, 2])


def _paint(
    cortex: Cortex, frame: FemurFrame, name: str, drawn: Sequence[NDArray[np.float64]]
) -> Cortex:
    """Return the surfaces with drawings, from below to above, in one of them."""
    points = getattr(cortex, f"{name}_lps_mm").copy()
    us = getattr(cortex, f"{name}_u_mm").copy()
    shared = getattr(cortex, f"{name}_shared_u_mm").copy()
    quality = cortex.quality.copy()
    rings = frame.lps_to_frame_mm(points)
    angles = _ray_angles(rings)
    levels = np.array([one[:, 2].mean() for one in drawn])
    radial = [_sample_drawing(one[:, :2], angles) for one in drawn]
    axis = frame.lps_to_frame_mm(cortex.axis_point_lps_mm + cortex.axis_direction)
    foot = frame.lps_to_frame_mm(cortex.axis_point_lps_mm)
    normal = axis - foot
    away = np.abs(_ring_levels(cortex, frame)[:, None] - levels).min(axis=1)
    for row in np.flatnonzero(away < JOINED_MM + TILT_MM):
        plane = float(foot @ normal) + float(cortex.heights_mm[row])
        for ray in range(points.shape[1]):
            place = _find_place(levels, [one[ray] for one in radial], normal, plane)
            if place is None:
                continue
            points[row, ray] = frame.frame_to_lps_mm(place)
            us[row, ray], shared[row, ray] = HAND_EDGE_U_MM, 0.0
            quality[row] |= int(Quality.HAND_DRAWN)
            quality[row] &= ~int(Quality.OUTLINE_INCOMPLETE | Quality.NARROW_CANAL)
    changes = {
        f"{name}_lps_mm": points,
        f"{name}_u_mm": us,
        f"{name}_shared_u_mm": shared,
        "quality": quality,
    }
    if name == "canal":
        redrawn = (quality & int(Quality.HAND_DRAWN)) != 0
        changes["dense_lps_mm"] = np.where(redrawn[:, None, None], np.nan, cortex.dense_lps_mm)
    return replace(cortex, **changes)


def _find_place(
    levels: NDArray[np.float64],
    points: Sequence[NDArray[np.float64]],
    normal: NDArray[np.float64],
    plane: float,
) -> NDArray[np.float64] | None:
    """Return where a ring's plane meets the drawn surface on one ray; None where nothing is drawn.

    Drawings are flat pieces of surface along the shaft, joined to their neighbours where these
    are near.
    """
    for here, point in zip(levels, points, strict=True):
        level = (plane - point @ normal[:2]) / normal[2]
        if abs(level - here) <= HOLDS_MM:
            return np.array([*point, level])
    for low in range(len(levels) - 1):
        start, rise = points[low], levels[low + 1] - levels[low]
        if rise > JOINED_MM:
            continue
        lean = (points[low + 1] - start) / rise
        along = float(lean @ normal[:2]) + normal[2]
        up = (plane - float(start @ normal[:2]) - levels[low] * normal[2]) / along
        if 0 <= up <= rise:
            return np.array([*(start + up * lean), levels[low] + up])
    return None


def _ray_angles(rings: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the angle of each ray about its ring's middle: the circular mean over all rings.

    Rings of which nothing is known, where the field of view cuts the bone, have none.
    """
    rings = rings[np.isfinite(rings[..., 0]).any(axis=1)]
    middles = np.nanmean(rings[..., :2], axis=1, keepdims=True)
    away = rings[..., :2] - middles
    turns = away[..., 0] + 1j * away[..., 1]
    with np.errstate(invalid="ignore"):
        units = turns / np.abs(turns)
    return np.asarray(np.angle(np.nansum(units, axis=0)))


def _sample_drawing(drawn: NDArray[np.float64], angles: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the drawn outline's points in the directions of the rays from its middle, (m, 2)."""
    closed = np.concatenate([drawn, drawn[:1]])
    steps = np.linspace(0.0, 1.0, 17)[:-1, None, None]
    dense = (closed[:-1] + steps * np.diff(closed, axis=0)).transpose(1, 0, 2).reshape(-1, 2)
    middle = drawn.mean(axis=0)
    away = dense - middle
    about = np.arctan2(away[:, 1], away[:, 0])
    order = np.argsort(about)
    radii = np.interp(
        angles, about[order], np.hypot(away[:, 0], away[:, 1])[order], period=2 * np.pi
    )
    return np.asarray(middle + radii[:, None] * np.stack([np.cos(angles), np.sin(angles)], axis=1))
