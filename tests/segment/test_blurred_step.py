"""Blurred steps by vectors against scipy's distribution function."""

import numpy as np
import pytest
from scipy.stats import norm

from canalmorph.segment.blurred_step import FAR_BLURS, set_edge, set_steps

N = 401


def test_steps_and_slopes_are_the_normal_distributions() -> None:
    at = np.linspace(-12.0, 12.0, N)
    steps, slopes = np.empty((2, N))
    set_steps(at[0], at[1] - at[0], N, steps, slopes)
    # The coefficients are good to 1e-12, and beyond 7 blurs both are 1e-11 and less.
    np.testing.assert_allclose(steps, norm.cdf(at), rtol=0, atol=3e-12)
    np.testing.assert_allclose(slopes, norm.pdf(at), rtol=0, atol=2e-11)


@pytest.mark.parametrize("place", [-40.0, 0.0, 40.0])
def test_an_edge_of_an_enhancing_kernel_is_the_difference_of_two(place: float) -> None:
    """A place beyond all samples takes the short way, and is as exact."""
    enhancement, width = 0.4, 2.5
    at = np.linspace(-8.0, 8.0, N) - place
    edge = np.empty((5, N))
    set_edge(at[0], at[1] - at[0], N, (enhancement, width), edge)
    wide, wide_slope = norm.cdf(at / width), norm.pdf(at / width) / width
    step, slope = norm.cdf(at), norm.pdf(at)
    # Where the short way is taken, a step of FAR_BLURS is all that is left out.
    left_out = norm.cdf(-FAR_BLURS) + 1e-11
    expected = (
        step + enhancement * (step - wide),
        slope + enhancement * (slope - wide_slope),
        step - wide,
    )
    np.testing.assert_allclose(edge[:3], expected, rtol=0, atol=2 * left_out)
