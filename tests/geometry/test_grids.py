"""Grids in every orientation hold the same patient; means of blocks stay where they belong."""

from itertools import permutations, product

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canalmorph.geometry.grids import average_blocks, crop_grid, turn_towards_patient

AXIS_CODES = [
    (order, flips) for order in permutations(range(3)) for flips in product((False, True), repeat=3)
]


def make_grid(angle_deg: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Return a small grid of distinct values, k up, j back and i left but for a turn."""
    voxels = np.arange(4 * 5 * 6, dtype=np.int16).reshape(4, 5, 6)
    turn = Rotation.from_rotvec(np.radians(angle_deg) * np.array([0.36, 0.48, 0.8])).as_matrix()
    affine = np.eye(4)
    affine[:3, :3] = turn @ np.array([[0, 0, 0.7], [0, 0.9, 0], [1.5, 0, 0]])
    affine[:3, 3] = (-81.0, 14.0, 33.0)
    return voxels, affine


def turn_axes(
    voxels: np.ndarray, affine: np.ndarray, order: tuple[int, ...], flips: tuple[bool, ...]
) -> tuple[np.ndarray, np.ndarray]:
    """Return the same values at the same places with the axes in another order and direction."""
    out, turned = np.transpose(voxels, order), affine[:, [*order, 3]].copy()
    for axis, flip in enumerate(flips):
        if flip:
            out = np.flip(out, axis)
            turned[:3, 3] += turned[:3, axis] * (out.shape[axis] - 1)
            turned[:3, axis] *= -1
    return np.ascontiguousarray(out), turned


@pytest.mark.parametrize("angle_deg", [0.0, 25.0, -40.0])
def test_all_48_axis_codes_turn_to_the_same_grid(angle_deg: float) -> None:
    voxels, affine = make_grid(angle_deg)
    assert len(AXIS_CODES) == 48
    for order, flips in AXIS_CODES:
        turned, turned_affine = turn_towards_patient(*turn_axes(voxels, affine, order, flips))
        assert np.array_equal(turned, voxels), (order, flips)
        assert turned_affine == pytest.approx(affine, abs=1e-12), (order, flips)


def test_every_voxel_keeps_its_place_however_oblique() -> None:
    for angle_deg in (61.0, 90.0, 130.0, 200.0):
        voxels, affine = make_grid(angle_deg)
        turned, turned_affine = turn_towards_patient(voxels, affine)

        def places(values: np.ndarray, grid: np.ndarray) -> dict[int, np.ndarray]:
            index = np.argwhere(np.ones(values.shape))
            points = (np.c_[index, np.ones(len(index))] @ grid.T)[:, :3]
            return {int(values[tuple(at)]): point for at, point in zip(index, points, strict=True)}

        before, after = places(voxels, affine), places(turned, turned_affine)
        assert before.keys() == after.keys()
        for value, point in before.items():
            assert after[value] == pytest.approx(point, abs=1e-9)
        # Up is up, back is back, left is left, to the angle of the grid's nearest axes.
        assert all(turned_affine[2 - n, n] > 0 for n in range(3))


def test_a_crop_is_the_smallest_part_that_holds_the_points() -> None:
    voxels, affine = make_grid(25.0)
    index = np.array([[1.2, 1.0, 2.1], [2.0, 2.6, 3.9]])
    points = (np.c_[index, np.ones(2)] @ affine.T)[:, :3]
    part, part_affine = crop_grid(voxels, affine, points)
    # Floor and ceiling of the indices; those that are whole numbers may round either way.
    assert part.shape[0] in (2, 3)
    first = np.rint(np.linalg.inv(affine) @ part_affine[:, 3]).astype(int)[:3]
    assert (first <= index.min(0) + 1e-9).all()
    assert (first + part.shape - 1 >= index.max(0) - 1e-9).all()
    ends = first + part.shape
    assert np.array_equal(part, voxels[first[0] : ends[0], first[1] : ends[1], first[2] : ends[2]])
    assert part_affine[:3, :3] == pytest.approx(affine[:3, :3])
    assert part.flags.c_contiguous


def test_a_crop_beyond_the_grid_is_cut_to_it() -> None:
    voxels, affine = make_grid()
    part, part_affine = crop_grid(voxels, affine, np.array([[-1e3, -1e3, -1e3], [1e3, 1e3, 1e3]]))
    assert np.array_equal(part, voxels)
    assert part_affine == pytest.approx(affine)


@pytest.mark.parametrize("block_mm", [1.5, 2.0, 3.1])
def test_block_means_of_a_linear_field_are_the_field_at_the_blocks_centre(block_mm: float) -> None:
    _, affine = make_grid(25.0)
    k, j, i = np.indices((9, 11, 13))
    voxels = (7 * k - 5 * j + 3 * i).astype(np.int16)
    blocks, block_affine = average_blocks(voxels, affine, block_mm=block_mm)
    factors = np.maximum(1, np.round(block_mm / np.array([1.5, 0.9, 0.7]))).astype(int)
    assert blocks.shape == tuple(np.array(voxels.shape) // factors)
    index = np.argwhere(np.ones(blocks.shape))
    places = np.c_[index, np.ones(len(index))] @ block_affine.T
    at = (places @ np.linalg.inv(affine).T)[:, :3]
    # Exact but for single precision of values up to 200.
    assert blocks.ravel() == pytest.approx(at @ np.array([7.0, -5.0, 3.0]), abs=1e-4)


def test_blocks_no_larger_than_the_grid() -> None:
    voxels, affine = make_grid()
    blocks, block_affine = average_blocks(voxels, affine, block_mm=50.0)
    assert blocks.shape == (1, 1, 1)
    assert blocks[0, 0, 0] == pytest.approx(voxels.mean())
    middle = affine @ np.array([1.5, 2.0, 2.5, 1.0])
    assert block_affine[:3, 3] == pytest.approx(middle[:3])
