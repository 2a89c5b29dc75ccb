"""Lines, spheres, circles and directions against what made the points."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canalmorph.geometry.lines import (
    fit_line,
    fit_sphere,
    normalise,
    perpendicular_axes,
    spread_directions,
)

#: Where patients lie in scanner space: fits must not lose digits there. [mm]
FAR_MM = np.array([850.0, -1200.0, 2300.0])


@pytest.mark.parametrize("angle_deg", [0.0, 7.0, 89.0, 133.0, 180.0])
def test_line_through_exact_points_is_that_line(angle_deg: float) -> None:
    direction = Rotation.from_rotvec(np.radians(angle_deg) * np.array([0.6, 0.8, 0.0])).apply(
        [0.0, 0.0, 1.0]
    )
    points = FAR_MM + np.linspace(-60.0, 95.0, 40)[:, None] * direction
    point, found = fit_line(points)
    # It runs as the points run; rounding of coordinates of 2 m over 0.1 m is all that is left.
    assert found == pytest.approx(direction, abs=1e-12)
    assert np.linalg.norm(np.cross(point - FAR_MM, direction)) < 1e-9
    assert fit_line(points[::-1])[1] == pytest.approx(-direction, abs=1e-12)


def test_line_minimises_the_distances() -> None:
    rng = np.random.default_rng(4)
    points = np.linspace(0, 80, 30)[:, None] * np.array([0.1, 0.05, 1.0]) + rng.normal(
        0, 1, (30, 3)
    )
    point, direction = fit_line(points)

    def miss(shift: np.ndarray, turn: np.ndarray) -> float:
        axis = normalise(direction + turn)
        arm = points - point - shift
        return float(((arm - np.outer(arm @ axis, axis)) ** 2).sum())

    least = miss(np.zeros(3), np.zeros(3))
    for _ in range(50):
        assert miss(rng.normal(0, 0.1, 3), rng.normal(0, 0.01, 3)) > least


@pytest.mark.parametrize("polar_deg", [180.0, 90.0, 40.0])
def test_sphere_through_a_cap_is_the_sphere(polar_deg: float) -> None:
    directions = spread_directions(800)
    cap = directions[directions[:, 2] >= np.cos(np.radians(polar_deg)) - 1e-12]
    centre, radius = fit_sphere(FAR_MM + 23.4 * cap)
    assert centre == pytest.approx(FAR_MM, abs=1e-8)
    assert radius == pytest.approx(23.4, abs=1e-8)


@pytest.mark.parametrize("n", [200, 1000])
def test_directions_are_spread_evenly(n: int) -> None:
    directions = spread_directions(n)
    assert np.linalg.norm(directions, axis=1) == pytest.approx(1.0)
    # Of an even spread the mean is 0 and the second moment a third of the identity; a lattice of
    # n points keeps both to its spacing over the whole, 1 in n but for a small factor.
    assert np.abs(directions.mean(0)).max() < 2.0 / n
    assert directions.T @ directions / n == pytest.approx(np.eye(3) / 3, abs=2.0 / n)
    # Each point owns 4 pi / n of the sphere: neighbours are about sqrt(4 pi / n) apart.
    cosines = directions @ directions.T - 3.0 * np.eye(n)
    nearest = np.arccos(np.clip(cosines.max(axis=1), -1, 1))
    spacing = np.sqrt(4 * np.pi / n)
    assert 0.6 * spacing < nearest.min()
    assert nearest.max() < 1.2 * spacing


def test_axes_across_a_direction_are_right_handed() -> None:
    rng = np.random.default_rng(7)
    for _ in range(20):
        direction, towards = normalise(rng.normal(size=3)), rng.normal(size=3)
        first, second = perpendicular_axes(direction, towards)
        axes = np.stack([first, second, direction])
        assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(axes) == pytest.approx(1.0)
        assert first @ towards > 0
        assert second @ towards == pytest.approx(0.0, abs=1e-12)
