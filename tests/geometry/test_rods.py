"""The widest rod against closed forms and against trying lines."""

import numpy as np
import pytest

from canalmorph.geometry.rods import find_axis_ranges, find_widest_rod
from canalmorph_phantoms.rods import search_rod

ANGLES = np.radians(np.arange(0.0, 360.0, 2.0))
CIRCLE = np.stack([np.cos(ANGLES), np.sin(ANGLES)], axis=-1)
LEVELS = np.arange(0.0, -151.0, -1.0)


def make_tube(radii: np.ndarray, centres: np.ndarray) -> np.ndarray:
    return radii[:, None, None] * CIRCLE + centres[:, None]


def bow(radius_mm: float) -> np.ndarray:
    """Return centres on a parabola, forward (negative) in the middle, level at both ends."""
    posterior = ((LEVELS + 75.0) ** 2 - 75.0**2) / (2 * radius_mm)
    return np.stack([0 * LEVELS, posterior], axis=-1)


@pytest.mark.parametrize("radius_mm", [700.0, 900.0, 1200.0])
def test_a_bowed_tube_takes_half_its_sagitta(radius_mm: float) -> None:
    # Ends and middle of a tube of 7 mm that bends by the sagitta s = L^2 / 8R (references 2.20)
    # touch a rod whose axis halves it: its radius is 7 - s / 2. The axis may lie between two
    # points 2 degrees apart, which gives it 7 (1 - cos 1 deg) / 2 = 0.0005 mm at most.
    rod = find_widest_rod(make_tube(np.full(151, 7.0), bow(radius_mm)), LEVELS)
    sagitta = 150.0**2 / (8 * radius_mm)
    assert rod.radius_mm == pytest.approx(7.0 - sagitta / 2, abs=5e-4)
    assert rod.ends_mm[:, 1] == pytest.approx([-sagitta / 2, -sagitta / 2], abs=1e-3)
    assert rod.weights.sum() == pytest.approx(1.0)
    at = LEVELS[rod.contacts // len(ANGLES)]
    assert set(np.round(at / 75.0)) == {0.0, -1.0, -2.0}


def test_an_oblique_cylinder_is_its_own_rod() -> None:
    # Sections of an oblique round cylinder are ellipses longer by 1 / cos of the tilt.
    tilt = np.radians(8.0)
    sections = np.broadcast_to(6.0 * CIRCLE * [1 / np.cos(tilt), 1.0], (151, 180, 2)).copy()
    sections[..., 0] += (LEVELS * np.tan(tilt))[:, None]
    rod = find_widest_rod(sections, LEVELS)
    # Points 2 degrees apart see the circle up to 6 (1 - cos 1 deg) = 0.001 mm wrong.
    assert rod.radius_mm == pytest.approx(6.0, abs=1e-3)
    assert np.degrees(np.arctan(rod.slopes)) == pytest.approx([8.0, 0.0], abs=0.02)


def test_a_funnel_holds_its_narrowest_circle_at_many_tilts() -> None:
    radii = 5.0 + 0.1 * (LEVELS + 150.0)
    sections = make_tube(radii, np.zeros((151, 2)))
    rod = find_widest_rod(sections, LEVELS)
    assert rod.radius_mm == pytest.approx(5.0, abs=0.005)
    ends, slopes = find_axis_ranges(sections, LEVELS, rod, 0.02)
    # The range is symmetric: its middle is upright, whichever axis was found.
    assert ends.mean(axis=0) == pytest.approx([0.0, 0.0], abs=0.05)
    assert slopes.mean(axis=0) == pytest.approx([0.0, 0.0], abs=1e-3)
    assert np.ptp(slopes, axis=0).min() > 0.1


@pytest.mark.parametrize(
    "seed", [0, *(pytest.param(seed, marks=pytest.mark.slow) for seed in (1, 2, 3))]
)
def test_no_line_that_is_tried_holds_a_wider_rod(seed: int) -> None:
    generator = np.random.default_rng(seed)
    waves = generator.normal(0.0, 0.35, (4, 1)) * np.cos(
        np.array([[2], [3], [4], [5]]) * ANGLES + generator.uniform(0, 6, (4, 1))
    )
    radii = 6.0 + 0.04 * np.abs(LEVELS + generator.uniform(60, 110))
    outline = (1 + waves.sum(axis=0) / 6.0)[:, None] * CIRCLE
    sections = radii[:, None, None] * outline + bow(generator.uniform(700, 1200))[:, None]
    points = np.concatenate(
        [sections, np.broadcast_to(LEVELS[:, None, None], (*sections.shape[:2], 1))], axis=-1
    ).reshape(-1, 3)
    tried = search_rod(points, sections[0].mean(axis=0), sections[-1].mean(axis=0))
    rod = find_widest_rod(sections, LEVELS)
    # Both look at the same points; trying stops at moves of 0.002 mm.
    assert 2 * rod.radius_mm == pytest.approx(tried.diameter_mm, abs=0.01)
    assert rod.radius_mm <= rod.bound_mm + 0.01


def test_a_mirrored_tube_has_the_mirrored_rod() -> None:
    generator = np.random.default_rng(5)
    radii = 6.0 + 0.05 * np.abs(LEVELS + 90.0)
    # Waves of 0.1 mm, no two sections alike: smooth, as measured surfaces are. On a surface that is
    # rough from point to point rods catch in different pits, 1e-5 mm apart in radius.
    phase = generator.uniform(0.0, 6.0, 3)
    waves = sum(
        0.03 * np.cos(order * ANGLES + LEVELS[:, None] / (9.0 * order) + phase[order - 2])
        for order in (2, 3, 4)
    )
    sections = make_tube(radii, bow(800.0)) + waves[..., None] * CIRCLE
    one = find_widest_rod(sections, LEVELS)
    other = find_widest_rod(sections * [-1.0, 1.0], LEVELS)
    assert other.radius_mm == pytest.approx(one.radius_mm, abs=1e-8)
    # The radius is flat along the axis' least held direction: 1e-9 mm of it leaves 1e-3 mm there.
    assert other.ends_mm * [-1.0, 1.0] == pytest.approx(one.ends_mm, abs=2e-3)


def test_unknown_points_are_a_wrong_call() -> None:
    sections = make_tube(np.full(151, 7.0), bow(900.0))
    sections[3, 4] = np.nan
    with pytest.raises(ValueError, match="known everywhere"):
        find_widest_rod(sections, LEVELS)
    with pytest.raises(ValueError, match="two sections"):
        find_widest_rod(sections[:1], LEVELS[:1])
