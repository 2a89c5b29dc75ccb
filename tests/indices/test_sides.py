"""Left against right: closed forms of the difference and of its uncertainty."""

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.advise.fixation import advise_fixation
from canalmorph.advise.sides import caution_about_sides
from canalmorph.classify.shape import classify_canal
from canalmorph.indices.compute import compute_indices
from canalmorph.indices.sides import NOT_COMPARED, compare_sides
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.femur import Side
from canalmorph.model.results import CanalProfile, FemurResult, Measurement, SideDifference

MakeProfile = Callable[..., CanalProfile]
OWN_U_MM, SHARED_U_MM = 0.06, 0.08


def _make_femur(
    make_profile: MakeProfile,
    side: Side,
    *,
    widen_mm: float = 0.0,
    shared_u_mm: float = 0.0,
    n_rays: int = 500,
) -> FemurResult:
    """Return a femur whose widths each err by an own part, and all of them by a shared one."""
    profile = make_profile(
        canal_ml=lambda level: 12.0 + widen_mm + 0.002 * (level + 100.0) ** 2,
        outer_ml=lambda level: 30.0 + 0.0 * level,
        u_mm=float(np.hypot(OWN_U_MM, shared_u_mm)),
        level_u_mm=0.0,
        facts={"cortex_hu": Measurement(value=1600.0, u=12.0)},
    )
    shared = {
        name: np.full(len(profile.levels_mm), shared_u_mm)
        for name in profile.columns
        if name.endswith(("ml_mm", "ap_mm"))
    }
    profile = replace(
        profile,
        side=side,
        shared_uncertainties=shared if shared_u_mm else {},
        calibration=replace(profile.calibration, n_rays=n_rays),
    )
    indices = compute_indices(profile)
    canal_type = classify_canal(indices)
    return FemurResult(
        side=side,
        profile=profile,
        indices=indices,
        canal_type=canal_type,
        advice=advise_fixation(canal_type, indices),
        warnings=(),
    )


def _by_column(found: tuple[SideDifference, ...]) -> Mapping[str, SideDifference]:
    return {difference.column: difference for difference in found}


def test_a_difference_is_left_less_right_with_both_uncertainties(
    make_profile: MakeProfile,
) -> None:
    right = _make_femur(make_profile, Side.RIGHT)
    left = _make_femur(make_profile, Side.LEFT, widen_mm=0.5)
    found = _by_column(compare_sides(right, left))
    width = found["canal_ml_lt_minus100_mm"]
    assert width.difference.value == pytest.approx(0.5, abs=1e-9)
    assert width.difference.u == pytest.approx(OWN_U_MM * np.sqrt(2))
    assert width.is_notable
    assert found["cortex_hu"].difference.value == 0.0
    assert found["cortex_hu"].difference.u == pytest.approx(12.0 * np.sqrt(2), rel=1e-12)
    assert not found["cortex_hu"].is_notable


def test_what_both_sides_share_cancels(make_profile: MakeProfile) -> None:
    femora = [_make_femur(make_profile, side, shared_u_mm=SHARED_U_MM) for side in Side]
    found = _by_column(compare_sides(femora[1], femora[0]))
    width = found["canal_ml_lt_minus100_mm"]
    assert width.right.u == pytest.approx(np.hypot(OWN_U_MM, SHARED_U_MM))
    assert width.difference.u == pytest.approx(OWN_U_MM * np.sqrt(2))
    # CTI = 1 - canal / outer: its own part is OWN_U (1 / outer) sqrt(1 + (canal / outer)^2).
    own = OWN_U_MM / 30.0 * np.hypot(1.0, 12.0 / 30.0)
    assert found["cti_ml_lt_minus100"].difference.u == pytest.approx(own * np.sqrt(2), rel=1e-6)


def test_what_moves_both_sides_by_unlike_amounts_stays(make_profile: MakeProfile) -> None:
    right = _make_femur(make_profile, Side.RIGHT, shared_u_mm=0.02)
    left = _make_femur(make_profile, Side.LEFT, shared_u_mm=0.10)
    width = _by_column(compare_sides(right, left))["canal_ml_lt_minus100_mm"]
    assert width.difference.u == pytest.approx(np.hypot(OWN_U_MM * np.sqrt(2), 0.08))


def test_nothing_cancels_where_only_one_side_was_calibrated(make_profile: MakeProfile) -> None:
    right = _make_femur(make_profile, Side.RIGHT, shared_u_mm=SHARED_U_MM)
    left = _make_femur(make_profile, Side.LEFT, shared_u_mm=SHARED_U_MM, n_rays=0)
    width = _by_column(compare_sides(right, left))["canal_ml_lt_minus100_mm"]
    assert width.difference.u == pytest.approx(np.hypot(OWN_U_MM, SHARED_U_MM) * np.sqrt(2))


def test_a_monte_carlo_of_both_parts_gives_the_same_uncertainty(make_profile: MakeProfile) -> None:
    """Edges drawn at random: an own error a width and side, one shared error for both sides."""
    right = _make_femur(make_profile, Side.RIGHT, shared_u_mm=SHARED_U_MM)
    left = _make_femur(make_profile, Side.LEFT, widen_mm=1.0, shared_u_mm=SHARED_U_MM)
    found = _by_column(compare_sides(right, left))["cti_ml_lt_minus100"]
    random = np.random.default_rng(3)
    n = 200_000
    cause = SHARED_U_MM * random.normal(size=n)

    def draw(canal_mm: float) -> np.ndarray:
        outer = 30.0 + cause + OWN_U_MM * random.normal(size=n)
        canal = canal_mm - cause + OWN_U_MM * random.normal(size=n)
        return np.asarray((outer - canal) / outer)

    spread = float((draw(13.0) - draw(12.0)).std())
    # The spread of 200,000 draws is known to 0.16 %, and the second order adds less than 1 %.
    assert found.difference.u == pytest.approx(spread, rel=0.02)


def test_swapped_sides_change_every_sign_and_nothing_else(make_profile: MakeProfile) -> None:
    one = _make_femur(make_profile, Side.RIGHT, shared_u_mm=0.02)
    other = _make_femur(make_profile, Side.LEFT, widen_mm=0.7, shared_u_mm=0.05)
    there, back = compare_sides(one, other), compare_sides(other, one)
    assert len(there) == len(back) > 20
    for a, b in zip(there, back, strict=True):
        assert (a.column, a.right, a.left) == (b.column, b.left, b.right)
        assert a.difference.value == -(b.difference.value or 0.0)
        assert a.difference.u == b.difference.u
        assert a.is_notable is b.is_notable


def test_places_in_the_scan_are_not_compared_and_all_else_is(make_profile: MakeProfile) -> None:
    measured = {column.name for column in FEMUR_COLUMNS if column.measured}
    assert measured >= NOT_COMPARED
    femora = [_make_femur(make_profile, side) for side in Side]
    known = {name for name, value in femora[0].indices.values.items() if value.known}
    assert set(_by_column(compare_sides(femora[1], femora[0]))) == known - NOT_COMPARED


@pytest.mark.parametrize(("deviation", "cautioned"), [(2.99, False), (3.01, True), (-3.01, True)])
def test_three_uncertainties_are_the_bound(deviation: float, cautioned: bool) -> None:
    some = Measurement(value=1.0, u=0.1)
    found = SideDifference(
        column="cfi_ml",
        unit="1",
        right=some,
        left=some,
        difference=Measurement(value=0.2 * deviation, u=0.2),
    )
    assert found.is_notable is cautioned
    cautions = caution_about_sides([found])
    assert bool(cautions) is cautioned
    if cautioned:
        assert "1 of 1 numbers" in cautions[0]
