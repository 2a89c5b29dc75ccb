"""A whole profile against closed forms, on femora that were never imaged."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.flags import Quality
from canalmorph.measure.canal import measure_canal
from canalmorph.measure.settings import MeasureSettings
from canalmorph.measure.stack import HEAD_JOIN_U_MM, HEAD_NEAR_MM
from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.femur import AlignedFemur, HeadSphere, NeckAxis, Side
from canalmorph.model.results import CanalProfile

Make = Callable[..., AlignedFemur]
SAG = 1 - np.cos(np.pi / 180)


def outer_cone(level: float) -> tuple[float, float, float, float]:
    return 0.0, 0.0, 15.0 + 0.03 * level, 14.0 + 0.02 * level


def canal_cone(level: float) -> tuple[float, float, float, float]:
    return 0.5, -0.3, 9.0 + 0.02 * level, 8.0 + 0.015 * level


def measure_briefly(aligned: AlignedFemur, settings: MeasureSettings) -> CanalProfile:
    """Return the profile without the widest rods, which take most of the time and follow it."""
    return measure_canal(aligned, settings, brief=True)


def at(profile: CanalProfile, column: str, level_mm: float) -> float:
    row = int(np.argmin(np.abs(profile.levels_mm - level_mm)))
    assert profile.levels_mm[row] == pytest.approx(level_mm)
    return float(profile.columns[column][row])


@pytest.mark.parametrize("side", list(Side))
def test_cones_give_their_widths_at_every_level(make_aligned: Make, side: Side) -> None:
    profile = measure_canal(make_aligned(outer_cone, canal_cone, side=side), MeasureSettings())
    assert profile.side is side
    levels = profile.levels_mm
    assert (np.diff(levels) < 0).all()
    assert levels[0] == 40.0
    assert levels[-1] == -180.0
    for column, slope, width in (
        ("outer_ml_mm", 0.06, 30.0),
        ("outer_ap_mm", 0.04, 28.0),
        ("canal_ml_mm", 0.04, 18.0),
        ("canal_ap_mm", 0.03, 16.0),
    ):
        # Generators of a cone are straight, and points lie on the calipers' jaws: exact. The
        # lowest and the highest ring may round to either side of their level.
        exact = width + slope * levels
        assert profile.columns[column][1:-1] == pytest.approx(exact[1:-1], abs=1e-9), column
        assert np.isfinite(profile.uncertainties[column][1:-1]).all()
    area = np.pi * (9.0 + 0.02 * levels) * (8.0 + 0.015 * levels)
    assert profile.columns["canal_area_mm2"][1:-1] == pytest.approx(area[1:-1], rel=3e-4)
    assert not profile.quality[1:-1].any()
    assert profile.warnings == ("head_not_in_view",)


@pytest.mark.parametrize("step_mm", [pytest.param(0.5, marks=pytest.mark.slow), 1.0, 1.5, 2.0])
def test_named_levels_are_always_among_them(make_aligned: Make, step_mm: float) -> None:
    profile = measure_briefly(
        make_aligned(outer_cone, canal_cone), MeasureSettings(level_step_mm=step_mm)
    )
    for level in NAMED_LEVELS_MM.values():
        assert np.abs(profile.levels_mm - level).min() < 1e-9
        assert at(profile, "outer_ml_mm", level) == pytest.approx(30.0 + 0.06 * level)
    assert np.diff(profile.levels_mm[::-1]).max() <= step_mm + 1e-9


def test_levels_end_with_the_shaft_in_view(make_aligned: Make) -> None:
    profile = measure_briefly(
        make_aligned(outer_cone, canal_cone, lowest_mm=-62.0), MeasureSettings()
    )
    assert profile.levels_mm.min() == pytest.approx(-62.0)
    assert np.isfinite(profile.columns["canal_ml_mm"][:-1]).all()


def test_walls_by_quarter(make_aligned: Make) -> None:
    """The canal lies 1 mm to the front: the posterior wall is the thickest."""
    aligned = make_aligned(lambda z: (0, 0, 14, 14), lambda z: (0, -1.0, 7, 7))
    profile = measure_briefly(aligned, MeasureSettings())
    found = {name: at(profile, f"cortex_{name}_mm", -60.0) for name in ("anterior", "posterior")}
    phi = np.radians(np.linspace(-45, 45, 2001))
    for name, sign in (("anterior", 1.0), ("posterior", -1.0)):
        arms = np.hypot(sign + 7 * np.cos(phi), 7 * np.sin(phi))
        assert found[name] == pytest.approx(14 - arms.mean(), abs=0.02)
    assert at(profile, "cortex_medial_mm", -60.0) == pytest.approx(
        at(profile, "cortex_lateral_mm", -60.0), abs=1e-6
    )
    assert at(profile, "cortex_min_mm", -60.0) == pytest.approx(6.0, abs=14 * SAG + 1e-9)


@pytest.mark.parametrize("side", [Side.RIGHT, pytest.param(Side.LEFT, marks=pytest.mark.slow)])
def test_the_head_ends_widths_continuously(
    make_aligned: Make, make_head: Callable[..., HeadSphere], side: Side
) -> None:
    """A section that grows into the neck: the head's circle is met from 23 mm below its centre."""

    def wide(level: float) -> tuple[float, float, float, float]:
        a = 15.0 + 0.8 * max(level, 0.0)
        return a - 15.0, 0.0, a, 14.0

    def canal(level: float) -> tuple[float, float, float, float]:
        cx, cy, a, b = wide(level)
        return cx, cy, a - 2.0, b - 2.0

    head = make_head(40.0, 38.0, 23.0, side=side)
    profile = measure_briefly(
        make_aligned(wide, canal, side=side, head=head), MeasureSettings(level_step_mm=0.5)
    )
    levels = profile.levels_mm
    reach = 23.0**2 - (38.0 - levels) ** 2
    met = reach > 0
    line = np.where(met, 40.0 - np.sqrt(np.maximum(reach, 0.0)), np.inf)
    medial = 2 * np.array([wide(float(level))[2] for level in levels]) - 15.0
    expected = np.minimum(line, medial) + 15.0
    inner = slice(1, -1)
    assert profile.columns["outer_ml_mm"][inner] == pytest.approx(expected[inner], abs=1e-6)
    head_bit = (profile.quality & int(Quality.HEAD_IN_SECTION)) != 0
    # Within 1 mm of the head's pole the outlines of head and neck may run together: flagged too.
    near = np.abs(38.0 - levels) < 23.0 + HEAD_NEAR_MM
    assert np.array_equal(head_bit[inner], near[inner])
    assert near[medial > line].all()
    assert (profile.uncertainties["outer_ml_mm"][near][1:] > 0.9 * HEAD_JOIN_U_MM).all()
    assert head_bit.any()
    assert not head_bit[levels < 10.0].any()
    # A wall with its medial part cut away is no wall: blank, not thinner.
    assert np.isnan(profile.columns["cortex_mean_mm"][head_bit]).all()
    assert "head_at_lt20" in profile.warnings


def test_facts_of_head_and_neck(make_aligned: Make, make_head: Callable[..., HeadSphere]) -> None:
    for side in Side:
        head = make_head(41.0, 52.0, 23.5, side=side)
        plain = make_aligned(outer_cone, canal_cone, side=side)
        slope = np.radians(180.0 - 127.0)
        neck = NeckAxis(
            centre_lps_mm=np.zeros(3),
            direction=np.sin(slope) * plain.frame.medial + np.cos(slope) * plain.frame.proximal,
            direction_u_deg=1.0,
        )
        profile = measure_briefly(
            make_aligned(outer_cone, canal_cone, side=side, head=head, neck=neck),
            MeasureSettings(),
        )
        facts = {name: fact.value for name, fact in profile.facts.items()}
        assert facts["neck_shaft_angle_deg"] == pytest.approx(127.0)
        assert facts["femoral_offset_mm"] == pytest.approx(np.hypot(41.0, 2.0))
        assert facts["head_diameter_mm"] == pytest.approx(47.0)
        assert facts["head_x_mm"] == pytest.approx(head.centre_lps_mm[0])
        assert facts["cortex_hu"] == pytest.approx(1600.0)
        assert all(fact.u > 0 for fact in profile.facts.values())


def test_without_head_and_neck_there_are_no_such_facts(make_aligned: Make) -> None:
    facts = measure_briefly(make_aligned(outer_cone, canal_cone), MeasureSettings()).facts
    assert not {name for name in facts if name.startswith(("head", "neck", "femoral"))}


@pytest.mark.parametrize(
    "radius_mm", [700.0, *(pytest.param(r, marks=pytest.mark.slow) for r in (943.0, 1200.0))]
)
def test_bow_of_a_bent_canal(make_aligned: Make, radius_mm: float) -> None:
    """Canal centres on a circle in the AP plane; published radii run from 760 to 943 mm."""

    def bent(level: float) -> tuple[float, float, float, float]:
        return 0.0, radius_mm - np.sqrt(radius_mm**2 - (level + 100.0) ** 2), 7.0, 7.0

    profile = measure_briefly(make_aligned(outer_cone, bent, lowest_mm=-220.0), MeasureSettings())
    bow = profile.facts["bow_radius_mm"]
    # A least-squares parabola read by the sagitta's formula is within 0.1 % of the circle.
    assert bow.value == pytest.approx(radius_mm, rel=1e-3)
    assert 0 < bow.u < 0.1 * radius_mm
    short = measure_briefly(make_aligned(outer_cone, bent, lowest_mm=-140.0), MeasureSettings())
    assert "bow_radius_mm" not in short.facts


@pytest.mark.parametrize("tilt_deg", [0.0, pytest.param(2.0, marks=pytest.mark.slow), 6.0])
def test_tilt_of_the_canal_against_the_axis(make_aligned: Make, tilt_deg: float) -> None:
    slope = np.tan(np.radians(tilt_deg))
    profile = measure_briefly(
        make_aligned(outer_cone, lambda z: (0.0, slope * (z + 80.0), 6.0, 6.0)),
        MeasureSettings(level_step_mm=1.0),
    )
    tilts = profile.columns["axis_tilt_deg"]
    assert tilts[np.isfinite(tilts)] == pytest.approx(tilt_deg, abs=1e-4)
    assert np.isfinite(tilts).sum() > 190


@pytest.mark.parametrize("step_mm", [pytest.param(0.5, marks=pytest.mark.slow), 1.0, 2.0])
def test_tilt_is_over_millimetres_not_sections(make_aligned: Make, step_mm: float) -> None:
    """A canal with a kink at LT-80: 5 mm below it, 15 of the 20 mm around lie on the slope."""
    aligned = make_aligned(outer_cone, lambda z: (0.0, 0.1 * min(z + 80.0, 0.0), 6.0, 6.0))
    profile = measure_briefly(aligned, MeasureSettings(level_step_mm=step_mm))
    for level in (-70.0, -76.0, -84.0, -90.0):
        share = np.clip((-70.0 - level) / 20.0, 0.0, 1.0)
        expected = np.degrees(np.arctan(0.1 * share))
        assert at(profile, "axis_tilt_deg", level) == pytest.approx(expected, abs=1e-6)
    tilts = profile.columns["axis_tilt_deg"]
    ends = (profile.levels_mm > 32.5) | (profile.levels_mm < -172.5)
    assert np.isnan(tilts[ends]).all()


def test_gaps_are_blanks_and_say_so(
    make_aligned: Make, punch_hole: Callable[..., AlignedFemur]
) -> None:
    whole = make_aligned(outer_cone, canal_cone)
    # Rings 80 to 90 (levels -100 to -90): a third of the canal lost, the medial jaw with it.
    aligned = punch_hole(whole, "canal_lps_mm", slice(80, 91), slice(0, 60))
    profile = measure_briefly(aligned, MeasureSettings())
    inside = (profile.levels_mm > -99.5) & (profile.levels_mm < -90.5)
    for column in ("canal_ml_mm", "canal_area_mm2", "canal_inscribed_mm", "cortex_mean_mm"):
        assert np.isnan(profile.columns[column][inside]).all(), column
        assert np.isnan(profile.uncertainties[column][inside]).all(), column
    assert (profile.quality[inside] & int(Quality.OUTLINE_INCOMPLETE)).all()
    assert np.isfinite(profile.columns["outer_ml_mm"][inside]).all()
    outside = (profile.levels_mm > -85.0) & (profile.levels_mm < 39.5)
    assert np.isfinite(profile.columns["canal_ml_mm"][outside]).all()
    assert not profile.quality[outside].any()


def test_near_metal_there_is_no_number(make_aligned: Make) -> None:
    aligned = make_aligned(outer_cone, canal_cone)
    aligned.cortex.quality[100:110] = int(Quality.METAL)
    profile = measure_briefly(aligned, MeasureSettings(level_step_mm=1.0))
    metal = (profile.quality & int(Quality.METAL)) != 0
    assert 10 <= metal.sum() <= 12
    for name, column in profile.columns.items():
        assert name == "axis_tilt_deg" or np.isnan(column[metal]).all(), name
    assert "metal" in profile.warnings


@pytest.mark.parametrize(
    ("bit", "code", "blank"),
    [
        (Quality.FILLED_CANAL, "canal_filled", True),
        (Quality.POROUS_ENDOSTEUM, "porous_endosteum", False),
        (Quality.THIN_CORTEX, "thin_cortex_at_lt20", False),
    ],
)
def test_what_rings_say_is_said_of_the_femur(
    make_aligned: Make, bit: Quality, code: str, blank: bool
) -> None:
    aligned = make_aligned(outer_cone, canal_cone, lowest_mm=-40.0)
    aligned.cortex.quality[55:66] = int(bit)  # LT+15 to LT+25
    profile = measure_briefly(aligned, MeasureSettings())
    assert code in profile.warnings
    assert np.isnan(at(profile, "canal_ml_mm", 20.0)) == blank
    assert at(profile, "outer_ml_mm", 20.0) == pytest.approx(31.2)
    row = int(np.argmin(np.abs(profile.levels_mm - 20.0)))
    assert Quality(int(profile.quality[row])) & bit


def test_a_number_that_is_known_too_badly_is_blank(make_aligned: Make) -> None:
    """Each edge to 4 mm, in the same sense for all points: a canal of 18 mm is 18 +- 6."""
    aligned = make_aligned(outer_cone, canal_cone, lowest_mm=-40.0)
    shared = np.full_like(aligned.cortex.canal_u_mm, 4.0)
    unsure = replace(aligned, cortex=replace(aligned.cortex, canal_shared_u_mm=shared))
    profile = measure_briefly(unsure, MeasureSettings())
    row = int(np.argmin(np.abs(profile.levels_mm)))
    assert Quality(int(profile.quality[row])) & Quality.UNCERTAIN
    assert np.isnan(at(profile, "canal_ml_mm", 0.0))
    assert at(profile, "outer_ml_mm", 0.0) == pytest.approx(30.0)


@pytest.mark.parametrize(
    ("changes", "name"),
    [
        ({"level_step_mm": 0.0}, "level_step_mm"),
        ({"level_step_mm": 2.5}, "level_step_mm"),
        ({"lowest_level_mm": 50.0}, "lowest_level_mm"),
    ],
)
def test_impossible_settings_are_a_wrong_call(changes: dict[str, float], name: str) -> None:
    with pytest.raises(ValueError, match=name):
        MeasureSettings(**changes)


def test_a_phantoms_sections_are_its_truth(right_stages, small_right) -> None:
    """1 mm pixels and 1.5 mm slices: coarser than the promise, so within three uncertainties."""
    profile, truth = right_stages.profile, small_right.truth.femora[0]
    for name, level in NAMED_LEVELS_MM.items():
        if level == 20.0:
            continue  # its wall is the shell of the neck, thinner than a pixel
        section = truth.named_sections[name]
        row = int(np.argmin(np.abs(profile.levels_mm - level)))
        for column in ("outer_ml_mm", "outer_ap_mm", "canal_ml_mm", "canal_ap_mm"):
            u = right_stages.indices.values[f"{column[:-3]}_{name}_mm"].u
            assert profile.columns[column][row] == pytest.approx(
                section[column], abs=3 * u + 0.1
            ), (name, column)


def test_a_canal_that_the_blur_fills_is_blank_and_the_bone_around_it_is_not(
    make_aligned: Make,
) -> None:
    """Five blurs of 0.6 mm are 3 mm: below, marrow never shows, and a width would be blur."""

    def narrow(level: float) -> tuple[float, float, float, float]:
        half = 1.4 if level < -100.5 else 6.0
        return 0.0, 0.0, half, half

    profile = measure_briefly(make_aligned(outer_cone, narrow), MeasureSettings())
    assert np.isnan(at(profile, "canal_ml_mm", -120.0))
    assert np.isnan(at(profile, "cortex_mean_mm", -120.0))
    assert at(profile, "outer_ml_mm", -120.0) == pytest.approx(2 * 11.4, rel=SAG * 2)
    assert at(profile, "canal_ml_mm", -80.0) == pytest.approx(12.0, rel=SAG * 2)
    row = int(np.argmin(np.abs(profile.levels_mm + 120.0)))
    assert Quality(int(profile.quality[row])) & Quality.NARROW_CANAL
    assert "narrow_canal" in profile.warnings


def test_an_assumed_density_is_said_and_what_edges_share_widens_every_width(
    make_aligned: Make,
) -> None:
    aligned = make_aligned(outer_cone, canal_cone)
    cortex = replace(
        aligned.cortex,
        calibration=replace(aligned.cortex.calibration, n_rays=0),
        canal_shared_u_mm=np.full_like(aligned.cortex.canal_u_mm, 0.12),
    )
    assumed = replace(aligned, cortex=cortex)
    known = measure_briefly(aligned, MeasureSettings())
    guessed = measure_briefly(assumed, MeasureSettings())
    assert "density_assumed" in guessed.warnings
    assert "density_assumed" not in known.warnings
    assert "cortex_hu" not in guessed.facts
    u_known = known.uncertainties["canal_ml_mm"]
    u_guessed = guessed.uncertainties["canal_ml_mm"]
    # 0.12 mm at each of two edges, both outwards at once, beside what was there.
    assert np.allclose(u_guessed**2, u_known**2 + (2 * 0.12) ** 2)
    assert np.allclose(guessed.uncertainties["outer_ml_mm"], known.uncertainties["outer_ml_mm"])


def test_a_straight_canal_has_no_bow_radius(make_aligned: Make) -> None:
    """A circle through a straight line's noise would have a plausible radius."""
    rng = np.random.default_rng(4)
    sway = dict(enumerate(rng.normal(0.0, 0.05, 400)))
    for wobble in (0.0, 1.0):
        profile = measure_briefly(
            make_aligned(
                outer_cone,
                lambda z, w=wobble: (0.0, w * sway[int(z) + 200], 6.0, 6.0),
            ),
            MeasureSettings(),
        )
        assert "bow_radius_mm" not in profile.facts
