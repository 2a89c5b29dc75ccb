"""Heads: balls of known place and size, whole or in part, and what is no head."""

import numpy as np
import pytest

from canalmorph.locate.heads import find_heads, refine_sphere

RADII_MM = (16.0, 32.0)
STEP_MM = 1.0
AFFINE = np.array(
    [
        [0.0, 0.0, STEP_MM, -48.0],
        [0.0, STEP_MM, 0.0, -48.0],
        [STEP_MM, 0.0, 0.0, -48.0],
        [0, 0, 0, 1.0],
    ]
)
BOX = np.array([[-48.0, -48.0, -48.0], [48.0, 48.0, 48.0]])


def make_ball(
    centre: tuple[float, float, float], radius_mm: float, *, noise_hu: float = 15.0
) -> tuple[np.ndarray, np.ndarray]:
    """Return a ball with soft edges of about a voxel in muscle, and each voxel's place."""
    axis = np.arange(97) * STEP_MM - 48.0
    z, y, x = np.meshgrid(axis, axis, axis, indexing="ij")
    points = np.stack([x, y, z], axis=-1)
    distance = np.linalg.norm(points - np.array(centre), axis=-1)
    ball = 55.0 + 445.0 / (1.0 + np.exp((distance - radius_mm) / 0.35))
    noise = np.random.default_rng(4).normal(0, noise_hu, ball.shape)
    return (ball + noise).astype(np.int16), points


@pytest.mark.parametrize("radius_mm", [19.5, 23.4, 27.0])
def test_a_ball_is_found_with_its_size(radius_mm: float) -> None:
    centre = (3.3, -5.7, 2.2)
    voxels, _ = make_ball(centre, radius_mm)
    best = find_heads(voxels, AFFINE, BOX, RADII_MM)[0]
    # A thousand edges, each to a few tenths of a voxel of 1 mm.
    assert best.centre_lps_mm == pytest.approx(centre, abs=0.1)
    assert best.radius_mm == pytest.approx(radius_mm, abs=0.2)
    assert best.inlier_share > 0.95
    assert 0 < best.centre_u_mm < 0.3


def test_a_head_on_its_neck_is_found_from_the_rest_of_it() -> None:
    """A neck takes a quarter of the directions, and a socket of 4 mm gap the upper half's."""
    centre = np.array([2.0, -1.0, 4.0])
    voxels, points = make_ball((2.0, -1.0, 4.0), 23.0)
    arm = points - centre
    neck = np.array([-0.7, 0.1, -0.7])
    neck /= np.linalg.norm(neck)
    along = arm @ neck
    aside = np.linalg.norm(arm - along[..., None] * neck, axis=-1)
    voxels[(along > 0) & (aside < 13.0)] = 500
    distance = np.linalg.norm(arm, axis=-1)
    voxels[(distance > 27.0) & (distance < 38.0) & (arm[..., 2] > 5.0)] = 600
    best = find_heads(voxels, AFFINE, BOX, RADII_MM)[0]
    assert best.centre_lps_mm == pytest.approx(centre, abs=0.3)
    assert best.radius_mm == pytest.approx(23.0, abs=0.3)
    assert 0.6 < best.inlier_share < 0.95


def test_a_first_centre_some_millimetres_off_is_refined() -> None:
    voxels, _ = make_ball((0.0, 0.0, 0.0), 23.0)
    for off in ([5.0, 0.0, 0.0], [-3.0, 4.0, 0.0], [2.0, -2.0, 5.0]):
        sphere = refine_sphere(voxels, AFFINE, np.array(off), RADII_MM)
        assert sphere is not None
        assert sphere.centre_lps_mm == pytest.approx(np.zeros(3), abs=0.1)


@pytest.mark.parametrize("radius_mm", [9.0, 38.0])
def test_balls_of_other_sizes_are_no_heads(radius_mm: float) -> None:
    voxels, _ = make_ball((0.0, 0.0, 0.0), radius_mm)
    assert all(head.inlier_share < 0.4 for head in find_heads(voxels, AFFINE, BOX, RADII_MM))


def test_nothing_is_no_head() -> None:
    voxels = np.full((97, 97, 97), 50, np.int16)
    assert find_heads(voxels, AFFINE, BOX, RADII_MM) == []
    assert find_heads(voxels[:5, :5, :5].copy(), AFFINE, BOX, RADII_MM) == []


def test_a_box_is_no_head() -> None:
    voxels = np.full((97, 97, 97), 50, np.int16)
    voxels[25:72, 25:72, 25:72] = 900
    # A sphere through a cube's faces and none of its edges touches less than half of it.
    assert all(head.inlier_share < 0.5 for head in find_heads(voxels, AFFINE, BOX, RADII_MM))
