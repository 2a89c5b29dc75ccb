"""Rings as a surface: normals, rays, and smoothing that invents nothing."""

import numpy as np
import pytest

from canalmorph.segment.surface import (
    find_normals,
    find_radial_rays,
    find_ring_centres,
    smooth_surface,
)

AXIS = np.array([0.0, 0.0, 1.0])
N_RINGS, N_RAYS = 25, 180
ANGLES = 2 * np.pi * np.arange(N_RAYS) / N_RAYS
HEIGHTS = np.arange(N_RINGS, dtype=float)


def make_rings(radius: np.ndarray | float) -> np.ndarray:
    """Return rings 1 mm apart, (n, m, 3); the radius may depend on ring and ray."""
    r = np.broadcast_to(radius, (N_RINGS, N_RAYS))
    return np.stack(
        [
            r * np.cos(ANGLES),
            r * np.sin(ANGLES),
            np.broadcast_to(HEIGHTS[:, None], (N_RINGS, N_RAYS)),
        ],
        axis=-1,
    )


def smooth(values: np.ndarray, base: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    return smooth_surface(
        values, np.full(values.shape[:2], 0.1), base, ring_step_mm=1.0, half_mm=(3.0, 2.5)
    )


@pytest.mark.parametrize("slope", [0.0, 0.3, -0.8])
def test_normals_of_a_cone(slope: float) -> None:
    normals, across = find_normals(make_rings(20.0 + slope * HEIGHTS[:, None]), AXIS)
    radial = np.stack([np.cos(ANGLES), np.sin(ANGLES), 0 * ANGLES], axis=-1)
    expected = (radial - slope * AXIS) / np.hypot(1.0, slope)
    # Central differences are exact along the generators and, by symmetry, around.
    assert np.abs(normals - expected).max() < 1e-9
    assert np.abs(across - radial).max() < 1e-9


def test_smoothing_reproduces_quadratics() -> None:
    rng = np.random.default_rng(3)
    s, t = np.meshgrid(HEIGHTS, np.arange(N_RAYS, dtype=float), indexing="ij")
    values = np.stack([1 + 0.3 * s - 0.01 * s**2, 0.02 * t * s / 10 + t**2 / 500, s - t], axis=-1)
    base = make_rings(20.0)
    found, spread = smooth(values, base)
    # Away from the seam, where a quadratic in the ray's number breaks.
    inner = slice(20, N_RAYS - 20)
    assert np.abs(found - values)[:, inner].max() < 1e-5
    assert spread[:, inner].max() < 1e-5
    # A robust fit of noise: no bias, and less noise than a single point.
    noisy, scatter = smooth(values + rng.normal(0, 0.1, values.shape), base)
    error = (noisy - values)[:, inner]
    assert np.abs(error.mean()) < 0.01
    assert error[3:-3].std() < 0.05
    # The scatter is of the distance in space, three axes of 0.1: median 1.54 x 0.1 x 1.4826.
    assert np.median(scatter[3:-3, inner]) == pytest.approx(0.228, rel=0.15)


def test_smoothing_keeps_a_round_wall_round() -> None:
    for radius in (4.5, 7.0, 14.0):
        rings = make_rings(radius)
        found, _ = smooth(rings, rings)
        # A quadratic over 2.5 mm to each side of a circle of radius r is low by a term of fourth
        # order, weights times t^4 / 24 r^3: below 0.006 mm on a canal of 9 mm.
        assert np.linalg.norm(found[..., :2], axis=-1) == pytest.approx(radius, abs=0.01)


def test_stray_points_are_left_out() -> None:
    rings = make_rings(14.0)
    stray = rings.copy()
    hit = np.random.default_rng(5).random((N_RINGS, N_RAYS)) < 0.02
    stray[hit] *= np.array([1.15, 1.15, 1.0])  # another edge, 2 mm outside
    found, _ = smooth(stray, rings)
    radii = np.linalg.norm(found[..., :2], axis=-1)
    # One point in fifty: one or two in a window of some 80, and Tukey's weights drop what lies
    # beyond six median residuals, or the floor of 0.05 mm where the others are exact. One in
    # twenty makes clumps that two passes do not wholly drop: they pull by up to 0.3 mm.
    assert np.abs(radii - 14.0).max() < 0.05


def test_smoothing_ends_where_knowledge_ends() -> None:
    rings = make_rings(14.0)
    broken = rings.copy()
    broken[:, 40:70] = np.nan  # 15 mm around, nothing known on any ring
    broken[20:] = np.nan  # and nothing from the twentieth ring on
    found, spread = smooth(broken, rings)
    known = np.isfinite(found[..., 0])
    assert not known[20:].any()
    assert not known[:, 42:68].any()
    # A third of the window on each side is needed: one ring of three, two rays of five.
    assert known[:18, :37].all()
    assert known[:18, 73:].all()
    assert np.array_equal(known, np.isfinite(spread))
    # Where it speaks beside the gap it is right: nothing ran out over the edge.
    assert np.linalg.norm(found[known][:, :2], axis=-1) == pytest.approx(14.0, abs=0.02)


def test_a_small_hole_is_bridged_by_the_surface() -> None:
    rings = make_rings(14.0)
    broken = rings.copy()
    broken[10, 50] = np.nan
    found, _ = smooth(broken, rings)
    assert found[10, 50] == pytest.approx(rings[10, 50], abs=0.01)


def test_ring_centres_are_steady_against_strays() -> None:
    rings = make_rings(9.0) + np.array([3.0, -2.0, 0.0])
    broken = rings.copy()
    broken[7, :60] += 30.0
    broken[12] = np.nan
    centres = find_ring_centres(broken)
    assert np.isfinite(centres).all()
    assert centres[:, :2] == pytest.approx(np.tile([3.0, -2.0], (N_RINGS, 1)), abs=0.3)


def test_radial_rays_start_on_the_ring() -> None:
    rings = make_rings(14.0)
    centres = np.zeros((N_RINGS, 3))
    centres[:, 2] = HEIGHTS
    centres[:, 0] = 2.0
    broken = rings.copy()
    broken[3, 10:20] = np.nan
    broken[5, :120] = np.nan
    points, directions = find_radial_rays(
        broken, centres, np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])
    )
    assert np.isnan(points[5]).all()  # more than half unknown
    others = np.delete(np.arange(N_RINGS), [3, 5])
    # Between points 2 degrees apart radii are interpolated: 14 (1 - cos 1 deg) is 0.002 mm.
    assert np.hypot(points[others, :, 0], points[others, :, 1]) == pytest.approx(14.0, abs=0.003)
    arms = points[others] - centres[others][:, None]
    assert np.abs(np.cross(arms, directions[others])).max() < 1e-9
    # A gap of 20 degrees is bridged as a start value only, within its sagitta of 0.2 mm.
    assert np.hypot(points[3, :, 0], points[3, :, 1]) == pytest.approx(14.0, abs=0.25)
