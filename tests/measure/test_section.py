"""One section against closed forms; what rests on a gap is left out, never a number."""

import numpy as np
import pytest

from canalmorph.measure.section import QUARTERS, measure_outline, measure_walls

N_RAYS = 180
ANGLES = 2 * np.pi * np.arange(N_RAYS) / N_RAYS
U = np.full(N_RAYS, 0.05)
#: A polygon of 180 points lies inside its ellipse by up to 1 - cos(1 degree) of the radius.
SAG = 1 - np.cos(np.pi / N_RAYS)


def make_ellipse(
    a: float, b: float, *, centre: tuple[float, float] = (0.0, 0.0), turn_deg: float = 0.0
) -> np.ndarray:
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    return np.array(centre) + np.stack([a * np.cos(ANGLES), b * np.sin(ANGLES)], axis=1) @ turn.T


def measure(outline: np.ndarray, limit_mm: float = np.inf, prefix: str = "canal") -> dict:
    return measure_outline(outline, U, medial_limit_mm=limit_mm, prefix=prefix)[0]


@pytest.mark.parametrize("turn_deg", [0.0, 20.0, 45.0, 90.0, 130.0])
@pytest.mark.parametrize(("a", "b"), [(7.0, 6.0), (15.0, 14.0), (20.0, 11.0)])
def test_an_ellipse_gives_its_closed_form(a: float, b: float, turn_deg: float) -> None:
    values = measure(make_ellipse(a, b, centre=(4.0, -9.0), turn_deg=turn_deg))
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    low, small = 2 * a * SAG + 1e-9, min(a, b)
    assert values["canal_ml_mm"] == pytest.approx(2 * np.hypot(a * c, b * s), abs=low)
    assert values["canal_ap_mm"] == pytest.approx(2 * np.hypot(a * s, b * c), abs=low)
    # Calipers in steps of 2 degrees miss the extremes by up to 1 degree of turn.
    turned = 2 * (a - b) * np.sin(np.radians(1.0)) ** 2 * (a + b) / small
    assert values["canal_max_mm"] == pytest.approx(2 * a, abs=low + turned)
    assert values["canal_min_mm"] == pytest.approx(2 * b, abs=low + turned)
    assert values["canal_inscribed_mm"] == pytest.approx(2 * b, abs=2 * b * SAG + 0.004)
    area = N_RAYS / 2 * np.sin(2 * np.pi / N_RAYS) * a * b
    assert values["canal_area_mm2"] == pytest.approx(area)
    assert values["canal_equivalent_mm"] == pytest.approx(2 * np.sqrt(area / np.pi))


def test_measures_are_in_order() -> None:
    rng = np.random.default_rng(9)
    for _ in range(10):
        lobes = 1 + sum(
            rng.normal(0, 0.04) * np.cos(n * ANGLES + rng.uniform(0, 6)) for n in range(2, 6)
        )
        outline = 9.0 * lobes[:, None] * np.stack([np.cos(ANGLES), np.sin(ANGLES)], axis=1)
        values = measure(outline)
        assert (
            values["canal_inscribed_mm"]
            <= values["canal_equivalent_mm"]
            <= values["canal_max_mm"] + 1e-9
        )
        assert values["canal_inscribed_mm"] <= values["canal_min_mm"] + 1e-9
        for axis in ("ml", "ap"):
            width = values[f"canal_{axis}_mm"]
            assert values["canal_min_mm"] <= width + 1e-9
            assert width <= values["canal_max_mm"] + 0.02  # directions of 2 degrees


def test_outer_has_no_inscribed_circle() -> None:
    assert "outer_inscribed_mm" not in measure(make_ellipse(14, 13), prefix="outer")


def test_uncertainty_of_a_caliper_is_that_of_its_two_jaws() -> None:
    u = np.where(np.cos(ANGLES) > 0, 0.06, 0.08)
    _, us, _ = measure_outline(make_ellipse(14, 13), u, medial_limit_mm=np.inf, prefix="outer")
    # Between points 2 degrees apart the ellipse rises by 0.002 mm, which counts as well.
    assert us["outer_ml_mm"] == pytest.approx(np.hypot(0.06, 0.08), rel=1e-3)
    doubled = measure_outline(make_ellipse(14, 13), 2 * u, medial_limit_mm=np.inf, prefix="outer")
    for name, value in us.items():
        assert doubled[1][name] == pytest.approx(2 * value, rel=1e-3), name


@pytest.mark.parametrize("limit_mm", [13.9, 8.0, 0.0, -5.0])
def test_the_heads_line_ends_the_section(limit_mm: float) -> None:
    values = measure(make_ellipse(14.0, 10.0), limit_mm)
    assert values["canal_ml_mm"] == pytest.approx(limit_mm + 14.0)
    half = np.arccos(limit_mm / 14.0)
    # What is defined by no line of the head is blank, not that of what the line leaves.
    assert set(values) == {"canal_ml_mm", "canal_ap_mm"}
    # AP is that of what is left: the widest place is cut off where the line lies laterally.
    height = 10.0 if limit_mm >= 0 else 10.0 * np.sin(half)
    # Its jaws rest on points 2 degrees apart, so up to b cos(half) 2 degrees lower on each side.
    slack = 2 * 10.0 * abs(np.cos(half)) * np.radians(2.0) if limit_mm < 0 else 0.01
    assert 2 * height - slack <= values["canal_ap_mm"] <= 2 * height + 1e-9


def test_the_width_is_continuous_as_the_line_sweeps_in() -> None:
    outline = make_ellipse(14.0, 10.0)
    limits = np.linspace(15.0, -10.0, 501)
    found = [measure(outline, float(limit)) for limit in limits]
    widths = np.array([values["canal_ml_mm"] for values in found])
    step = limits[0] - limits[1]
    # A caliper follows the line, at most 1 : 1.
    assert np.abs(np.diff(widths)).max() < step + 1e-6
    assert widths[0] == pytest.approx(28.0)


def test_the_heads_line_brings_its_uncertainty() -> None:
    outline = make_ellipse(14.0, 10.0)
    _, free, _ = measure_outline(outline, U, medial_limit_mm=20.0, prefix="canal")
    _, cut, _ = measure_outline(
        outline, U, medial_limit_mm=8.0, medial_limit_u_mm=0.4, prefix="canal"
    )
    # Between points 2 degrees apart the ellipse rises by 0.002 mm, which counts as well.
    assert free["canal_ml_mm"] == pytest.approx(0.05 * np.sqrt(2), rel=2e-3)
    assert cut["canal_ml_mm"] == pytest.approx(np.hypot(0.05, 0.4), rel=2e-3)


def test_what_may_rise_between_points_is_uncertain() -> None:
    # Sides of a hexagon inscribed in a circle of radius R turn by 60 degrees: the circle rises
    # over them by R (1 - cos 30), and an eighth of side times turn is that within 3 %.
    corners = np.radians(np.arange(0.0, 360.0, 60.0))
    hexagon = 10.0 * np.stack([np.cos(corners), np.sin(corners)], axis=1)
    values, us, _ = measure_outline(
        hexagon, np.full(6, 1e-6), medial_limit_mm=np.inf, prefix="canal"
    )
    assert values["canal_ml_mm"] == pytest.approx(20.0)
    rise = 10.0 * (1 - np.cos(np.radians(30.0)))
    assert us["canal_ml_mm"] == pytest.approx(np.sqrt(2) * rise, rel=0.03)
    assert us["canal_max_mm"] == pytest.approx(us["canal_ml_mm"])


@pytest.mark.parametrize("beside", [0, 2, -2])
def test_a_jaw_beside_a_gap_gives_no_width(beside: int) -> None:
    outline = make_ellipse(14.0, 13.0)
    outline[45 + beside] = np.nan  # posterior jaw at 90 degrees
    values = measure(outline)
    assert "canal_ap_mm" not in values
    assert values["canal_ml_mm"] == pytest.approx(28.0)


def test_a_gap_far_from_the_jaws_costs_the_area_alone() -> None:
    outline = make_ellipse(14.0, 13.0)
    outline[15:30] = np.nan  # 30 degrees
    values = measure(outline)
    assert values["canal_ml_mm"] == pytest.approx(28.0)
    assert values["canal_ap_mm"] == pytest.approx(26.0)
    assert set(values) == {"canal_ml_mm", "canal_ap_mm"}


def test_a_gap_beyond_the_heads_line_costs_nothing() -> None:
    """The canal opens into the neck: its outline there is of no interest."""
    outline = make_ellipse(14.0, 13.0)
    outline[-10:] = np.nan
    outline[:11] = np.nan
    assert "canal_ml_mm" not in measure(outline)
    values = measure(outline, 9.0)
    assert values["canal_ml_mm"] == pytest.approx(23.0)
    assert "canal_ap_mm" in values


def test_half_an_outline_gives_nothing() -> None:
    outline = make_ellipse(14.0, 13.0)
    outline[: N_RAYS // 2 + 1] = np.nan
    assert measure(outline) == {}
    assert measure(np.full((N_RAYS, 2), np.nan)) == {}


def test_walls_of_a_ring() -> None:
    values, us, _ = measure_walls(make_ellipse(14, 14), make_ellipse(6, 6), U, U)
    for name in (*QUARTERS, "min", "mean"):
        assert values[f"cortex_{name}_mm"] == pytest.approx(8.0, abs=14 * SAG + 1e-9)
        assert 0 < us[f"cortex_{name}_mm"] < 0.1


@pytest.mark.parametrize("towards", QUARTERS)
def test_an_eccentric_canal_thins_the_wall_on_its_side(towards: str) -> None:
    direction = {"medial": 0, "posterior": 90, "lateral": 180, "anterior": 270}[towards]
    shift = 3.0 * np.array([np.cos(np.radians(direction)), np.sin(np.radians(direction))])
    values, _, _ = measure_walls(make_ellipse(14, 14), make_ellipse(6, 6, centre=shift), U, U)
    # Distance of a canal point to the outer circle: 14 - |3 + 6 e|; its mean over the quarter.
    phi = np.radians(np.linspace(-45, 45, 2001))
    arms = np.hypot(3 + 6 * np.cos(phi), 6 * np.sin(phi))
    assert values[f"cortex_{towards}_mm"] == pytest.approx(14 - arms.mean(), abs=0.02)
    assert values["cortex_min_mm"] == pytest.approx(5.0, abs=14 * SAG + 1e-9)
    other = {name: values[f"cortex_{name}_mm"] for name in QUARTERS}
    assert min(other, key=other.__getitem__) == towards
    # The mean weighs by length of canal: over the whole circle.
    whole = np.hypot(3 + 6 * np.cos(ANGLES), 6 * np.sin(ANGLES))
    assert values["cortex_mean_mm"] == pytest.approx(14 - whole.mean(), abs=0.02)


@pytest.mark.parametrize(
    ("gap", "lost"),
    [
        (slice(23, 68), {"posterior"}),  # 46 to 134 degrees
        (slice(40, 52), {"posterior"}),  # 80 to 102 degrees, the rest of the quarter is known
        (slice(55, 80), {"posterior", "lateral"}),  # 110 to 158 degrees
        (slice(83, 97), {"lateral"}),  # 166 to 194 degrees, where angles jump by 360
    ],
)
@pytest.mark.parametrize("way", [1, -1], ids=["right", "left"])
def test_walls_leave_out_a_quarter_with_a_gap(gap: slice, lost: set[str], way: int) -> None:
    canal = make_ellipse(6, 6)
    canal[gap] = np.nan
    values, _, _ = measure_walls(make_ellipse(14, 14)[::way], canal[::way], U, U)
    assert {name for name in QUARTERS if f"cortex_{name}_mm" not in values} == lost
    assert "cortex_min_mm" not in values  # the thinnest place may lie there
    assert "cortex_mean_mm" not in values
    assert values["cortex_medial_mm"] == pytest.approx(8.0, abs=0.05)


def test_walls_bridge_single_points() -> None:
    canal = make_ellipse(6, 6)
    canal[45:48] = np.nan
    values, _, _ = measure_walls(make_ellipse(14, 14), canal, U, U)
    assert values["cortex_posterior_mm"] == pytest.approx(8.0, abs=0.05)


def test_walls_need_the_whole_outer_outline() -> None:
    outer = make_ellipse(14, 14)
    outer[:12] = np.nan  # a distance to the nearest known point would be too long
    assert measure_walls(outer, make_ellipse(6, 6), U, U)[0] == {}
