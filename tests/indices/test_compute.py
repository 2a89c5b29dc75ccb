"""Widths, ratios, their uncertainty, and why a column is blank."""

from collections.abc import Callable

import numpy as np
import pytest

from canalmorph.flags import Quality
from canalmorph.indices.compute import compute_indices
from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.results import CanalIndices, CanalProfile, Measurement

Make = Callable[..., CanalProfile]
MEASURED = {column.name for column in FEMUR_COLUMNS if column.measured}
ISTHMUS_MM = -112.5


def canal_ml(level: np.ndarray) -> np.ndarray:
    return 12.0 + 1.2e-3 * (level - ISTHMUS_MM) ** 2


def canal_ap(level: np.ndarray) -> np.ndarray:
    return 13.0 + 0.8e-3 * (level - ISTHMUS_MM) ** 2


def outer_ml(level: np.ndarray) -> np.ndarray:
    return 31.0 + 0.9e-3 * (level - ISTHMUS_MM) ** 2


def outer_ap(level: np.ndarray) -> np.ndarray:
    return 29.0 + 0.7e-3 * (level - ISTHMUS_MM) ** 2


WIDTHS = {
    "canal_ml": canal_ml,
    "canal_ap": canal_ap,
    "outer_ml": outer_ml,
    "outer_ap": outer_ap,
}


def value(indices: CanalIndices, name: str) -> float:
    found = indices.values[name].value
    assert found is not None, name
    return found


@pytest.fixture
def profile(make_profile: Make) -> CanalProfile:
    return make_profile(**WIDTHS)


def test_every_measured_column_is_there_and_blank_ones_have_their_reason(
    profile: CanalProfile,
) -> None:
    indices = compute_indices(profile)
    assert set(indices.values) == MEASURED
    blank = {name for name, found in indices.values.items() if not found.known}
    assert set(indices.reasons) == blank - {"cfi_ml_lower_bound"}
    for name, found in indices.values.items():
        assert found.known is (found.u is not None), name
        assert not found.known or (np.isfinite(found.value) and found.u > 0), name


def test_widths_at_named_levels(profile: CanalProfile) -> None:
    indices = compute_indices(profile)
    for name, level in NAMED_LEVELS_MM.items():
        for column, width in WIDTHS.items():
            assert value(indices, f"{column}_{name}_mm") == pytest.approx(width(level))


def test_widths_between_sections_are_interpolated(make_profile: Make) -> None:
    def line(level: np.ndarray) -> np.ndarray:
        return 20.0 + 0.11 * level

    indices = compute_indices(
        make_profile(canal_ml=line, outer_ml=lambda z: 40.0 + 0.05 * z, step_mm=1.7)
    )
    for name, level in NAMED_LEVELS_MM.items():
        assert value(indices, f"canal_ml_{name}_mm") == pytest.approx(20.0 + 0.11 * level)


def test_indices_follow_their_definitions(profile: CanalProfile) -> None:
    indices = compute_indices(profile)
    at = {name: fn(np.array(ISTHMUS_MM)) for name, fn in WIDTHS.items()}
    c, o = canal_ml, outer_ml
    expected = {
        "isthmus_level_mm": ISTHMUS_MM,
        "isthmus_canal_ml_mm": 12.0,
        "isthmus_canal_inscribed_mm": 12.0,
        "isthmus_inscribed_level_mm": ISTHMUS_MM,
        "cfi_ml": c(20.0) / 12.0,
        "mcfi_ml": c(20.0) / c(-20.0),
        "dcfi_ml": c(-20.0) / 12.0,
        "cti_ml_lt_minus100": (o(-100.0) - c(-100.0)) / o(-100.0),
        "cti_ap_lt_minus100": 1 - canal_ap(-100.0) / outer_ap(-100.0),
        "cbr_ml_lt_minus100": c(-100.0) / o(-100.0),
        "canal_ratio_isthmus_over_lt_ml": 12.0 / c(0.0),
        "canal_ratio_lt_minus100_over_lt_minus30_ml": c(-100.0) / c(-30.0),
        "mci_ml": o(0.0) / c(-70.0),
    }
    for name, number in expected.items():
        assert value(indices, name) == pytest.approx(float(number), abs=1e-9), name
    # The isthmus lies between sections: what is read there beside its own width is interpolated
    # linearly, 0.5 mm from both, which misses a curvature of 2.4e-3 by 3e-4.
    for name, number in {
        "isthmus_canal_ap_mm": at["canal_ap"],
        "isthmus_outer_ml_mm": at["outer_ml"],
        "isthmus_outer_ap_mm": at["outer_ap"],
        "cfi_ap": canal_ap(20.0) / at["canal_ap"],
        "cti_ml_isthmus": 1 - 12.0 / at["outer_ml"],
        "cortical_area_fraction_isthmus": 1 - 12.0 * 13.0 / (31.0 * 29.0),
    }.items():
        assert value(indices, name) == pytest.approx(float(number), abs=5e-4), name


def test_canal_volume_of_a_cone(make_profile: Make) -> None:
    """A cone from level 0 to its waist: pi h (d1^2 + d1 d2 + d2^2) / 12."""

    def hourglass(level: np.ndarray) -> np.ndarray:
        return 11.0 + 0.1 * np.abs(level + 110.0)

    indices = compute_indices(make_profile(canal_ml=hourglass, outer_ml=lambda z: 40.0 + 0 * z))
    top = 11.0 + 11.0
    exact = np.pi * 110.0 / 12 * (top**2 + top * 11.0 + 11.0**2)
    # The waist is a corner, which the parabola rounds off by 4 mm at most; the trapezium rule
    # adds slope^2 h^2 / 12 a section.
    assert value(indices, "canal_volume_lt_isthmus_mm3") == pytest.approx(exact, rel=2e-3)
    assert indices.values["canal_volume_lt_isthmus_mm3"].u > 0


def test_facts_pass_through(make_profile: Make) -> None:
    fact = Measurement(value=126.0, u=1.1)
    indices = compute_indices(make_profile(**WIDTHS, facts={"neck_shaft_angle_deg": fact}))
    assert indices.values["neck_shaft_angle_deg"] == fact
    assert "neck_shaft_angle_deg" not in indices.reasons


@pytest.mark.parametrize("level_u_mm", [0.0, 0.3, 1.5])
@pytest.mark.parametrize("u_mm", [0.02, 0.25])
def test_first_order_uncertainty_is_that_of_drawn_errors(
    make_profile: Make, u_mm: float, level_u_mm: float
) -> None:
    """Level 0 and every edge are drawn anew; one error of the level moves all named levels."""

    def canal(level: np.ndarray) -> np.ndarray:
        # The cone goes over into the isthmus at LT-85 without a step.
        bowl = 12.0 + 2.1 * ((level + 113.0) / 28.0) ** 2
        return np.where(level > -85.0, 26.0 + 0.14 * level, bowl)

    def outer(level: np.ndarray) -> np.ndarray:
        return 38.0 + 0.05 * level

    indices = compute_indices(
        make_profile(canal_ml=canal, outer_ml=outer, u_mm=u_mm, level_u_mm=level_u_mm)
    )
    rng = np.random.default_rng(12)
    n = 200_000
    shift = rng.normal(0, level_u_mm, n)

    def draw(line: tuple[float, float], level: float) -> np.ndarray:
        return line[0] + line[1] * (level + shift) + rng.normal(0, u_mm, n)

    cone, shaft = (26.0, 0.14), (38.0, 0.05)
    flare, low, calcar = draw(cone, 20.0), draw(cone, -20.0), draw(cone, -30.0)
    isthmus = 12.0 + rng.normal(0, u_mm, n)
    drawn = {
        "canal_ml_lt_plus20_mm": flare,
        "cfi_ml": flare / isthmus,
        "mcfi_ml": flare / low,
        "dcfi_ml": low / isthmus,
        "mci_ml": draw(shaft, 0.0) / draw(cone, -70.0),
        "canal_ml_lt_minus30_mm": calcar,
        "canal_ratio_isthmus_over_lt_ml": isthmus / draw(cone, 0.0),
    }
    for name, values in drawn.items():
        # 200,000 draws know a standard deviation to 0.2 %; of second order is left the square of
        # relative errors up to 2 %.
        assert indices.values[name].u == pytest.approx(values.std(), rel=0.01), name


def test_a_shared_error_of_the_level_cancels_in_a_ratio(make_profile: Make) -> None:
    """Two widths of one cone through its apex keep their ratio wherever level 0 lies."""
    indices = compute_indices(
        make_profile(
            canal_ml=lambda z: 0.1 * (z + 300.0),
            outer_ml=lambda z: 0.2 * (z + 300.0),
            u_mm=1e-6,
            level_u_mm=2.0,
        )
    )
    assert indices.values["canal_ml_lt_minus100_mm"].u == pytest.approx(0.2, rel=1e-3)
    assert indices.values["cbr_ml_lt_minus100"].u < 1e-6
    assert indices.values["cti_ml_lt_minus100"].u < 1e-6


def test_without_the_isthmus_there_is_a_lower_bound_and_nothing_that_needs_it(
    make_profile: Make,
) -> None:
    profile = make_profile(**WIDTHS, lowest_mm=-105.0, isthmus_in_view=False)
    indices = compute_indices(profile)
    blank = {name for name, found in indices.values.items() if not found.known}
    for name in (
        "cfi_ml",
        "cfi_ap",
        "dcfi_ml",
        "cti_ml_isthmus",
        "isthmus_level_mm",
        "isthmus_canal_ml_mm",
        "isthmus_canal_inscribed_mm",
        "canal_ratio_isthmus_over_lt_ml",
        "cortical_area_fraction_isthmus",
        "canal_volume_lt_isthmus_mm3",
    ):
        assert name in blank
        assert "isthmus" in indices.reasons[name], name
    bound = value(indices, "cfi_ml_lower_bound")
    # Its divisor is the narrowest canal in view, never narrower: a bound on the safe side.
    assert bound == pytest.approx(canal_ml(20.0) / canal_ml(-105.0), rel=1e-6)
    assert bound < canal_ml(20.0) / 12.0
    assert value(indices, "mcfi_ml") > 1
    assert value(indices, "cti_ml_lt_minus100") > 0


def test_a_narrowing_cone_has_no_bound_above_what_was_seen(make_profile: Make) -> None:
    profile = make_profile(
        canal_ml=lambda z: 22.0 + 0.1 * z,
        outer_ml=lambda z: 36.0 + 0 * z,
        lowest_mm=-90.0,
        isthmus_in_view=False,
    )
    bound = value(compute_indices(profile), "cfi_ml_lower_bound")
    assert bound == pytest.approx(24.0 / 13.0, rel=1e-9)


@pytest.mark.parametrize(
    ("lowest_mm", "name", "words"),
    [
        (-85.0, "canal_ml_lt_minus100_mm", "-85 mm from the lesser trochanter; -100 mm is needed"),
        (-85.0, "cti_ml_lt_minus100", "-100 mm is needed"),
        (-85.0, "canal_ratio_lt_minus100_over_lt_minus30_ml", "-100 mm is needed"),
        (-60.0, "mci_ml", "LT-70"),
        (-60.0, "outer_ap_lt_minus70_mm", "-70 mm is needed"),
        (-36.0, "cfi_ml_lower_bound", "below LT-40"),
        (-180.0, "neck_shaft_angle_deg", "head of the femur is not in view"),
        (-180.0, "trochanter_tip_z_mm", "head of the femur is not in view"),
        (-180.0, "cortex_hu", "thick enough"),
    ],
)
def test_reasons_name_what_is_missing(
    make_profile: Make, lowest_mm: float, name: str, words: str
) -> None:
    profile = make_profile(**WIDTHS, lowest_mm=lowest_mm, isthmus_in_view=lowest_mm < -150.0)
    indices = compute_indices(profile)
    assert not indices.values[name].known
    assert words in indices.reasons[name]
    assert indices.reasons[name].endswith(".")


def test_a_gap_at_a_level_is_blank_and_says_so(profile: CanalProfile) -> None:
    near = np.abs(profile.levels_mm - 20.0) < 2.5
    profile.columns["canal_ml_mm"][near] = np.nan
    indices = compute_indices(profile)
    for name in ("canal_ml_lt_plus20_mm", "cfi_ml", "mcfi_ml"):
        assert not indices.values[name].known
        assert "outline could not be followed" in indices.reasons[name]
    assert indices.values["dcfi_ml"].known
    assert indices.values["cfi_ap"].known


@pytest.mark.parametrize(
    ("level_mm", "names"),
    [
        (20.0, ("cfi_ml", "cfi_ap", "mcfi_ml", "canal_ml_lt_plus20_mm")),
        (-20.0, ("dcfi_ml", "mcfi_ml", "canal_ml_lt_minus20_mm")),
        (-70.0, ("mci_ml",)),
    ],
)
def test_what_needs_a_level_where_slices_are_missing_says_so(
    profile: CanalProfile, level_mm: float, names: tuple[str, ...]
) -> None:
    gap = np.abs(profile.levels_mm - level_mm) < 3.0
    profile.quality[gap] = int(Quality.MISSING_SLICES)
    for column in profile.columns.values():
        column[gap] = np.nan
    indices = compute_indices(profile)
    for name in names:
        assert indices.reasons[name] == "Slices are missing at a level that it needs.", name


def test_one_missing_section_is_bridged_by_its_neighbours(profile: CanalProfile) -> None:
    profile.columns["canal_ml_mm"][profile.levels_mm == 20.0] = np.nan
    found = value(compute_indices(profile), "canal_ml_lt_plus20_mm")
    # Between LT+21 and LT+19, which misses the curvature by 1.2e-3 mm.
    assert found == pytest.approx(canal_ml(20.0), abs=2e-3)


def test_no_width_from_beyond_the_ends(profile: CanalProfile) -> None:
    """An interpolation needs a section on both sides."""
    profile.columns["canal_ml_mm"][profile.levels_mm > 19.5] = np.nan
    assert not compute_indices(profile).values["canal_ml_lt_plus20_mm"].known


def test_a_gap_in_the_canal_leaves_its_volume_blank(profile: CanalProfile) -> None:
    profile.columns["canal_area_mm2"][profile.levels_mm == -50.0] = np.nan
    indices = compute_indices(profile)
    assert not indices.values["canal_volume_lt_isthmus_mm3"].known
    assert "canal_volume_lt_isthmus_mm3" in indices.reasons
