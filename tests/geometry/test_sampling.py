"""Trilinear samples: exact on fields of their own kind, NaN where nothing was imaged."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation

from canalmorph.geometry.sampling import sample_points, sample_rays

SHAPE = (7, 9, 11)


@pytest.fixture(scope="module")
def affine() -> np.ndarray:
    matrix = np.eye(4)
    turn = Rotation.from_euler("xyz", [21.0, -33.0, 57.0], degrees=True).as_matrix()
    matrix[:3, :3] = turn @ np.diag([1.25, 0.6, 0.8])
    matrix[:3, 3] = (-110.0, 42.0, 500.0)
    return matrix


def to_lps(affine: np.ndarray, index: np.ndarray) -> np.ndarray:
    return (np.c_[index, np.ones(len(index))] @ affine.T)[:, :3]


def test_linear_and_product_fields_are_exact(affine: np.ndarray) -> None:
    k, j, i = np.indices(SHAPE)
    index = np.random.default_rng(1).uniform(0, np.array(SHAPE) - 1.0, (500, 3))
    a, b, c = index.T
    fields = [
        (11 * k - 23 * j + 5 * i, 11 * a - 23 * b + 5 * c),
        (k * j * i, a * b * c),
        (3 + k * i - 2 * j, 3 + a * c - 2 * b),
    ]
    for voxels, expected in fields:
        # Values up to 700 in single precision, and indices from coordinates of half a metre.
        found = sample_points(voxels.astype(np.int16), affine, to_lps(affine, index))
        assert found == pytest.approx(expected, abs=2e-4)


def test_any_field_agrees_with_an_independent_interpolation(affine: np.ndarray) -> None:
    rng = np.random.default_rng(2)
    voxels = rng.integers(-1000, 2000, SHAPE).astype(np.int16)
    index = rng.uniform(0, np.array(SHAPE) - 1.0, (300, 3))
    expected = ndimage.map_coordinates(voxels.astype(float), index.T, order=1)
    found = sample_points(voxels, affine, to_lps(affine, index))
    assert found == pytest.approx(expected, abs=1e-3)


def test_outside_the_outermost_centres_is_unknown_and_on_them_known() -> None:
    voxels = np.full(SHAPE, 40, np.int16)
    affine = np.eye(4)
    top = np.array(SHAPE) - 1.0
    corners = np.array([[0, 0, 0], top, [0, top[1], 0], [top[0], 0, top[2]]])
    assert sample_points(voxels, affine, corners).tolist() == [40.0] * 4
    for axis in range(3):
        for corner, step in ((np.zeros(3), -1e-6), (top, 1e-6)):
            outside = corner.copy()
            outside[axis] += step
            assert np.isnan(sample_points(voxels, affine, outside[None]))[0]
    assert np.isnan(sample_points(voxels, affine, np.full((1, 3), np.nan)))[0]


def test_rays_are_points_in_a_row(affine: np.ndarray) -> None:
    rng = np.random.default_rng(3)
    voxels = rng.integers(-1000, 2000, SHAPE).astype(np.int16)
    starts = to_lps(affine, rng.uniform(-1, 8, (4, 5, 3)).reshape(-1, 3)).reshape(4, 5, 3)
    directions = rng.normal(size=(4, 5, 3))
    directions /= np.linalg.norm(directions, axis=-1, keepdims=True)
    rays = sample_rays(voxels, affine, starts, directions, step_mm=0.3, n_samples=20)
    steps = 0.3 * np.arange(20)[:, None]
    points = sample_points(voxels, affine, starts[..., None, :] + steps * directions[..., None, :])
    assert rays.shape == points.shape == (4, 5, 20)
    assert 0 < np.isnan(points).sum() < points.size
    # Indices are stepped instead of transformed: rounding times contrasts of 3000 HU a voxel.
    assert rays == pytest.approx(points, abs=1e-2, nan_ok=True)
