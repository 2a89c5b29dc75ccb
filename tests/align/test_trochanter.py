"""The lesser trochanter on analytic bumps: found where it is, refused where it cannot be told."""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter import find_lesser_trochanter
from canalmorph.errors import LesserTrochanterError
from canalmorph.model.femur import LesserTrochanter

N_RAYS = 180
ANGLES = 2 * np.pi * np.arange(N_RAYS) / N_RAYS
HEIGHTS = np.arange(-160.0, 1.0)
#: Height of the head's centre; the shaft below it is a cylinder of this radius. [mm]
HEAD_MM, RADIUS_MM = 0.0, 15.0


def make_shaft(*bumps: tuple[float, float, float], along_mm: float = 9.0) -> np.ndarray:
    """Return rings of a cylinder with Gaussian bumps (height, direction [deg], proud [mm])."""
    radius = np.full((len(HEIGHTS), N_RAYS), RADIUS_MM)
    for height, direction_deg, proud in bumps:
        turn = np.angle(np.exp(1j * (ANGLES - np.radians(direction_deg))))
        radius += proud * np.exp(
            -(((HEIGHTS[:, None] - height) / along_mm) ** 2) / 2 - (turn / 0.35) ** 2 / 2
        )
    return np.stack(
        [
            radius * np.cos(ANGLES),
            radius * np.sin(ANGLES),
            np.broadcast_to(HEIGHTS[:, None], radius.shape),
        ],
        axis=-1,
    )


def find(coordinates: np.ndarray, **settings: object) -> LesserTrochanter:
    shift = np.array([-100.0, 20.0, 300.0])
    return find_lesser_trochanter(
        coordinates,
        coordinates + shift,
        HEAD_MM,
        ring_step_mm=1.0,
        side="right",
        settings=replace(AlignSettings(), **settings),
    )


@pytest.mark.parametrize("height_mm", [-45.0, -58.5, -75.0])
@pytest.mark.parametrize("direction_deg", [30.0, 52.5, 80.0])
def test_a_bump_is_found_where_it_is(height_mm: float, direction_deg: float) -> None:
    found = find(make_shaft((height_mm, direction_deg, 8.0)))
    # A symmetric bump: its top's mean is its apex but for the rings' distance over the top's
    # height (10 rings) and the direction's steps of 5 degrees.
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(height_mm, abs=0.1)
    arm = found.apex_lps_mm[:2] - [-100.0, 20.0]
    assert np.degrees(np.arctan2(arm[1], arm[0])) == pytest.approx(direction_deg, abs=3.0)
    assert found.direction_deg == pytest.approx(direction_deg, abs=5.0)
    # Its saddles are the ends of the window, 22 and 95 mm below the head, where a tail of it is
    # left. Smoothing over 1 mm lowers the peak by 0.6 % and lifts the cut tail by up to 0.1 mm.
    ends = np.array([-23.0, -94.0]) - height_mm
    tail = 8.0 * np.exp(-((ends / 9.0) ** 2) / 2).max()
    assert 8.0 - tail - 0.2 < found.prominence_mm < 8.0 - tail
    # The mean of the top lies within 1 mm of the apex.
    assert 22.0 < np.hypot(*arm) < 23.05
    assert found.second_prominence_mm == 0.0


def test_noise_moves_it_little() -> None:
    rng = np.random.default_rng(6)
    shaft = make_shaft((-55.0, 50.0, 8.0))
    levels = []
    for _ in range(25):
        found = find(shaft + rng.normal(0, 0.1, shaft.shape))
        levels.append(found.apex_lps_mm[2] - 300.0)
    # Noise lifts the top by some 0.1 mm, which its mean hardly feels: the stated uncertainty
    # covers the scatter.
    assert abs(np.mean(levels) + 55.0) < 0.2
    assert np.std(levels) < found.level_u_mm


def test_a_flat_top_is_known_less_well() -> None:
    sharp = find(make_shaft((-55.0, 50.0, 8.0), along_mm=6.0))
    flat = find(make_shaft((-55.0, 50.0, 3.0), along_mm=16.0))
    assert 0.25 <= sharp.level_u_mm < flat.level_u_mm <= 3.0


def test_a_bump_across_the_seam_of_the_rings_is_whole() -> None:
    shaft = make_shaft((-55.0, 50.0, 8.0))
    plain = find(shaft)
    for shift in (25, 26, 155):  # the first ray now lies on the bump
        rolled = find(np.roll(shaft, -shift, axis=1))
        assert rolled.apex_lps_mm == pytest.approx(plain.apex_lps_mm, abs=1e-6)


def test_of_two_bumps_the_more_prominent_counts_and_the_other_is_told() -> None:
    found = find(make_shaft((-45.0, 60.0, 5.0), (-78.0, 40.0, 7.5), along_mm=5.0))
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(-78.0, abs=0.1)
    # Smoothing over 1 mm lowers a Gaussian of 5 mm by 2 %; of the tails 1 % is left between them.
    assert found.prominence_mm == pytest.approx(7.5, abs=0.3)
    assert found.second_prominence_mm == pytest.approx(5.0, abs=0.3)


def test_one_bump_seen_from_several_directions_is_no_second() -> None:
    assert find(make_shaft((-55.0, 20.0, 8.0))).second_prominence_mm == 0.0


@pytest.mark.parametrize("direction_deg", [200.0, 270.0])
def test_bumps_elsewhere_do_not_count(direction_deg: float) -> None:
    with pytest.raises(LesserTrochanterError) as refusal:
        find(make_shaft((-55.0, direction_deg, 8.0)))
    assert refusal.value.side == "right"
    assert refusal.value.prominence_mm < 1.5


def test_a_low_bump_is_refused_with_its_height() -> None:
    with pytest.raises(LesserTrochanterError, match=r"1\.[01] mm") as refusal:
        find(make_shaft((-55.0, 50.0, 1.1)))
    assert refusal.value.prominence_mm == pytest.approx(1.1, abs=0.1)


def test_a_smooth_shaft_is_refused() -> None:
    with pytest.raises(LesserTrochanterError):
        find(make_shaft())


def test_a_bump_outside_the_window_is_refused() -> None:
    for height_mm in (-120.0, 5.0):
        with pytest.raises(LesserTrochanterError):
            find(make_shaft((height_mm, 50.0, 8.0), along_mm=5.0))


def test_a_bump_cut_by_the_end_of_the_scan_is_refused() -> None:
    """What rises to the lowest ring in view may go on below: no peak was seen."""
    shaft = make_shaft((-60.0, 50.0, 8.0))
    with pytest.raises(LesserTrochanterError):
        find(shaft[HEIGHTS > -58.0])
    with pytest.raises(LesserTrochanterError):  # less than 20 mm of the window in view
        find(shaft[HEIGHTS > -40.0])


def test_a_hole_beside_the_bump_leaves_it_in_place() -> None:
    shaft = make_shaft((-55.0, 50.0, 8.0))
    shaft[80:90, 100:120] = np.nan
    shaft[20] = np.nan
    found = find(shaft)
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(-55.0, abs=0.1)
