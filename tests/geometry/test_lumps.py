"""Lumps of high values and distances from them, against what was put into the grid."""

import numpy as np
import pytest

from canalmorph.geometry.lumps import CELL_MM, find_lumps, measure_distance_mm

#: Slices of 2 mm, pixels of 0.8 mm, k up, j to the back, i to the left.
AFFINE = np.array(
    [[0.0, 0.0, 0.8, -20.0], [0.0, 0.8, 0.0, -30.0], [2.0, 0.0, 0.0, 5.0], [0.0, 0.0, 0.0, 1.0]]
)
VOXEL_MM3 = 2.0 * 0.8 * 0.8


def make_points(index: np.ndarray) -> np.ndarray:
    return (np.c_[index, np.ones(len(index))] @ AFFINE.T)[:, :3]


@pytest.fixture
def voxels() -> np.ndarray:
    return np.zeros((30, 60, 60), np.int16)


def test_every_part_of_a_lump_is_near_a_point_of_it(voxels: np.ndarray) -> None:
    voxels[4:25, 20:24, 30] = 3071
    points = find_lumps(voxels, AFFINE, above=2900, least_mm3=10.0)
    metal = make_points(np.argwhere(voxels > 0))
    # A cell's edge is CELL_MM, or the voxel's where that is larger: no part is a diagonal away.
    assert measure_distance_mm(metal, points).max() < np.sqrt(3.0) * CELL_MM
    assert measure_distance_mm(points, metal).max() < np.sqrt(3.0) * CELL_MM


def test_grains_are_noise_and_a_lump_counts_whole(voxels: np.ndarray) -> None:
    voxels[::10, ::10, ::10] = 3071
    assert find_lumps(voxels, AFFINE, above=2900, least_mm3=10.0).size == 0
    # Eight voxels that touch at corners only are one lump of 10.24 mm3.
    voxels[:] = 0
    steps = np.arange(8)
    voxels[5 + steps, 31 + steps, 33 + steps] = 3071
    assert find_lumps(voxels, AFFINE, above=2900, least_mm3=8 * VOXEL_MM3 - 0.1).size > 0
    assert find_lumps(voxels, AFFINE, above=2900, least_mm3=8 * VOXEL_MM3 + 0.1).size == 0


def test_values_at_the_bound_do_not_count(voxels: np.ndarray) -> None:
    voxels[5:15, 5:15, 5:15] = 2900
    assert find_lumps(voxels, AFFINE, above=2900, least_mm3=1.0).shape == (0, 3)


def test_distances_keep_the_shape_and_pass_over_what_is_unknown() -> None:
    points = np.zeros((2, 3, 3))
    points[1, 2] = np.nan
    points[0, 1] = [0.0, 0.0, 7.0]
    distance = measure_distance_mm(points, np.array([[0.0, 0.0, 10.0], [100.0, 0.0, 0.0]]))
    assert distance.tolist() == [[10.0, 3.0, 10.0], [10.0, 10.0, np.inf]]
