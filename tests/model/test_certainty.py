"""Chances and decimals in closed form."""

from math import erf, sqrt

import numpy as np
import pytest

from canalmorph.model.certainty import count_decimals, get_chance_below
from canalmorph.model.results import Measurement


@pytest.mark.parametrize("distance", [-3.0, -1.0, -0.2, 0.0, 0.5, 2.0])
def test_chance_is_the_normal_distribution(distance: float) -> None:
    chance = get_chance_below(Measurement(value=4.0 - distance * 0.3, u=0.3), 4.0)
    assert chance == pytest.approx(0.5 * (1 + erf(distance / sqrt(2))))
    other = get_chance_below(Measurement(value=4.0 + distance * 0.3, u=0.3), 4.0)
    assert chance + other == pytest.approx(1.0)


def test_certainty_is_a_step() -> None:
    chances = [get_chance_below(Measurement(value=v, u=0.0), 3.0) for v in (2.999, 3.0, 3.001)]
    assert chances == [1.0, 0.5, 0.0]


@pytest.mark.parametrize(
    "measurement",
    [
        Measurement(),
        Measurement(value=3.0),
        Measurement(value=float("nan"), u=0.1),
        Measurement(value=float("inf"), u=0.1),
        Measurement(value=3.0, u=-0.1),
        Measurement(value=3.0, u=float("nan")),
    ],
)
def test_what_is_unknown_has_no_chance(measurement: Measurement) -> None:
    with pytest.raises(ValueError, match="measurement"):
        get_chance_below(measurement, 3.0)


def test_written_digits_are_worth_writing() -> None:
    """Rounding costs at most a sixth of the uncertainty, and no digit below a sixtieth is shown."""
    for u in np.geomspace(0.0011, 40.0, 200):
        decimals = count_decimals(float(u), most=4)
        rounding = 10.0**-decimals / 2
        assert rounding <= u / 6
        assert rounding >= u / 60 or decimals == 0


def test_known_is_having_a_value() -> None:
    assert not Measurement().known
    assert Measurement(value=0.0, u=0.0).known
