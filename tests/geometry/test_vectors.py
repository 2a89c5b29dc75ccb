"""Kernels for loops by vectors, against the general libraries that do the same more slowly."""

import numpy as np
import pytest

from canalmorph.geometry.vectors import find_median, pad, solve_positive, sum_products


@pytest.mark.parametrize("count", [1, 2, 3, 8, 15, 62, 63])
@pytest.mark.parametrize("kind", ["apart", "ties", "equal", "wide"])
def test_the_median_is_numpys(count: int, kind: str) -> None:
    random = np.random.default_rng(count)
    values = {
        "apart": random.normal(size=70),
        "ties": random.integers(0, 4, 70).astype(np.float64),
        "equal": np.full(70, 3.0),
        "wide": 10.0 ** random.uniform(-12.0, 12.0, 70),
    }[kind]
    # Exactly: the median is one of the values, or the middle of two.
    assert find_median(values, count) == np.median(values[:count])


def test_a_positive_system_is_solved_as_numpy_solves_it() -> None:
    random = np.random.default_rng(2)
    root = random.normal(size=(6, 6))
    whole = root @ root.T + np.eye(6)
    right, solution = random.normal(size=6), np.empty(6)
    lower = np.tril(whole)  # what lies above is not looked at
    solve_positive(lower, 0.0, right, np.empty((6, 6)), solution)
    np.testing.assert_allclose(solution, np.linalg.solve(whole, right), rtol=1e-10)
    solve_positive(lower, 0.5, right, np.empty((6, 6)), solution)
    damped = whole + 0.5 * np.diag(np.diag(whole))
    np.testing.assert_allclose(solution, np.linalg.solve(damped, right), rtol=1e-10)


def test_a_singular_system_moves_nothing() -> None:
    solution = np.ones(3)
    solve_positive(np.ones((3, 3)), 0.0, np.ones(3), np.empty((3, 3)), solution)
    assert not solution.any()


def test_sums_run_over_the_first_products() -> None:
    a, b = np.arange(20.0), np.full(20, 2.0)
    assert sum_products(a, b, 17) == 2.0 * sum(range(17))
    assert [pad(count) for count in (0, 1, 16, 17)] == [0, 16, 16, 32]
