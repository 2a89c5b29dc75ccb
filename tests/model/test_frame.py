"""Sides and the femur's frame: there and back, and what a mirror does."""

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canalmorph.model.femur import FemurFrame, Plane, Side


def make_frame(side: Side, turn: np.ndarray) -> FemurFrame:
    axes = turn @ np.diag([float(side.medial_x_sign), 1.0, 1.0])
    return FemurFrame(
        origin_lps_mm=np.array([-104.0 * side.medial_x_sign, 17.0, 311.0]),
        medial=axes[:, 0],
        posterior=axes[:, 1],
        proximal=axes[:, 2],
        plane=Plane.NECK,
    )


@pytest.fixture
def turn() -> np.ndarray:
    return np.asarray(Rotation.from_euler("xyz", [7.0, -9.0, 15.0], degrees=True).as_matrix())


@pytest.mark.parametrize("side", list(Side))
def test_there_and_back(side: Side, turn: np.ndarray) -> None:
    frame = make_frame(side, turn)
    points = np.random.default_rng(1).normal(0, 80, (6, 5, 3))
    there = frame.lps_to_frame_mm(points)
    assert there.shape == points.shape
    assert frame.frame_to_lps_mm(there) == pytest.approx(points, abs=1e-9)
    assert frame.lps_to_frame_mm(frame.frame_to_lps_mm(points)) == pytest.approx(points, abs=1e-9)


@pytest.mark.parametrize("side", list(Side))
def test_axes_and_origin(side: Side, turn: np.ndarray) -> None:
    frame = make_frame(side, turn)
    assert frame.lps_to_frame_mm(frame.origin_lps_mm) == pytest.approx(np.zeros(3))
    for axis, direction in enumerate((frame.medial, frame.posterior, frame.proximal)):
        expected = 12.0 * np.eye(3)[axis]
        found = frame.lps_to_frame_mm(frame.origin_lps_mm + 12.0 * direction)
        assert found == pytest.approx(expected, abs=1e-9)


def test_distances_and_levels_are_kept(turn: np.ndarray) -> None:
    frame = make_frame(Side.LEFT, turn)
    a, b = np.array([[10.0, 3.0, -4.0], [-30.0, 8.0, 55.0]])
    across = frame.lps_to_frame_mm(b) - frame.lps_to_frame_mm(a)
    assert np.linalg.norm(across) == pytest.approx(np.linalg.norm(b - a))


def test_mirror_images_have_the_same_coordinates() -> None:
    flip = np.diag([-1.0, 1.0, 1.0])
    turn = Rotation.from_euler("xyz", [7.0, -9.0, 15.0], degrees=True).as_matrix()
    right = make_frame(Side.RIGHT, turn)
    left = make_frame(Side.LEFT, flip @ turn @ flip)
    points = np.random.default_rng(2).normal(0, 80, (20, 3))
    assert left.lps_to_frame_mm(points @ flip) == pytest.approx(right.lps_to_frame_mm(points))


def test_medial_is_towards_the_midline() -> None:
    # +x is the patient's left: from the left thigh the midline lies at smaller x.
    assert Side.LEFT.medial_x_sign == -1
    assert Side.RIGHT.medial_x_sign == 1
    assert [str(side) for side in Side] == ["left", "right"]
