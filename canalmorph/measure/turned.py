"""Widths of the same sections in other planes: the frame is turned about the shaft axis."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.measure.section import measure_outline
from canalmorph.measure.stack import SectionStack, find_medial_limits
from canalmorph.model.femur import AlignedFemur, FemurFrame, Plane
from canalmorph.model.results import TurnedWidths

#: The plane is turned by this much to either side, to see what rotation does. [deg]
ROTATION_DEG = 10.0
#: Quality bits of sections without a canal's width.
NO_CANAL = int(Quality.METAL | Quality.NARROW_CANAL)


def measure_turned(
    aligned: AlignedFemur,
    levels_mm: NDArray[np.float64],
    sections: SectionStack,
    *,
    plane_u_deg: float,
) -> Mapping[str, TurnedWidths]:
    """Return the widths in the other planes and 10 degrees to either side, by name.

    ``condylar`` is there where the condyles are in view; ``scanner`` always; ``plus_10`` and
    ``minus_10`` are the femur's plane turned about its axis, medial towards posterior first.

    Parameters
    ----------
    aligned : AlignedFemur
        The frame, the head and the condyles.
    levels_mm : (n,) float array
        Of the sections. [mm]
    sections : SectionStack
        The sections in the femur's frame.
    plane_u_deg : float
        Standard uncertainty of the frame's ML direction. [deg]
    """
    wanted: dict[str, tuple[float, float]] = {
        Plane.SCANNER.value: (find_scanner_turn_deg(aligned), 0.0),
        "plus_10": (ROTATION_DEG, plane_u_deg),
        "minus_10": (-ROTATION_DEG, plane_u_deg),
    }
    if aligned.condyles is not None:
        frame, medial = aligned.frame, aligned.condyles.medial
        turn = np.degrees(np.arctan2(medial @ frame.posterior, medial @ frame.medial))
        wanted[Plane.CONDYLAR.value] = (float(turn), aligned.condyles.medial_u_deg)
    return {
        name: _measure_plane(aligned, levels_mm, sections, turn_deg, u_deg)
        for name, (turn_deg, u_deg) in wanted.items()
    }


def find_scanner_turn_deg(aligned: AlignedFemur) -> float:
    """Return by how much the scanner's left-right axis lies turned from ML to posterior [deg]."""
    frame = aligned.frame
    across = np.array([float(aligned.cortex.femur.side.medial_x_sign), 0.0, 0.0])
    return float(np.degrees(np.arctan2(across @ frame.posterior, across @ frame.medial)))


def turn_frame(frame: FemurFrame, turn_deg: float) -> FemurFrame:
    """Return the frame turned about its axis, medial towards posterior."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return replace(
        frame,
        medial=c * frame.medial + s * frame.posterior,
        posterior=c * frame.posterior - s * frame.medial,
    )


def _measure_plane(
    aligned: AlignedFemur,
    levels_mm: NDArray[np.float64],
    sections: SectionStack,
    turn_deg: float,
    plane_u_deg: float,
) -> TurnedWidths:
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    turn = np.array([[c, -s], [s, c]])
    limits, limits_u = find_medial_limits(
        turn_frame(aligned.frame, turn_deg), levels_mm, aligned.cortex.femur.head
    )
    names = [f"{outline}_{axis}_mm" for outline in ("canal", "outer") for axis in ("ml", "ap")]
    columns = {name: np.full(len(levels_mm), np.nan) for name in names}
    us = {name: np.full(len(levels_mm), np.nan) for name in names}
    for prefix, outlines in (("canal", sections.canal_mm), ("outer", sections.outer_mm)):
        for row in range(len(levels_mm)):
            bits = int(sections.quality[row])
            if bits & (NO_CANAL if prefix == "canal" else int(Quality.METAL)):
                continue
            found = measure_outline(
                outlines[row, :, :2] @ turn,
                outlines[row, :, 2],
                outlines[row, :, 3],
                medial_limit_mm=float(limits[row]),
                medial_limit_u_mm=float(limits_u[row]),
                plane_u_deg=plane_u_deg,
                prefix=prefix,
                calipers_only=True,
            )
            for name, value in found.values.items():
                columns[name][row], us[name][row] = value, found.uncertainties[name]
    return TurnedWidths(turn_deg=turn_deg, columns=columns, uncertainties=us)
