"""The isthmus of profiles whose narrowest place is known."""

import numpy as np
import pytest

from canalmorph.indices.isthmus import find_narrowest

LEVELS = np.arange(40.0, -181.0, -1.0)


def find(widths: np.ndarray, u_mm: float = 0.05, levels: np.ndarray = LEVELS):
    return find_narrowest(levels, widths, np.full(len(levels), u_mm))


@pytest.mark.parametrize("level_mm", [-60.0, -112.4, -113.0, -150.77])
@pytest.mark.parametrize("bend", [1e-3, 5e-3, 0.05])
def test_vertex_of_a_parabola_is_exact(level_mm: float, bend: float) -> None:
    found = find(11.3 + bend * (LEVELS - level_mm) ** 2)
    assert found is not None
    # The vertex is placed between steps of 0.25 mm by a parabola through their misfits.
    assert found.level_mm == pytest.approx(level_mm, abs=0.03)
    assert found.width_mm == pytest.approx(11.3, abs=1e-4)
    assert found.width_u_mm == pytest.approx(0.05)


def test_a_parabola_takes_the_edge_off_the_noise() -> None:
    """The smallest of many noisy widths is too small: by the noise, not by its extreme."""
    rng = np.random.default_rng(2)
    smallest, fitted = [], []
    for _ in range(200):
        widths = 11.3 + 2e-4 * (LEVELS + 113.0) ** 2 + rng.normal(0, 0.05, len(LEVELS))
        below = LEVELS < -40.0
        smallest.append(widths[below].min() - 11.3)
        fitted.append(find(widths).width_mm - 11.3)
    assert np.mean(smallest) < -0.08
    assert abs(np.mean(fitted)) < abs(np.mean(smallest)) / 2


def make_noise(rng: np.random.Generator, sd_mm: float) -> np.ndarray:
    """Return noise of which three neighbouring sections share a part, as those of a scan do."""
    white = rng.normal(0, sd_mm, len(LEVELS) + 2)
    return (white[:-2] + white[1:-1] + white[2:]) / np.sqrt(3.0)


@pytest.mark.parametrize("bend", [5e-3, 5e-4, 1e-4])
def test_the_level_is_as_uncertain_as_stated(bend: float) -> None:
    """The stated part that noise causes is the spread of levels found; a flat one is uncertain."""
    rng = np.random.default_rng(3)
    levels, stated = [], []
    for _ in range(60):
        found = find(11.3 + bend * (LEVELS + 113.0) ** 2 + make_noise(rng, 0.02))
        levels.append(found.level_mm)
        stated.append(np.sqrt(found.level_u_mm**2 - 1.0))
    # 60 draws give a spread to 9 %; sections share more or less than three's worth of noise.
    assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(np.std(levels), rel=0.35)
    assert abs(np.mean(levels) + 113.0) < 4 * np.std(levels) / np.sqrt(60)


@pytest.mark.parametrize("faster", [0.3, 1.0, 3.0])
def test_a_shaft_that_widens_faster_above_keeps_its_isthmus(faster: float) -> None:
    """One parabola over the same reach would put the isthmus 3 mm away."""
    away = LEVELS + 113.0
    widths = 11.3 + 4e-4 * away**2 * np.where(away > 0, faster, 1.0)
    assert find(widths).level_mm == pytest.approx(-113.0, abs=0.03)


@pytest.mark.parametrize(
    "widths",
    [20.0 + 0.08 * LEVELS, 20.0 - 0.05 * LEVELS, 12.0 + 1e-3 * (LEVELS + 185.0) ** 2],
    ids=["narrowing to the end", "widening downwards", "vertex below the end"],
)
def test_nothing_narrower_than_the_sections_is_made_up(widths: np.ndarray) -> None:
    """A vertex outside the profile would be an extrapolation."""
    found = find(widths)
    usable = LEVELS < -40.0
    assert LEVELS.min() <= found.level_mm < -40.0
    assert found.width_mm == pytest.approx(widths[usable].min(), abs=1e-9)


def test_only_levels_of_the_shaft_count() -> None:
    widths = 12.0 + 1e-3 * (LEVELS + 113.0) ** 2
    widths[LEVELS > -30.0] = 5.0  # narrower, but at the trochanter
    assert find(widths).level_mm == pytest.approx(-113.0)
    deep = np.arange(40.0, -261.0, -1.0)
    widths = 12.0 + 1e-3 * (deep + 113.0) ** 2
    widths[deep < -195.0] = 5.0
    assert find(widths, levels=deep).level_mm == pytest.approx(-113.0)


def test_gaps_are_passed_over() -> None:
    widths = 12.0 + 1e-3 * (LEVELS + 113.0) ** 2
    widths[(LEVELS < -105.0) & (LEVELS > -112.0)] = np.nan
    found = find(widths)
    assert found.level_mm == pytest.approx(-113.0, abs=0.03)
    assert found.width_mm == pytest.approx(12.0, abs=1e-4)


@pytest.mark.parametrize(("low_mm", "high_mm"), [(-121.0, -108.0), (-116.0, -112.5)])
def test_an_isthmus_within_a_gap_is_not_read_off_its_rim(low_mm: float, high_mm: float) -> None:
    widths = 12.0 + 1e-3 * (LEVELS + 113.0) ** 2
    widths[(low_mm < LEVELS) & (high_mm > LEVELS)] = np.nan
    found = find(widths)
    if high_mm - low_mm > 4.0:
        assert found is None
    else:  # a gap of 4 mm hides 2 mm to each side: less than the widths' own noise
        assert found.width_mm == pytest.approx(12.0, abs=1e-9)


def test_too_few_sections_are_no_isthmus() -> None:
    widths = np.full(len(LEVELS), np.nan)
    assert find(widths) is None
    widths[(LEVELS < -60.0) & (LEVELS > -65.0)] = 12.0  # four
    assert find(widths) is None
    widths[LEVELS == -65.0] = 12.0
    assert find(widths) is not None
    assert find(np.where(LEVELS > -40.5, 12.0, np.nan)) is None
