"""Canal fill and canal volume against closed forms."""

from collections.abc import Callable

import numpy as np
import pytest

from canalmorph.indices.fill import compute_canal_fill
from canalmorph.model.results import CanalProfile

Make = Callable[..., CanalProfile]


@pytest.fixture
def cone(make_profile: Make) -> CanalProfile:
    """A canal of 12 mm at LT-100 that widens by 0.1 mm a millimetre, AP 1.25 times ML."""
    return make_profile(
        canal_ml=lambda level: 12.0 + 0.1 * (level + 100.0),
        canal_ap=lambda level: 15.0 + 0.125 * (level + 100.0),
        outer_ml=lambda level: 30.0 + 0 * level,
        step_mm=2.0,
    )


@pytest.mark.parametrize("level_mm", [-100.0, -61.0, -33.7])
def test_fill_is_a_share_of_the_canal(cone: CanalProfile, level_mm: float) -> None:
    ml = 12.0 + 0.1 * (level_mm + 100.0)
    fill = compute_canal_fill(cone, diameter_mm=10.0, level_mm=level_mm)
    assert fill.ml.value == pytest.approx(10.0 / ml)
    assert fill.ap.value == pytest.approx(10.0 / (1.25 * ml))
    # The area is a parabola in the level: between sections 2 mm apart 0.1^2 * pi / 4 * 1.25 high.
    assert fill.area.value == pytest.approx(100.0 / (1.25 * ml**2), rel=1e-4)
    assert fill.room.value == pytest.approx(ml - 10.0)


def test_fill_carries_the_uncertainty_of_edges_and_level(cone: CanalProfile) -> None:
    fill = compute_canal_fill(cone, diameter_mm=10.0, level_mm=-100.0)
    u_width = np.hypot(0.06, 0.1 * 0.5)
    assert fill.room.u == pytest.approx(u_width)
    assert fill.ml.u == pytest.approx(10.0 / 12.0**2 * u_width)


def test_a_body_wider_than_the_canal_has_negative_room(cone: CanalProfile) -> None:
    assert compute_canal_fill(cone, diameter_mm=13.0, level_mm=-100.0).room.value == pytest.approx(
        -1.0
    )


def test_fill_is_unknown_out_of_view(cone: CanalProfile) -> None:
    fill = compute_canal_fill(cone, diameter_mm=10.0, level_mm=-230.0)
    assert not any(one.known for one in (fill.ml, fill.ap, fill.area, fill.room))


@pytest.mark.parametrize("diameter_mm", [0.0, -3.0, np.nan])
def test_a_diameter_must_be_positive(cone: CanalProfile, diameter_mm: float) -> None:
    with pytest.raises(ValueError, match="diameter_mm"):
        compute_canal_fill(cone, diameter_mm=diameter_mm, level_mm=-100.0)
