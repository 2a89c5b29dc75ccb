"""Sections in other planes and what the knee tells, by closed forms."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.measure.canal import measure_canal
from canalmorph.measure.settings import MeasureSettings
from canalmorph.measure.torsion import measure_knee
from canalmorph.measure.turned import find_scanner_turn_deg
from canalmorph.model.femur import (
    AlignedFemur,
    Condyles,
    FemurFrame,
    HeadSphere,
    NeckAxis,
    Side,
)

#: Half axes of the canal, ML and AP. [mm]
A_MM, B_MM = 9.0, 6.0


def outer(level_mm: float) -> tuple[float, float, float, float]:
    return 0.0, 0.0, 15.0, 14.0


def canal(level_mm: float) -> tuple[float, float, float, float]:
    return 0.0, 0.0, A_MM, B_MM


def turned_width_mm(turn_deg: float) -> float:
    """Return the caliper of an ellipse in a turned direction: 2 sqrt(a2 cos2 + b2 sin2)."""
    turn = np.radians(turn_deg)
    return float(2 * np.hypot(A_MM * np.cos(turn), B_MM * np.sin(turn)))


def make_condyles(frame: FemurFrame, turn_deg: float, *, epicondylar_deg: float = 0.0) -> Condyles:
    """Return condyles whose line is turned from ML towards posterior, 350 mm below level 0."""

    def direct(angle_deg: float) -> np.ndarray:
        angle = np.radians(angle_deg)
        return np.array([np.cos(angle), np.sin(angle), 0.0])

    def place(point: np.ndarray) -> np.ndarray:
        return frame.frame_to_lps_mm(point)

    centre = np.array([5.0, 10.0, -340.0])
    line, axis = direct(turn_deg), direct(turn_deg - epicondylar_deg)
    return Condyles(
        medial_posterior_lps_mm=place(centre + 24 * line),
        lateral_posterior_lps_mm=place(centre - 24 * line),
        medial=place(line) - place(np.zeros(3)),
        medial_u_deg=0.3,
        medial_epicondyle_lps_mm=place(centre + 42 * axis),
        lateral_epicondyle_lps_mm=place(centre - 42 * axis),
        epicondyle_u_mm=1.0,
        lowest_lps_mm=place(np.array([20.0, 10.0, -360.0])),
        lowest_u_mm=0.4,
        second_block=False,
    )


def make_neck(frame: FemurFrame, head: HeadSphere) -> NeckAxis:
    """Return a neck in the frame's own plane, 125 degrees against the shaft."""
    tilt = np.radians(55.0)
    way = np.sin(tilt) * frame.medial + np.cos(tilt) * frame.proximal
    return NeckAxis(
        centre_lps_mm=head.centre_lps_mm - 25.0 * way, direction=way, direction_u_deg=1.2
    )


@pytest.mark.parametrize("side", list(Side))
def test_other_planes_follow_the_ellipse(
    make_aligned: Callable[..., AlignedFemur], side: Side
) -> None:
    aligned = make_aligned(outer, canal, side=side)
    aligned = replace(aligned, condyles=make_condyles(aligned.frame, 25.0))
    profile = measure_canal(aligned, MeasureSettings(), brief=True)
    row = int(np.argmin(np.abs(profile.levels_mm + 100.0)))
    turns = {
        "plus_10": 10.0,
        "minus_10": -10.0,
        "condylar": 25.0,
        "scanner": find_scanner_turn_deg(aligned),
    }
    assert set(profile.turned) == set(turns)
    for name, turn_deg in turns.items():
        widths = profile.turned[name].columns
        # 180 points on the ellipse: a caliper misses at most its radius times 1 - cos(1 degree).
        assert widths["canal_ml_mm"][row] == pytest.approx(turned_width_mm(turn_deg), abs=0.006)
        assert widths["canal_ap_mm"][row] == pytest.approx(
            turned_width_mm(turn_deg + 90.0), abs=0.006
        )


def test_head_line_turns_with_the_plane(
    make_aligned: Callable[..., AlignedFemur], make_head: Callable[..., HeadSphere]
) -> None:
    # Head centre 40 mm medial, level 35: at LT+20 its circle has a half chord of sqrt(24^2 - 15^2).
    head = make_head(40.0, 35.0, 24.0)
    aligned = make_aligned(
        lambda level: (10.0, 0.0, 30.0, 14.0), lambda level: (10.0, 0.0, 28.0, 12.0), head=head
    )
    profile = measure_canal(aligned, MeasureSettings(), brief=True)
    row = int(np.argmin(np.abs(profile.levels_mm - 20.0)))
    turn = np.radians(10.0)
    along = 40.0 * np.cos(turn) - 2.0 * np.sin(turn)
    end = along - np.sqrt(24.0**2 - 15.0**2)
    start = 10.0 * np.cos(turn) - np.hypot(28.0 * np.cos(turn), 12.0 * np.sin(turn))
    found = profile.turned["plus_10"].columns["canal_ml_mm"][row]
    assert found == pytest.approx(end - start, abs=0.02)


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize("turn_deg", [-12.0, 0.0, 31.0])
def test_torsion_has_the_same_sign_on_both_sides(
    make_aligned: Callable[..., AlignedFemur],
    make_head: Callable[..., HeadSphere],
    side: Side,
    turn_deg: float,
) -> None:
    head = make_head(42.0, 50.0, 23.0, side=side)
    aligned = make_aligned(outer, canal, side=side, head=head)
    frame = aligned.frame
    aligned = replace(
        aligned,
        neck=make_neck(frame, head),
        condyles=make_condyles(frame, turn_deg, epicondylar_deg=3.0),
    )
    facts = measure_knee(aligned, plane_u_deg=1.5)
    assert facts["torsion_deg"].value == pytest.approx(turn_deg, abs=1e-9)
    assert facts["torsion_transepicondylar_deg"].value == pytest.approx(turn_deg - 3.0, abs=1e-9)
    # Neck 1.5, condyles 0.3, and 0.73 of the axis's 0.2 degrees.
    assert facts["torsion_deg"].u == pytest.approx(np.sqrt(1.5**2 + 0.3**2 + 0.146**2), rel=1e-6)
    assert facts["femur_length_mm"].value == pytest.approx(50.0 + 23.0 + 360.0, abs=1e-9)
    arm = np.array([42.0 - 5.0, -2.0 - 10.0, 50.0 + 340.0])
    assert facts["mechanical_axis_length_mm"].value == pytest.approx(
        float(np.linalg.norm(arm)), abs=1e-9
    )
    line = np.array([np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))])
    assert facts["mechanical_anatomical_angle_deg"].value == pytest.approx(
        float(np.degrees(np.arctan2(arm[:2] @ line, arm[2]))), abs=1e-9
    )


def test_scan_of_the_hip_says_why_there_is_no_torsion(
    make_aligned: Callable[..., AlignedFemur],
) -> None:
    profile = measure_canal(make_aligned(outer, canal), MeasureSettings(), brief=True)
    assert "torsion_deg" not in profile.facts
    assert profile.blanks["torsion_deg"] == "The scan ends above the femoral condyles."
    assert "condylar" not in profile.turned
