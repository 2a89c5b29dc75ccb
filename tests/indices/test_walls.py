"""The two walls of a lateral view, and their ratio, in closed form."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.indices.compute import compute_indices
from canalmorph.model.results import CanalProfile, Measurement

RATIO = "wall_ratio_posterior_over_anterior_lt_minus100"
WALL_U_MM, LEVEL_U_MM = 0.05, 0.5


def _measure(
    profile: CanalProfile, anterior_mm: np.ndarray, posterior_mm: np.ndarray
) -> dict[str, Measurement]:
    walls = {"cortex_anterior_mm": anterior_mm, "cortex_posterior_mm": posterior_mm}
    us = {name: np.full(len(wall), WALL_U_MM) for name, wall in walls.items()}
    profile = replace(
        profile,
        columns={**profile.columns, **walls},
        uncertainties={**profile.uncertainties, **us},
    )
    return dict(compute_indices(profile).values)


@pytest.fixture
def profile(make_profile: Callable[..., CanalProfile]) -> CanalProfile:
    return make_profile(
        canal_ml=lambda level: 12.0 + 0.002 * (level + 110.0) ** 2,
        outer_ml=lambda level: 30.0 + 0.0 * level,
        level_u_mm=LEVEL_U_MM,
    )


def test_walls_and_their_ratio(profile: CanalProfile) -> None:
    away = profile.levels_mm + 100.0
    values = _measure(profile, 4.0 + 0.01 * away, 6.0 - 0.02 * away)
    anterior, posterior = (
        values[f"cortex_{wall}_lt_minus100_mm"] for wall in ("anterior", "posterior")
    )
    assert anterior.value == pytest.approx(4.0)
    assert posterior.value == pytest.approx(6.0)
    assert anterior.u == pytest.approx(np.hypot(WALL_U_MM, 0.01 * LEVEL_U_MM))
    assert posterior.u == pytest.approx(np.hypot(WALL_U_MM, 0.02 * LEVEL_U_MM))
    assert values[RATIO].value == pytest.approx(1.5)
    # Both walls thin or thicken with the level together: -0.02 / 6 - 0.01 / 4 a millimetre.
    edges = 1.5 * WALL_U_MM * np.hypot(1 / 4.0, 1 / 6.0)
    level = 1.5 * (0.02 / 6.0 + 0.01 / 4.0) * LEVEL_U_MM
    assert values[RATIO].u == pytest.approx(np.hypot(edges, level))


def test_a_level_error_that_moves_both_walls_alike_leaves_their_ratio(
    profile: CanalProfile,
) -> None:
    growth = 1 + 0.01 * (profile.levels_mm + 100.0)
    values = _measure(profile, 4.0 * growth, 6.0 * growth)
    edges = 1.5 * WALL_U_MM * np.hypot(1 / 4.0, 1 / 6.0)
    assert values[RATIO].u == pytest.approx(edges)


def test_a_wall_that_is_not_known_blanks_both(profile: CanalProfile) -> None:
    walls = np.full(len(profile.levels_mm), 5.0)
    gap = np.where(np.abs(profile.levels_mm + 100.0) < 3.0, np.nan, walls)
    values = _measure(profile, gap, walls)
    assert not values["cortex_anterior_lt_minus100_mm"].known
    assert values["cortex_posterior_lt_minus100_mm"].known
    assert not values[RATIO].known
