"""Kernels with edge enhancement, and what the calibration's own errors do to every edge."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from canalmorph.model.femur import ENHANCEMENT_WIDTH
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.segment.blur import declare_through_plane_blur_mm
from canalmorph.segment.calibration import (
    WallRays,
    calibrate,
)
from canalmorph.segment.half_maximum import find_half_maximum_edges
from canalmorph.segment.wall import BLUR, NO_ENHANCEMENT, X_OUT, Y_CORTEX, WallFit, fit_wall

FIRST_MM, STEP_MM, N_SAMPLES = -15.0, 0.25, 85
X = FIRST_MM + STEP_MM * np.arange(N_SAMPLES)
CORTEX_HU, BLUR_MM = 1600.0, 0.45


def make_edge(x: np.ndarray, blur_mm: float, enhancement: float, width: float) -> np.ndarray:
    """Return a unit step seen through (1 + e) G(s) - e G(w s)."""
    return (1 + enhancement) * ndtr(x / blur_mm) - enhancement * ndtr(x / (width * blur_mm))


def make_profiles(
    x_out_mm: np.ndarray,
    wall_mm: np.ndarray,
    enhancement: float,
    *,
    width: float = ENHANCEMENT_WIDTH,
    noise_hu: float = 0.0,
) -> np.ndarray:
    """Return profiles (n, s) of walls of 1600 HU between marrow of -50 and muscle of 55 HU."""
    rise = make_edge(X - (x_out_mm - wall_mm)[:, None], BLUR_MM, enhancement, width)
    fall = make_edge(X - x_out_mm[:, None], BLUR_MM, enhancement, width)
    clean = -50.0 + (CORTEX_HU + 50.0) * rise + (55.0 - CORTEX_HU) * fall
    noise = np.random.default_rng(21).normal(0.0, noise_hu, clean.shape)
    return (clean + noise).astype(np.float32)


def make_rays(profiles: np.ndarray) -> WallRays:
    """Return rays across upright walls of a scan without slant."""
    across = np.tile([0.0, 1.0, 0.0], (len(profiles), 1))
    start = find_half_maximum_edges(profiles, first_mm=FIRST_MM, step_mm=STEP_MM)
    return WallRays(
        profiles_hu=profiles,
        start=start,
        normals=across,
        across=across.copy(),
        first_mm=FIRST_MM,
        step_mm=STEP_MM,
    )


def make_crop(noise_hu: float) -> CtVolume:
    noise = np.random.default_rng(8).normal(50.0, noise_hu, (20, 60, 60))
    facts = ScanFacts(source="made", file_format="nifti", series_key="made", input_sha256="")
    return CtVolume(
        voxels_hu=np.rint(noise).astype(np.int16), index_to_lps_mm=np.eye(4), facts=facts
    )


def spread_walls(n: int, low_mm: float, high_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Return outer edges anywhere between samples, and walls."""
    rng = np.random.default_rng(3)
    return rng.uniform(-0.5, 0.5, n), rng.uniform(low_mm, high_mm, n)


@pytest.mark.parametrize("enhancement", [0.0, 0.1, 0.2, 0.3, 0.4])
def test_enhancement_density_and_blur_come_back(enhancement: float) -> None:
    x_out, wall = spread_walls(600, 4.5, 8.0)
    profiles = make_profiles(x_out, wall, enhancement, noise_hu=20.0)
    found = calibrate(make_rays(profiles), make_crop(20.0))
    assert found.n_rays > 500
    # Its own stated uncertainties, twice; the parabola through three strengths adds its own.
    assert found.enhancement == pytest.approx(enhancement, abs=2 * found.enhancement_u)
    assert found.blur_in_plane_mm == pytest.approx(BLUR_MM, abs=2 * found.blur_u_mm)
    assert found.cortex_hu == pytest.approx(CORTEX_HU, abs=found.shared_u_hu)


@pytest.mark.parametrize("width", [2.0, 3.0])
def test_another_width_of_the_enhancement_costs_little(width: float) -> None:
    """Only the strength is fitted: a kernel of another shape leaves a bias far below a pixel."""
    x_out, wall = spread_walls(400, 4.5, 8.0)
    found = calibrate(
        make_rays(make_profiles(x_out, wall, 0.3, width=width, noise_hu=20.0)), make_crop(20.0)
    )
    assert found.enhancement > 0.1
    x_out, wall = spread_walls(200, 2.0, 4.0)
    profiles = make_profiles(x_out, wall, 0.3, width=width)
    fit = fit_edges(profiles, found.blur_in_plane_mm, (found.enhancement, ENHANCEMENT_WIDTH))
    assert abs(np.mean(fit.parameters[:, X_OUT] - x_out)) < 0.02


def fit_edges(
    profiles: np.ndarray,
    blur_mm: float,
    kernel: tuple[float, float],
    *,
    cortex_hu: float = CORTEX_HU,
    noise_hu: float = 20.0,
) -> WallFit:
    """Return the stage's own fit: density with a prior, blur and kernel known."""
    return fit_wall(
        profiles,
        find_half_maximum_edges(profiles, first_mm=FIRST_MM, step_mm=STEP_MM),
        np.full(len(profiles), blur_mm),
        first_mm=FIRST_MM,
        step_mm=STEP_MM,
        cortex_hu=cortex_hu,
        cortex_u_hu=75.0,
        noise_hu=noise_hu,
        kernel=kernel,
    )


@pytest.mark.parametrize("wall_mm", [1.0, 1.5, 2.5, 4.0])
@pytest.mark.parametrize("enhancement", [0.2, 0.4])
def test_walls_have_no_bias_once_the_kernel_is_modelled(enhancement: float, wall_mm: float) -> None:
    x_out, wall = spread_walls(100, wall_mm, wall_mm)
    profiles = make_profiles(x_out, wall, enhancement)
    with_kernel = fit_edges(profiles, BLUR_MM, (enhancement, ENHANCEMENT_WIDTH))
    error = with_kernel.parameters[:, X_OUT] - x_out
    assert np.abs(error).max() < 5e-3  # the fit ends where no step exceeds 2e-3 mm
    assert np.abs(with_kernel.rms_hu).max() < 5.0


@pytest.mark.parametrize("wall_mm", [1.0, 1.5, 2.5])
def test_an_unmodelled_kernel_biases_walls(wall_mm: float) -> None:
    """What the test before would find: the overshoot is taken for bone, or for a sharper edge."""
    x_out, wall = spread_walls(100, wall_mm, wall_mm)
    profiles = make_profiles(x_out, wall, 0.4)
    without = fit_edges(profiles, BLUR_MM, NO_ENHANCEMENT)
    thickness = without.parameters[:, X_OUT] - without.parameters[:, 0]
    assert abs(np.mean(thickness) - wall_mm) > 0.03
    assert np.median(without.rms_hu) > 25.0  # without noise: the model does not fit


CASES = [
    pytest.param(0.8, 0.0, id="thin"),
    pytest.param(1.5, 0.0, id="medium"),
    pytest.param(3.0, 0.0, id="thick"),
    pytest.param(9.0, 0.0, id="near edge alone"),
    pytest.param(1.5, 0.3, id="medium, sharp kernel"),
    pytest.param(4.0, 0.3, id="thick, sharp kernel"),
]
#: By how much each cause is shifted to either side. [HU, mm, 1]
SHIFTS = (20.0, 0.01, 0.02)


@pytest.mark.parametrize(("wall_mm", "enhancement"), CASES)
def test_slopes_are_those_of_refits(wall_mm: float, enhancement: float) -> None:
    """The fit states how its edge follows density, blur and enhancement: shift each and refit."""
    x_out, wall = spread_walls(40, wall_mm, wall_mm)
    # An enhancement of 0 cannot be shifted below 0, so its cases lie at the shift itself.
    strength = max(enhancement, SHIFTS[2])
    profiles = make_profiles(x_out, wall, strength)
    slopes = fit_edges(profiles, BLUR_MM, (strength, ENHANCEMENT_WIDTH)).slopes
    assert slopes.shape == (40, 3)
    for cause, shift in enumerate(SHIFTS):
        ends = []
        for sign in (1.0, -1.0):
            moved = np.zeros(3)
            moved[cause] = sign * shift
            refit = fit_edges(
                profiles,
                BLUR_MM + moved[1],
                (strength + moved[2], ENHANCEMENT_WIDTH),
                cortex_hu=CORTEX_HU + moved[0],
            )
            ends.append(refit.parameters[:, X_OUT])
        difference = np.median((ends[0] - ends[1]) / (2 * shift))
        # Second order in the shift, and the fit's own end of 2e-3 mm, mostly far below that.
        tolerance = 0.1 * abs(difference) + 1e-3 / (2 * shift)
        assert np.median(slopes[:, cause]) == pytest.approx(difference, abs=tolerance), cause


def test_a_fitted_blur_passes_on_no_error() -> None:
    x_out, wall = spread_walls(20, 5.0, 6.0)
    rays = make_rays(make_profiles(x_out, wall, 0.0))
    fit = rays.fit(np.full(20, BLUR_MM), 10.0)
    assert (fit.slopes[:, 1] == 0).all()
    assert (fit.slopes[:, 0] == 0).all()  # nor does a density without prior
    assert fit.parameters[:, BLUR] == pytest.approx(np.full(20, BLUR_MM), abs=0.01)
    assert fit.parameters[:, Y_CORTEX] == pytest.approx(np.full(20, CORTEX_HU), abs=5.0)


def make_leaning_rays(through_plane_mm: float, largest_lean_deg: float) -> WallRays:
    """Return rays within the slices through walls that lean out of them, as a trochanter's do."""
    n = 2400
    rng = np.random.default_rng(17)
    lean = np.radians(rng.uniform(0.0, largest_lean_deg, n))
    normals = np.stack([np.sin(lean), np.cos(lean), np.zeros(n)], axis=1)
    # Across the wall the variances add by the squares of the normal's parts; a ray that slants to
    # it stretches both blur and wall.
    blur = np.hypot(BLUR_MM * np.cos(lean), through_plane_mm * np.sin(lean)) / np.cos(lean)
    x_out, wall = rng.uniform(-0.5, 0.5, n), rng.uniform(5.0, 7.0, n) / np.cos(lean)
    rise = ndtr((X - (x_out - wall)[:, None]) / blur[:, None])
    fall = ndtr((X - x_out[:, None]) / blur[:, None])
    clean = -50.0 + (CORTEX_HU + 50.0) * rise + (55.0 - CORTEX_HU) * fall
    profiles = (clean + rng.normal(0.0, 20.0, clean.shape)).astype(np.float32)
    return replace(make_rays(profiles), normals=normals)


@pytest.mark.parametrize("through_plane_mm", [0.3, 0.54, 0.8, 1.1])
def test_leaning_walls_tell_the_blur_across_slices(through_plane_mm: float) -> None:
    """Whatever the file declares: here slices of 1 mm, which would blur by 0.54 mm."""
    crop = make_crop(20.0)
    upright = make_rays(make_profiles(*spread_walls(600, 4.5, 8.0), 0.0, noise_hu=20.0))
    leaning = make_leaning_rays(through_plane_mm, 50.0)
    found = calibrate(upright, crop, everywhere=leaning)
    u_mm = found.blur_through_plane_u_mm
    assert found.blur_through_plane_mm == pytest.approx(through_plane_mm, abs=3 * u_mm)
    assert u_mm < 0.06


def test_what_leaning_walls_cannot_tell_stays_as_declared() -> None:
    crop = make_crop(20.0)
    upright = make_rays(make_profiles(*spread_walls(600, 4.5, 8.0), 0.0, noise_hu=20.0))
    declared = calibrate(upright, crop)
    assert declared.blur_through_plane_mm == declare_through_plane_blur_mm(crop)
    # No wall leans, or more blur than the fit, which looks 2.5 mm into the wall, can see.
    for everywhere in (upright, make_leaning_rays(1.6, 50.0)):
        found = calibrate(upright, crop, everywhere=everywhere)
        assert found.blur_through_plane_mm == declared.blur_through_plane_mm
        assert found.blur_through_plane_u_mm == declared.blur_through_plane_u_mm


@pytest.mark.parametrize("uneven_mm", [0.0, 0.5, 0.9])
def test_walls_along_both_sides_of_a_pixel_tell_what_the_wide_one_adds(uneven_mm: float) -> None:
    x_out, wall = spread_walls(1200, 4.5, 8.0)
    wide_way = np.arange(1200) % 2 == 0
    blur = np.where(wide_way, np.hypot(BLUR_MM, uneven_mm), BLUR_MM)[:, None]
    rise, fall = ndtr((X - (x_out - wall)[:, None]) / blur), ndtr((X - x_out[:, None]) / blur)
    clean = -50.0 + (CORTEX_HU + 50.0) * rise + (55.0 - CORTEX_HU) * fall
    rays = make_rays((clean + np.random.default_rng(4).normal(0.0, 20.0, clean.shape)).astype("f4"))
    normals = np.where(wide_way[:, None], [0.0, 1.0, 0.0], [0.0, 0.0, 1.0])
    crop = replace(make_crop(20.0), index_to_lps_mm=np.diag([2.0, 2.0, 1.0, 1.0]))
    found = calibrate(replace(rays, normals=normals, across=normals), crop)
    # Each blur is known to 5 %; what is added is the root of a difference of two squares.
    assert found.blur_in_plane_mm == pytest.approx(BLUR_MM, rel=0.05)
    assert found.blur_uneven_mm**2 == pytest.approx(
        uneven_mm**2, abs=0.1 * (BLUR_MM**2 + uneven_mm**2)
    )
