"""Tubes of rings cut by planes: exact where the tube is straight, unknown where it is unknown."""

import numpy as np
import pytest

from canalmorph.geometry.tubes import cut_tube


def make_cone(heights: np.ndarray, *, slope: float = 0.1, lean: float = 0.0) -> np.ndarray:
    """Return rings of a cone of radius 10 + slope * height whose axis leans in x, (n, m, 3)."""
    angles = 2 * np.pi * np.arange(60) / 60
    radius = 10.0 + slope * heights[:, None]
    return np.stack(
        [
            radius * np.cos(angles) + lean * heights[:, None],
            radius * np.sin(angles),
            np.broadcast_to(heights[:, None], (len(heights), 60)),
        ],
        axis=-1,
    )


@pytest.mark.parametrize("lean", [0.0, 0.3])
def test_a_cone_is_cut_exactly(lean: float) -> None:
    rings = make_cone(np.linspace(-30, 30, 13), lean=lean)
    levels = np.array([17.3, 0.0, -5.0, -29.99])
    cut = cut_tube(rings, levels)
    centres = np.stack([lean * levels, 0 * levels], axis=1)
    radii = np.linalg.norm(cut[..., :2] - centres[:, None], axis=-1)
    # Generators of a cone are straight lines: only rounding is left.
    assert radii == pytest.approx(np.repeat(10.0 + 0.1 * levels, 60).reshape(4, 60), abs=1e-12)
    assert cut[..., 2] == pytest.approx(np.repeat(levels, 60).reshape(4, 60))


def test_values_ride_along() -> None:
    heights = np.linspace(0, 10, 6)
    rings = make_cone(heights)
    values = 5.0 - 0.25 * np.broadcast_to(heights[:, None], rings.shape[:2])
    cut = cut_tube(rings, np.array([3.1]), values, 2 * values)
    assert cut.shape == (1, 60, 5)
    assert cut[0, :, 3] == pytest.approx(5.0 - 0.25 * 3.1)
    assert cut[0, :, 4] == pytest.approx(2 * (5.0 - 0.25 * 3.1))


def test_what_is_unknown_stays_unknown() -> None:
    rings = make_cone(np.linspace(0, 10, 11))
    rings[4, 7] = np.nan
    cut = cut_tube(rings, np.array([-0.1, 2.5, 3.5, 4.5, 10.1]))
    known = np.isfinite(cut).all(axis=-1)
    assert not known[0].any()
    assert not known[4].any()
    assert known[1].all()
    for row in (2, 3):  # both neighbours of a point are needed, its own ray alone is lost
        assert not known[row, 7]
        assert known[row].sum() == 59


def test_a_bulge_between_rings_is_missed_by_its_sagitta() -> None:
    """Straight lines between rings 1 mm apart on a wall of 13 mm radius: 1/8R = 0.0096 mm."""
    heights = np.arange(-6.0, 7.0)
    angles = 2 * np.pi * np.arange(60) / 60
    radius = np.sqrt(13.0**2 - heights**2)[:, None]
    rings = np.stack(
        [
            radius * np.cos(angles),
            radius * np.sin(angles),
            np.broadcast_to(heights[:, None], (13, 60)),
        ],
        axis=-1,
    )
    radii = np.linalg.norm(cut_tube(rings, np.array([0.5]))[0, :, :2], axis=-1)
    assert 0 < np.sqrt(13.0**2 - 0.25) - radii.max() < 0.01


def test_oblique_rings_are_cut_by_height() -> None:
    """Rings across a rough axis that leans are cut in the frame: an ellipse of 1/cos."""
    tilt = np.radians(15.0)
    rings = make_cone(np.linspace(-20, 20, 41), slope=0.0)
    turn = np.array([[np.cos(tilt), 0, np.sin(tilt)], [0, 1, 0], [-np.sin(tilt), 0, np.cos(tilt)]])
    cut = cut_tube(rings @ turn.T, np.array([0.0]))[0]
    assert np.ptp(cut[:, 0]) == pytest.approx(20.0 / np.cos(tilt), abs=1e-9)
    assert np.ptp(cut[:, 1]) == pytest.approx(20.0, abs=1e-9)
