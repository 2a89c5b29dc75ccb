"""The true lesser trochanter: converged, and the same by an independent mesh of the surface."""

# mypy: disable-error-code="no-untyped-call"

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import find_peaks, peak_prominences
from skimage.measure import marching_cubes

from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.section import _sample_grid
from canalmorph_phantoms.trochanter import find_lesser_trochanter
from canalmorph_phantoms.truth import solve_solid

NAMES = ["normal_pair", "stovepipe_pair", "varus_short_neck"]


@pytest.mark.parametrize("name", NAMES)
def test_halving_the_step_moves_the_level_by_less_than_0_05_mm(name: str) -> None:
    solid, top = solve_solid(CATALOGUE[name].femora[0].shape)
    fine = find_lesser_trochanter(solid, step_mm=0.125)
    assert fine.point_mm[2] == pytest.approx(top.point_mm[2], abs=0.05)
    assert fine.direction_deg == pytest.approx(top.direction_deg, abs=1.5)


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
