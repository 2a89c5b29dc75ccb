"""The blurred-cortex model: what its fit gives back, and how surely it says it knows it."""

import numpy as np
import pytest
from scipy.special import ndtr

from canalmorph.segment.half_maximum import find_half_maximum_edges
from canalmorph.segment.wall import (
    BLUR,
    X_IN,
    X_OUT,
    Y_CORTEX,
    Y_IN,
    Y_OUT,
    WallFit,
    fit_wall,
)

FIRST_MM, STEP_MM, N_SAMPLES = -12.0, 0.25, 69
X = FIRST_MM + STEP_MM * np.arange(N_SAMPLES)
#: x_in, x_out, y_in, y_out, y_cortex, blur of walls of every kind.
WALLS = [
    pytest.param((-2.2, 0.1, -50.0, 55.0, 1650.0, 0.6), id="ordinary"),
    pytest.param((-0.9, 0.3, -80.0, 40.0, 1400.0, 0.45), id="thin"),
    pytest.param((-4.6, -0.4, 170.0, -100.0, 1200.0, 0.8), id="thick beside fat"),
    pytest.param((-2.0, 0.6, 300.0, 300.0, 1900.0, 0.5), id="between equal plateaus"),
]


def make_profile(p: np.ndarray) -> np.ndarray:
    """Return the model of `canalmorph.segment.wall` written out anew, (s,) [HU]."""
    rise, fall = ndtr((X - p[X_IN]) / p[BLUR]), ndtr((X - p[X_OUT]) / p[BLUR])
    return p[Y_IN] + (p[Y_CORTEX] - p[Y_IN]) * rise + (p[Y_OUT] - p[Y_CORTEX]) * fall


def fit(profiles: np.ndarray, start: np.ndarray, **prior: object) -> WallFit:
    settings = {"cortex_hu": None, "cortex_u_hu": 0.0, "noise_hu": 10.0, "blur_u_mm": 0.0}
    return fit_wall(
        np.atleast_2d(profiles).astype(np.float32),
        np.atleast_2d(start),
        np.atleast_2d(start)[:, BLUR].copy(),
        first_mm=FIRST_MM,
        step_mm=STEP_MM,
        **(settings | prior),
    )


@pytest.mark.parametrize("truth", WALLS)
def test_all_six_numbers_come_back_from_a_poor_start(truth: tuple[float, ...]) -> None:
    true = np.array(truth)
    start = true + np.array([-0.4, 0.3, 60.0, -50.0, -150.0, 0.15])
    found = fit(make_profile(true), start)
    fitted, rms = found.parameters, found.rms_hu
    # Single precision of 1500 HU is 1e-4; a wall of two blurs magnifies it a hundred times.
    assert fitted[0, [X_IN, X_OUT]] == pytest.approx(true[[X_IN, X_OUT]], abs=2e-3)
    assert fitted[0, [Y_IN, Y_OUT]] == pytest.approx(true[[Y_IN, Y_OUT]], abs=1.0)
    assert fitted[0, Y_CORTEX] == pytest.approx(true[Y_CORTEX], rel=5e-3)
    assert fitted[0, BLUR] == pytest.approx(true[BLUR], abs=2e-3)
    assert rms[0] < 0.5


@pytest.mark.parametrize("prior", ["free", "density", "density, blur fixed"])
@pytest.mark.parametrize("truth", WALLS)
def test_uncertainties_follow_from_finite_differences(truth: tuple[float, ...], prior: str) -> None:
    """The covariance rests on the gradient, which is taken here from differences instead."""
    true = np.array(truth)
    known: dict[str, object] = {}
    if prior != "free":
        known |= {"cortex_hu": float(true[Y_CORTEX]), "cortex_u_hu": 75.0}
    if prior == "density, blur fixed":
        known |= {"blur_u_mm": None}
    u_mm = fit(make_profile(true), true, **known).u_mm
    steps = np.array([1e-4, 1e-4, 0.1, 0.1, 0.1, 1e-4])
    columns = []
    for q, step in enumerate(steps):
        shift = np.zeros(6)
        shift[q] = step
        columns.append((make_profile(true + shift) - make_profile(true - shift)) / (2 * step))
    # The fit's own window: 3 mm inside the inner edge to 2.5 mm outside the outer one.
    low, high = true[X_IN] - 3.0 - STEP_MM, true[X_OUT] + 2.5 + STEP_MM
    window = (low <= X) & (high >= X)
    jacobian = np.stack(columns, axis=1)[window] / 10.0
    normal = jacobian.T @ jacobian
    if prior != "free":
        normal[Y_CORTEX, Y_CORTEX] += 1 / 75.0**2
    free = 5 if prior == "density, blur fixed" else 6
    expected = np.sqrt(np.diag(np.linalg.inv(normal[:free, :free])))[X_OUT]
    # One sample more or less at the ends of the window, plateaus of 12 samples: a few per cent.
    assert u_mm[0] == pytest.approx(expected, rel=0.05)


def test_uncertainties_are_the_scatter_under_noise() -> None:
    rng = np.random.default_rng(11)
    true = np.array([-2.6, 0.1, -50.0, 55.0, 1650.0, 0.6])
    n, noise = 3000, 25.0
    profiles = make_profile(true) + rng.normal(0, noise, (n, N_SAMPLES))
    found = fit(
        profiles,
        np.tile(true, (n, 1)),
        cortex_hu=1650.0,
        cortex_u_hu=1e-3,
        noise_hu=noise,
        blur_u_mm=None,
    )
    error = found.parameters[:, :2] - true[:2]
    scatter = error.std(axis=0)
    # A standard deviation of 3000 draws is known to 1.3 %; the first order holds to a few.
    assert found.u_mm.mean() == pytest.approx(scatter[X_OUT], rel=0.06)
    assert np.abs(error.mean(axis=0)).max() < 4 * scatter.max() / np.sqrt(n)


def test_start_finds_the_wall_it_is_pointed_at() -> None:
    """A second wall lies beyond a gap of soft tissue: a joint, or the other cortex."""
    own = make_profile(np.array([-2.5, 0.0, 0.0, 0.0, 1500.0, 0.5]))
    other = make_profile(np.array([-9.0, -6.0, 0.0, 0.0, 1800.0, 0.5]))
    start = find_half_maximum_edges(
        (own + other)[None].astype(np.float32), first_mm=FIRST_MM, step_mm=STEP_MM
    )
    assert start[0, X_IN] == pytest.approx(-2.5, abs=0.1)
    assert start[0, X_OUT] == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(
    "profile",
    [np.full(N_SAMPLES, 40.0), np.full(N_SAMPLES, np.nan), np.linspace(0, 1500, N_SAMPLES)],
    ids=["flat", "not imaged", "rising to the end"],
)
def test_without_a_wall_there_are_no_edges(profile: np.ndarray) -> None:
    profiles = profile[None].astype(np.float32)
    start = find_half_maximum_edges(profiles, first_mm=FIRST_MM, step_mm=STEP_MM)
    assert np.isnan(start).all()
    found = fit_wall(
        profiles,
        start,
        np.array([0.6]),
        first_mm=FIRST_MM,
        step_mm=STEP_MM,
        cortex_hu=1500.0,
        cortex_u_hu=75.0,
        noise_hu=10.0,
    )
    for values in (found.parameters, found.u_mm, found.rms_hu, found.slopes):
        assert np.isnan(values).all()


@pytest.mark.parametrize("at_mm", [-3.0, 0.4, 1.5])
def test_a_sample_that_was_not_imaged_leaves_the_ray_out(at_mm: float) -> None:
    true = np.array([-2.2, 0.1, -50.0, 55.0, 1650.0, 0.6])
    broken = make_profile(true)
    broken[int((at_mm - FIRST_MM) / STEP_MM)] = np.nan
    fitted = fit(np.stack([make_profile(true), broken]), np.stack([true, true])).parameters
    assert np.isfinite(fitted[0]).all()
    assert np.isnan(fitted[1]).all()


def test_the_far_edge_of_a_thick_wall_leaves_the_near_one_alone() -> None:
    """A slanting ray smears the far surface: no longer the model's edge, 9 mm away."""
    true = np.array([-9.0, 0.2, -50.0, 55.0, 1650.0, 0.6])
    smeared = make_profile(true)
    far = X < -5.0
    smeared[far] = -50.0 + 1700.0 * ndtr((X[far] + 9.0) / 2.5)
    start = find_half_maximum_edges(
        smeared[None].astype(np.float32), first_mm=FIRST_MM, step_mm=STEP_MM
    )
    start[0, BLUR] = 0.6
    prior = {"cortex_hu": 1650.0, "cortex_u_hu": 75.0, "blur_u_mm": 0.03}
    fitted = fit(smeared, start[0], **prior).parameters
    assert fitted[0, X_OUT] == pytest.approx(0.2, abs=0.01)
