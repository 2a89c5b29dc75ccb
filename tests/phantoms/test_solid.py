"""The solids against closed forms: sections, axis, condyles, head."""

# mypy: disable-error-code="call-arg"

from dataclasses import replace
from math import pi

import numpy as np
import pytest
from scipy.optimize import brentq

from canalmorph_phantoms import solid as sd
from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.femur import FemurSolid, make_solid
from canalmorph_phantoms.section import sample_section
from canalmorph_phantoms.solid import blend_union, distance_to_capsule, evaluate_femur
from canalmorph_phantoms.spec import FemurShape
from canalmorph_phantoms.trochanter import cast_heights
from canalmorph_phantoms.truth import measure_section, solve_solid

SHAFT_LEVELS = [-36.0, -100.0, -170.0]
NAMES = ["normal_pair", "flute_pair", "thin_cortex"]


@pytest.mark.parametrize("level_mm", SHAFT_LEVELS)
@pytest.mark.parametrize("name", NAMES)
def test_shaft_sections_are_the_ellipses_of_the_table(name: str, level_mm: float) -> None:
    solid, _ = solve_solid(CATALOGUE[name].femora[0].shape)
    row = solid.section_at(level_mm)
    found = measure_section(solid, level_mm)
    # Outlines are cut by lines 0.25 mm apart, so a caliper misses at most the sagitta
    # 0.125**2 / (2 R), 0.002 mm at the narrowest canal's R of 4 mm; the caliper's direction is
    # an axis, so that both cutting families meet the tangent point symmetrically.
    for outline, a, b in (
        ("outer", row[sd.OUTER_A], row[sd.OUTER_B]),
        ("canal", row[sd.CANAL_A], row[sd.CANAL_B]),
    ):
        assert found[f"{outline}_ml_mm"] == pytest.approx(2 * a, abs=2.5e-3)
        assert found[f"{outline}_ap_mm"] == pytest.approx(2 * b, abs=2.5e-3)
        assert found[f"{outline}_min_mm"] == pytest.approx(2 * min(a, b), abs=2.5e-3)
        assert found[f"{outline}_max_mm"] == pytest.approx(2 * max(a, b), abs=2.5e-3)
        # Chords 0.25 mm apart: the error of an ellipse's area falls with the step to the 3/2.
        assert found[f"{outline}_area_mm2"] == pytest.approx(pi * a * b, rel=3e-3)
    inscribed = 2 * min(row[sd.CANAL_A], row[sd.CANAL_B])
    assert found["canal_inscribed_mm"] == pytest.approx(inscribed, abs=5e-3)
    # Walls on the axes; a quadrant's minimum is at most the wall on its axis.
    post = row[sd.OUTER_V] + row[sd.OUTER_B] - row[sd.CANAL_V] - row[sd.CANAL_B]
    front = row[sd.CANAL_V] - row[sd.CANAL_B] - row[sd.OUTER_V] + row[sd.OUTER_B]
    assert found["cortex_posterior_min_mm"] <= post + 1e-3
    assert front - 0.06 < found["cortex_anterior_min_mm"] <= front + 1e-3


@pytest.mark.parametrize("level_mm", [-60.0, -100.0, -140.0])
def test_walls_are_thick_behind_thin_in_front(shape: FemurShape, level_mm: float) -> None:
    found = measure_section(solve_solid(shape)[0], level_mm)
    sides = [found["cortex_medial_mm"], found["cortex_lateral_mm"]]
    assert found["cortex_anterior_mm"] < min(sides)
    assert found["cortex_posterior_mm"] > max(sides)
    assert sides[0] == pytest.approx(sides[1], rel=0.1)


@pytest.mark.parametrize("name", ["normal_pair", "large_bones"])
def test_axis_is_the_line_through_the_canal_centroids(name: str) -> None:
    solid, top = solve_solid(CATALOGUE[name].femora[0].shape)
    lt = float(top.point_mm[2])
    levels = np.linspace(solid.isthmus_nominal_mm, lt - 50.0, 161)
    centres = np.array([sample_section(solid, s)[1].centroid_mm for s in levels])
    for axis in (0, 1):
        slope, height = np.polyfit(levels - levels.mean(), centres[:, axis], 1)
        # The window's upper end moves with the last round's change of the LT (below 0.05 mm);
        # 161 levels instead of a line's integral weigh the ends by 1/160 more: of a sagitta of
        # 90**2 / (8 * 720) = 1.4 mm that is 0.009 mm.
        assert abs(height) < 0.01
        assert abs(np.degrees(slope)) < 0.01


def _condylar_angle(solid: FemurSolid, near_deg: float) -> float:
    """Return the direction of the line that touches both condyles from behind [deg]."""
    p = solid.parameters
    across = np.arange(-50.0, 50.0, 0.25)
    levels = p[sd.P_DISTAL] + p[sd.P_COND_R] + np.arange(-4.0, 4.1, 0.5)
    # The knee lies up to 60 mm behind the shaft axis: lines are cast from farther out.
    centre = np.array([p[sd.P_COND_U], p[sd.P_COND_V]])

    def difference(angle_deg: float) -> float:
        c, s = np.cos(np.radians(angle_deg + 90)), np.sin(np.radians(angle_deg + 90))
        middle = -centre[0] * s + centre[1] * c
        heights = cast_heights(c, s, across + middle, levels, 150.0, p, solid.table).max(axis=0)
        return float(heights[across < 0].max() - heights[across > 0].max())

    return float(brentq(difference, near_deg - 15, near_deg + 12, xtol=1e-3))


@pytest.mark.parametrize("torsion_deg", [-10.0, 0.0, 14.0, 40.0])
def test_condylar_line_has_the_torsion(shape: FemurShape, torsion_deg: float) -> None:
    solid = make_solid(replace(shape, torsion_deg=torsion_deg))
    # Two heights sampled 0.25 mm apart over a sphere of 21 mm err by 0.0004 mm over 48 mm.
    assert _condylar_angle(solid, torsion_deg) == pytest.approx(torsion_deg, abs=0.01)


def test_head_is_a_sphere_away_from_the_neck(shape: FemurShape) -> None:
    solid = make_solid(shape)
    p = solid.parameters
    rng = np.random.default_rng(5)
    directions = rng.normal(size=(200, 3))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    neck = np.array([p[sd.P_NECK_SIN], 0.0, p[sd.P_NECK_COS]])
    centre = p[[sd.P_HEAD_U, sd.P_HEAD_V, sd.P_HEAD_S]]
    free = directions[directions @ neck > -0.5]
    assert len(free) > 50
    for direction in free:
        point = centre + direction * shape.head_radius_mm
        assert abs(evaluate_femur(*point, p, solid.table)[0]) < 1e-9


def test_canal_lies_inside_the_bone(shape: FemurShape) -> None:
    solid = make_solid(shape)
    rng = np.random.default_rng(8)
    points = rng.uniform([-40, -40, -380], [70, 70, 80], size=(20000, 3))
    values = np.array([evaluate_femur(*q, solid.parameters, solid.table) for q in points])
    canal = values[values[:, 1] < 0]
    assert len(canal) > 200
    assert (canal[:, 0] < 0).all()


def test_smooth_union_has_a_finite_width() -> None:
    assert blend_union(1.0, 4.0, 3.0) == 1.0
    # At equal distance it bulges by a quarter of its width.
    assert blend_union(1.0, 1.0, 4.0) == pytest.approx(0.0)


def test_capsule_distance_matches_its_spheres() -> None:
    capsule = np.array([0.0, 0.0, 0.0, 3.0, 10.0, 0.0, 0.0, 1.0, 0.0])
    assert distance_to_capsule(-5.0, 0.0, 0.0, capsule) == pytest.approx(2.0)
    assert distance_to_capsule(14.0, 0.0, 0.0, capsule) == pytest.approx(3.0)
    # On the flank: the tangent cone's half angle has sine (3 - 1) / 10.
    expected = 3.0 * 0.2 + 5.0 * np.sqrt(1 - 0.2**2) - 3.0
    assert distance_to_capsule(3.0, 5.0, 0.0, capsule) == pytest.approx(expected)
