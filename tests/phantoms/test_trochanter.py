"""The true lesser trochanter: converged, and the same by an independent mesh of the surface."""

# mypy: disable-error-code="no-untyped-call"

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import find_peaks, peak_prominences
from skimage.measure import marching_cubes

from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.section import _sample_grid
from canalmorph_phantoms.shapes import make_shape
from canalmorph_phantoms.spec import LesserTrochanterShape
from canalmorph_phantoms.trochanter import find_lesser_trochanter
from canalmorph_phantoms.truth import solve_solid

NAMES = ["normal_pair", "stovepipe_pair", "varus_short_neck"]


@pytest.mark.parametrize("name", NAMES)
def test_halving_the_step_moves_the_level_by_less_than_0_05_mm(name: str) -> None:
    solid, top = solve_solid(CATALOGUE[name].femora[0].shape)
    fine = find_lesser_trochanter(solid, step_mm=0.125)
    assert fine.point_mm[2] == pytest.approx(top.point_mm[2], abs=0.05)
    assert fine.direction_deg == pytest.approx(top.direction_deg, abs=1.5)


#: A second hump beside the apex, and a spur on it.
ODD_SHAPES = {
    "hump below": LesserTrochanterShape(
        hump_proud_mm=13.0, hump_above_mm=-13.0, hump_turn_deg=14.0
    ),
    "hump above": LesserTrochanterShape(hump_proud_mm=11.0, hump_above_mm=12.0, hump_turn_deg=14.0),
    "spur": LesserTrochanterShape(spur_proud_mm=14.0, spur_above_mm=4.0),
}


@pytest.mark.parametrize("name", ODD_SHAPES)
def test_humps_and_spurs_stand_out_where_they_are_put(name: str) -> None:
    odd = ODD_SHAPES[name]
    plain = replace(odd, hump_proud_mm=0.0, spur_proud_mm=0.0)
    solid, top = solve_solid(make_shape(lesser_trochanter=odd))
    _, without = solve_solid(make_shape(lesser_trochanter=plain))
    level = odd.hump_above_mm if odd.hump_proud_mm else odd.spur_above_mm
    # They are the farthest place now; the slope of the bump that carries them moves it a little.
    assert top.apex_mm[2] == pytest.approx(level, abs=0.5)
    assert abs(top.point_mm[2] - without.point_mm[2]) > 3.0
    fine = find_lesser_trochanter(solid, step_mm=0.125)
    assert fine.point_mm[2] == pytest.approx(top.point_mm[2], abs=0.05)


def test_without_hump_and_spur_their_other_numbers_change_nothing() -> None:
    other = LesserTrochanterShape(hump_above_mm=-5.0, spur_radius_mm=3.0, spur_turn_deg=9.0)
    (_, one), (_, two) = (
        solve_solid(make_shape(lesser_trochanter=shape))
        for shape in (LesserTrochanterShape(), other)
    )
    assert np.array_equal(one.point_mm, two.point_mm)


def test_a_top_that_runs_up_to_the_neck_is_taken_whole() -> None:
    flat = LesserTrochanterShape(proud_mm=4.9, above_mm=20.0, tip_radius_mm=9.0, blend_mm=11.0)
    _, top = solve_solid(make_shape(lesser_trochanter=flat))
    assert top.point_mm[2] - top.apex_mm[2] > 0.5


def _mesh_surface(solid: FemurSolid) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return centres and areas of the triangles of the outer surface around the level 0."""
    step = 0.6
    u, v = np.arange(-36.0, 48.0, step), np.arange(-32.0, 46.0, step)
    head = solid.shape.head_height_mm
    s = np.arange(head - 96.0, head - 20.0, step)
    values = np.stack([_sample_grid(u, v, z, solid.parameters, solid.table)[0] for z in s])
    corners, faces, _, _ = marching_cubes(values, 0.0, spacing=(step,) * 3)
    points = corners[:, ::-1] + [u[0], v[0], s[0]]
    a, b, c = (points[faces[:, i]] for i in range(3))
    return (a + b + c) / 3, np.linalg.norm(np.cross(b - a, c - a), axis=1) / 2


@pytest.mark.parametrize("name", ["normal_pair", "varus_short_neck"])
def test_a_mesh_of_the_surface_gives_the_same_point(name: str) -> None:
    solid, top = solve_solid(CATALOGUE[name].femora[0].shape)
    centres, areas = _mesh_surface(solid)
    head = solid.shape.head_height_mm
    edges = np.arange(head - 95.0, head - 21.9, 1.0)
    best = (0.0, 0.0, 0.0)
    for direction_deg in np.arange(15.0, 95.1, 4.0):
        angle = np.radians(direction_deg)
        heights = centres[:, 0] * np.cos(angle) + centres[:, 1] * np.sin(angle)
        row = np.digitize(centres[:, 2], edges)
        support = np.array([heights[row == k].max() for k in range(1, len(edges))])
        peaks, _ = find_peaks(support)
        if len(peaks) == 0:
            continue
        prominence = peak_prominences(support, peaks)[0]
        at = int(np.argmax(prominence))
        best = max(best, (float(prominence[at]), float(direction_deg), float(edges[peaks[at]])))
    _, direction_deg, level = best
    assert direction_deg == pytest.approx(top.direction_deg, abs=6.0)
    angle = np.radians(top.direction_deg)
    heights = centres[:, 0] * np.cos(angle) + centres[:, 1] * np.sin(angle)
    near = np.linalg.norm(centres - top.apex_mm, axis=1) < 14.0
    near &= heights > heights[near & (np.abs(centres[:, 2] - level) < 3)].max() - 1.0
    point = np.average(centres[near], axis=0, weights=areas[near])
    # Triangles of 0.6 mm: their centres lie up to h**2 / (8 R), 0.01 mm, under the surface, which
    # moves the rim of the top by less than 0.1 mm.
    assert point == pytest.approx(top.point_mm, abs=0.1)


@pytest.mark.parametrize("name", sorted(CATALOGUE))
def test_every_trochanter_is_a_clear_bump_inside_the_sector(name: str) -> None:
    for femur in CATALOGUE[name].femora:
        _, top = solve_solid(femur.shape)
        assert 25.0 < top.direction_deg < 90.0
        assert 3.0 < top.prominence_mm < 16.0
        # Nominal and true level agree, so that the parameters mean what they say.
        assert abs(top.point_mm[2]) < 3.0
