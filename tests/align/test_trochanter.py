"""The lesser trochanter on analytic bumps: found where it is, refused where it cannot be told."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from canalmorph.align.settings import AlignSettings
from canalmorph.align.trochanter import find_lesser_trochanter
from canalmorph.femur_errors import LesserTrochanterError
from canalmorph.model.femur import FemurFrame, LesserTrochanter, Plane

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


#: The frame of the tests: its own origin and upright axes.
ORIGIN = np.array([-100.0, 20.0, 300.0])
FRAME = FemurFrame(
    origin_lps_mm=ORIGIN,
    medial=np.array([1.0, 0.0, 0.0]),
    posterior=np.array([0.0, 1.0, 0.0]),
    proximal=np.array([0.0, 0.0, 1.0]),
    plane=Plane.NECK,
)


def find(
    coordinates: np.ndarray,
    *,
    frame: FemurFrame = FRAME,
    u_mm: float = 0.05,
    axis_u_deg: float = 0.2,
    **settings: object,
) -> LesserTrochanter:
    return find_lesser_trochanter(
        frame.frame_to_lps_mm(coordinates),
        np.full(coordinates.shape[:2], u_mm),
        frame,
        frame.frame_to_lps_mm(np.array([0.0, 0.0, HEAD_MM])),
        axis_u_deg=axis_u_deg,
        side="right",
        settings=replace(AlignSettings(), **settings),
    )


@pytest.mark.parametrize("height_mm", [-45.0, -58.5, -75.0])
@pytest.mark.parametrize("direction_deg", [30.0, 52.5, 80.0])
def test_a_bump_is_found_where_it_is(height_mm: float, direction_deg: float) -> None:
    found = find(make_shaft((height_mm, direction_deg, 8.0)))
    # A symmetric bump: its top's mean is its apex, wherever it lies between rings and rays: the
    # rim fades over 0.25 mm of level, a quarter ring, on each side of 9 mm of top.
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(height_mm, abs=0.03)
    arm = found.apex_lps_mm[:2] - ORIGIN[:2]
    assert np.degrees(np.arctan2(arm[1], arm[0])) == pytest.approx(direction_deg, abs=0.5)
    assert found.direction_deg == pytest.approx(direction_deg, abs=0.5)
    # Its saddles are the ends of the window, 22 and 95 mm below the head, where a tail of it is
    # left. Smoothing over 0.5 mm lowers the peak by 0.2 % (0.01 mm) and lifts the cut tail, whose
    # slope is at most 0.15, by up to 0.1 mm.
    ends = np.array([-22.0, -95.0]) - height_mm
    tail = 8.0 * np.exp(-((ends / 9.0) ** 2) / 2).max()
    assert found.prominence_mm == pytest.approx(8.0 - tail, abs=0.1)
    # The mean of the top lies within 1 mm of the apex.
    assert 22.0 < np.hypot(*arm) < 23.05
    assert found.second_prominence_mm == 0.0


def test_noise_moves_it_little() -> None:
    rng = np.random.default_rng(6)
    shaft = make_shaft((-55.0, 50.0, 8.0))
    levels = []
    for _ in range(25):
        found = find(shaft + rng.normal(0, 0.1, shaft.shape), u_mm=0.1)
        levels.append(found.apex_lps_mm[2] - 300.0)
    # Noise lifts the top by some 0.1 mm, which its mean hardly feels: the stated uncertainty
    # covers the scatter.
    assert abs(np.mean(levels) + 55.0) < 0.2
    assert np.std(levels) < found.level_u_mm


def test_a_flat_top_is_known_less_well() -> None:
    sharp = find(make_shaft((-55.0, 50.0, 8.0), along_mm=6.0))
    flat = find(make_shaft((-55.0, 50.0, 3.0), along_mm=16.0))
    assert 2.0 * sharp.level_u_mm < flat.level_u_mm < 1.0
    # What errs by more moves it by more, and so does an axis that is less certain.
    noisy = find(make_shaft((-55.0, 50.0, 3.0), along_mm=16.0), u_mm=0.2)
    leaning = find(make_shaft((-55.0, 50.0, 3.0), along_mm=16.0), axis_u_deg=1.0)
    assert noisy.level_u_mm > 1.2 * flat.level_u_mm
    assert leaning.level_u_mm > 2.0 * flat.level_u_mm


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


def test_two_nearly_equal_humps_are_told_and_widen_the_uncertainty() -> None:
    """Humps 16 mm apart, the valley between deeper than the top."""
    clear = find(make_shaft((-48.0, 50.0, 8.0), (-64.0, 50.0, 4.0), along_mm=4.0))
    close = find(make_shaft((-48.0, 50.0, 8.0), (-64.0, 50.0, 7.9), along_mm=4.0))
    assert clear.confidence == pytest.approx(8.0 / 12.0, abs=0.02)
    assert close.confidence == pytest.approx(8.0 / 15.9, abs=0.02)
    assert clear.level_u_mm < 0.2
    # Either may be the one: two places 16 mm apart have a standard deviation of 8 mm.
    assert 6.0 < close.level_u_mm <= 8.1


def test_a_hump_on_the_same_bump_counts_from_the_bumps_foot() -> None:
    """The valley between is 2 mm deep, the bump 8 mm high: the lower hump rises 7 mm."""
    z = HEIGHTS[:, None]
    turn = np.angle(np.exp(1j * (ANGLES - np.radians(50.0))))
    along = 6.0 * np.exp(-(((z + 56.0) / 14.0) ** 4) / 2)
    along = along + 2.0 * np.exp(-(((z + 49.0) / 3.0) ** 2) / 2)
    along = along + 1.0 * np.exp(-(((z + 63.0) / 3.0) ** 2) / 2)
    radius = RADIUS_MM + along * np.exp(-((turn / 0.35) ** 2) / 2)
    rings = np.stack(
        [radius * np.cos(ANGLES), radius * np.sin(ANGLES), np.broadcast_to(z, radius.shape)], -1
    )
    found = find(rings)
    # The bump's own slope moves the middle of a hump of 2 mm by some tenths.
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(-49.0, abs=0.8)
    assert found.prominence_mm - found.second_prominence_mm == pytest.approx(1.0, abs=0.15)
    assert found.confidence < 0.55


def test_humps_parted_by_less_than_the_top_are_one() -> None:
    """Two humps 6 mm apart, the valley between 0.3 mm deep: the apex lies between."""
    found = find(make_shaft((-52.0, 50.0, 8.0), (-58.0, 50.0, 8.0), along_mm=2.7))
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(-55.0, abs=0.05)
    assert found.confidence == 1.0


def test_a_hump_that_may_or_may_not_belong_to_the_top_widens_the_uncertainty() -> None:
    def find_with_saddle(apart_mm: float) -> LesserTrochanter:
        humps = ((-65.0, 50.0, 8.0), (-65.0 + apart_mm, 50.0, 7.6))
        return find(make_shaft(*humps, along_mm=4.5), u_mm=0.03)

    # The farther apart, the deeper the saddle: near 1 mm the level jumps by several mm.
    found = [find_with_saddle(apart) for apart in (8.6, *np.arange(10.5, 11.4, 0.1))]
    levels = np.array([one.apex_lps_mm[2] for one in found])
    us = np.array([one.level_u_mm for one in found])
    jump = int(np.argmax(np.abs(np.diff(levels))))
    size = abs(levels[jump + 1] - levels[jump])
    assert size > 3.0
    assert min(us[jump], us[jump + 1]) > 0.4 * size
    # Where the saddle clearly belongs, the hump adds nothing; beyond, it is a rival of its own.
    assert us[0] < 0.3
    assert found[0].confidence == 1.0
    assert found[-1].confidence < 0.6


def test_a_spur_that_stands_out_farthest_is_the_apex() -> None:
    """A spike of 3 mm on the slope of the bump, 5 mm above its middle: 9.9 mm against 8."""
    rings = make_shaft((-55.0, 50.0, 8.0))
    turn = np.angle(np.exp(1j * (ANGLES - np.radians(50.0))))
    spike = 3.0 * np.exp(-(((HEIGHTS[:, None] + 50.0) / 2.0) ** 2 + (turn / 0.1) ** 2) / 2)
    rings[..., :2] *= (1 + spike / np.linalg.norm(rings[..., :2], axis=-1))[..., None]
    found = find(rings)
    # The slope of the bump under it, 0.47 at most, over the spike's bend, 3 / 2**2, is 0.6 mm; the
    # top's lower rim lies some tenths farther, since the spike runs out into the bump there.
    assert found.apex_lps_mm[2] - 300.0 == pytest.approx(-50.0, abs=1.0)
    assert found.confidence == 1.0


@pytest.mark.parametrize("lean_deg", [0.0, 8.0, 15.0])
def test_oblique_rings_and_patients_change_nothing(lean_deg: float) -> None:
    """The same surface cut by rings across an oblique axis, in a leaning patient."""
    lean = np.radians(lean_deg)
    turn = np.array([[np.cos(lean), 0, np.sin(lean)], [0, 1, 0], [-np.sin(lean), 0, np.cos(lean)]])
    frame = FemurFrame(
        origin_lps_mm=ORIGIN,
        medial=turn[:, 0],
        posterior=turn[:, 1],
        proximal=turn[:, 2],
        plane=Plane.NECK,
    )
    shaft = make_shaft((-55.0, 50.0, 8.0))
    skew = shaft.copy()  # rings rise by as much as 0.1 of the medial distance
    levels = HEIGHTS[:, None] + 0.1 * shaft[..., 0]
    for ray in range(N_RAYS):
        for axis in (0, 1):
            skew[:, ray, axis] = CubicSpline(HEIGHTS, shaft[:, ray, axis])(levels[:, ray])
    skew[..., 2] = levels
    plain, found = find(shaft), find(skew, frame=frame)
    apex = frame.lps_to_frame_mm(found.apex_lps_mm)
    # Points of a ring lie in 2 degrees of turn: 0.25 mm apart at most after densifying.
    assert apex == pytest.approx(plain.apex_lps_mm - ORIGIN, abs=0.03)


def test_a_left_femur_is_the_mirror_image() -> None:
    rng = np.random.default_rng(3)
    rings = make_shaft((-55.0, 50.0, 8.0), (-70.0, 60.0, 3.0)) + rng.normal(0, 0.05, (161, 180, 3))
    mirrored = FemurFrame(
        origin_lps_mm=ORIGIN,
        medial=-FRAME.medial,
        posterior=FRAME.posterior,
        proximal=FRAME.proximal,
        plane=Plane.NECK,
    )
    right, left = find(rings), find(rings[:, ::-1], frame=mirrored)
    flip = np.array([-1.0, 1.0, 1.0])
    assert left.apex_lps_mm - ORIGIN == pytest.approx(flip * (right.apex_lps_mm - ORIGIN), abs=1e-6)
    assert left.level_u_mm == pytest.approx(right.level_u_mm, rel=0.15)  # other cells of the rim


def test_a_wide_hole_on_the_top_is_no_made_up_top() -> None:
    """A hole of 10 by 16 degrees is closed at its rim only; the level is known less well."""
    shaft = make_shaft((-55.0, 50.0, 8.0))
    whole = find(shaft)
    shaft[100:110, 20:30] = np.nan
    found = find(shaft)
    assert abs(found.apex_lps_mm[2] - whole.apex_lps_mm[2]) < 3.0 * found.level_u_mm
    assert found.level_u_mm > 2.0 * whole.level_u_mm
