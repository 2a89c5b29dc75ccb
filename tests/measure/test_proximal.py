"""Head, neck and greater trochanter against closed forms and the rules of projection."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.flags import Quality
from canalmorph.measure.canal import measure_canal
from canalmorph.measure.proximal import (
    find_proximal_facts,
    find_proximal_warnings,
    get_separated_head,
)
from canalmorph.measure.settings import MeasureSettings
from canalmorph.model.femur import (
    AlignedFemur,
    FemurFrame,
    HeadSphere,
    NeckAxis,
    Plane,
    Side,
    TrochanterTip,
)

Make = Callable[..., AlignedFemur]

#: references 2.32: neck-shaft angle in space, turn, and as projected. [deg]
PROJECTED = [(125.0, 15.0, 125.94), (125.0, 30.0, 128.96), (125.0, 45.0, 134.72)]
PROJECTED += [(130.0, 15.0, 130.98), (130.0, 30.0, 134.10), (125.0, -30.0, 128.96)]


def cylinder(level: float) -> tuple[float, float, float, float]:
    return 0.0, 0.0, 14.0, 13.0


def canal(level: float) -> tuple[float, float, float, float]:
    return 0.0, 0.0, 7.0, 7.0


def turn_upright(aligned: AlignedFemur, side: Side) -> AlignedFemur:
    """Return the femur with its shaft upright and ML along the scanner's left-right axis."""
    frame = FemurFrame(
        origin_lps_mm=np.array([-90.0, 5.0, 40.0]),
        medial=np.array([float(side.medial_x_sign), 0.0, 0.0]),
        posterior=np.array([0.0, 1.0, 0.0]),
        proximal=np.array([0.0, 0.0, 1.0]),
        plane=Plane.NECK,
    )
    apex = frame.frame_to_lps_mm(np.array([14.0, 17.0, 0.0]))
    trochanter = replace(aligned.lesser_trochanter, apex_lps_mm=apex)
    return replace(aligned, frame=frame, lesser_trochanter=trochanter)


def make_hip(
    make_aligned: Make,
    *,
    side: Side = Side.RIGHT,
    angle_deg: float = 125.0,
    turn_deg: float = 0.0,
    offset_mm: float = 42.0,
    separated: bool = True,
) -> AlignedFemur:
    """Return a hip whose neck axis meets the shaft's, turned forward about it."""
    plain = turn_upright(make_aligned(cylinder, canal, side=side), side)
    slope, turn = np.radians(180.0 - angle_deg), np.radians(turn_deg)
    local = np.array([np.sin(slope) * np.cos(turn), -np.sin(slope) * np.sin(turn), np.cos(slope)])
    frame = plain.frame
    direction = frame.frame_to_lps_mm(local) - frame.origin_lps_mm
    centre = frame.frame_to_lps_mm(
        np.array([offset_mm * np.cos(turn), -offset_mm * np.sin(turn), 52.0])
    )
    head = HeadSphere(
        centre_lps_mm=centre,
        radius_mm=23.0,
        centre_u_mm=0.1,
        radius_u_mm=0.1,
        inlier_share=0.8,
        separated=separated,
    )
    neck = NeckAxis(
        centre_lps_mm=centre - 25.0 * direction, direction=direction, direction_u_deg=0.5
    )
    tip = TrochanterTip(
        tip_lps_mm=frame.frame_to_lps_mm(np.array([-18.0, 6.0, 59.0])),
        level_u_mm=0.3,
        across_u_mm=0.5,
    )
    femur = replace(plain.cortex.femur, head=head, side=side)
    return replace(
        plain,
        cortex=replace(plain.cortex, femur=femur),
        neck=neck if separated else None,
        neck_by_sphere=neck if separated else None,
        trochanter_tip=tip,
    )


@pytest.mark.parametrize("side", list(Side))
@pytest.mark.parametrize(("true_deg", "turn_deg", "printed_deg"), PROJECTED)
def test_neck_and_offset_project_as_published(
    make_aligned: Make, side: Side, true_deg: float, turn_deg: float, printed_deg: float
) -> None:
    hip = make_hip(make_aligned, side=side, angle_deg=true_deg, turn_deg=turn_deg)
    facts = {name: fact.value for name, fact in find_proximal_facts(hip).items()}
    assert facts["neck_shaft_angle_deg"] == pytest.approx(true_deg)
    assert facts["neck_shaft_angle_sphere_deg"] == pytest.approx(true_deg)
    assert facts["neck_shaft_angle_ap_deg"] == pytest.approx(printed_deg, abs=0.005)
    assert facts["neck_turn_ap_deg"] == pytest.approx(turn_deg)  # forward on both sides
    assert facts["femoral_offset_mm"] == pytest.approx(42.0)
    # references 2.37: the offset shrinks with the cosine; 29 degrees make 39.0 of 44.7 mm.
    shrunk = 42.0 * np.cos(np.radians(turn_deg))
    assert facts["femoral_offset_ap_mm"] == pytest.approx(shrunk)


def test_published_offsets_are_29_degrees_apart(make_aligned: Make) -> None:
    hip = make_hip(make_aligned, turn_deg=29.0, offset_mm=44.7)
    assert find_proximal_facts(hip)["femoral_offset_ap_mm"].value == pytest.approx(39.0, abs=0.1)


@pytest.mark.parametrize("side", list(Side))
def test_distances_from_the_head(make_aligned: Make, side: Side) -> None:
    facts = find_proximal_facts(make_hip(make_aligned, side=side))
    values = {name: fact.value for name, fact in facts.items()}
    assert values["head_level_mm"] == pytest.approx(52.0)
    assert values["head_to_lt_mm"] == pytest.approx(np.sqrt(28.0**2 + 17.0**2 + 52.0**2))
    assert values["head_above_trochanter_tip_mm"] == pytest.approx(-7.0)
    assert values["head_to_trochanter_tip_mm"] == pytest.approx(np.sqrt(60.0**2 + 6.0**2 + 7.0**2))
    assert all(fact.u is not None and fact.u > 0 for fact in facts.values())


def test_an_oblique_frame_gives_the_same(
    make_aligned: Make, make_head: Callable[..., HeadSphere]
) -> None:
    """The rule of projection holds for any shaft axis, whose film plane holds it."""
    for side in Side:
        head = make_head(41.0, 52.0, 23.5, side=side)
        plain = make_aligned(cylinder, canal, side=side, head=head)
        slope = np.radians(180.0 - 127.0)
        direction = np.sin(slope) * plain.frame.medial + np.cos(slope) * plain.frame.proximal
        neck = NeckAxis(centre_lps_mm=np.zeros(3), direction=direction, direction_u_deg=1.0)
        facts = find_proximal_facts(replace(plain, neck=neck))
        projected = 180.0 - facts["neck_shaft_angle_ap_deg"].value
        turn = facts["neck_turn_ap_deg"].value
        expected = np.tan(slope) * np.cos(np.radians(turn))
        assert np.tan(np.radians(projected)) == pytest.approx(expected)


def test_a_head_that_was_not_told_apart_gives_no_number_and_keeps_the_canal(
    make_aligned: Make,
) -> None:
    hip = make_hip(make_aligned, separated=False)
    assert get_separated_head(hip) is None
    profile = measure_canal(hip, MeasureSettings(), brief=True)
    assert not {name for name in profile.facts if name.startswith(("head", "neck", "femoral"))}
    assert "head_not_separated" in profile.warnings
    assert "trochanter_tip_x_mm" in profile.facts
    whole = measure_canal(make_aligned(cylinder, canal), MeasureSettings(), brief=True)
    assert np.isfinite(whole.columns["canal_ml_mm"][1:-1]).all()


def test_slices_that_miss_at_the_head_are_said(make_aligned: Make) -> None:
    hip = make_hip(make_aligned, separated=False)
    head = hip.cortex.femur.head
    assert head is not None
    femur = replace(hip.cortex.femur, head=replace(head, slices_missing=True))
    hip = replace(hip, cortex=replace(hip.cortex, femur=femur))
    assert find_proximal_warnings(hip)[0] == "slices_missing_at_head"
    assert not {name for name in find_proximal_facts(hip) if name.startswith(("head", "neck"))}


def test_without_a_shaft_axis_no_number_needs_one(make_aligned: Make) -> None:
    hip = replace(make_hip(make_aligned), shaft_in_view=False)
    profile = measure_canal(hip, MeasureSettings(), brief=True)
    assert "shaft_not_in_view" in profile.warnings
    assert all(np.isnan(column).all() for column in profile.columns.values())
    assert (profile.quality == int(Quality.NO_SHAFT_AXIS)).all()
    kept = {name for name in profile.facts if not name.startswith("lt_")}
    assert kept == {"head_x_mm", "head_y_mm", "head_z_mm", "head_diameter_mm", "head_to_lt_mm"}


@pytest.mark.parametrize(
    ("centre_u_mm", "is_round", "flagged"),
    [(0.3, True, False), (0.8, False, True), (1.5, True, True)],
)
def test_a_head_that_is_no_sphere_is_flagged_and_its_neck_less_sure(
    make_aligned: Make, centre_u_mm: float, is_round: bool, flagged: bool
) -> None:
    hip = make_hip(make_aligned)
    femur = hip.cortex.femur
    femur = replace(femur, head=replace(femur.head, centre_u_mm=centre_u_mm, is_round=is_round))
    hip = replace(hip, cortex=replace(hip.cortex, femur=femur))
    facts = find_proximal_facts(hip)
    assert ("head_not_round" in find_proximal_warnings(hip)) is flagged
    assert facts["head_x_mm"].u == centre_u_mm
    assert facts["femoral_offset_mm"].u >= centre_u_mm


def test_necks_of_two_methods_far_apart_are_flagged(make_aligned: Make) -> None:
    hip = make_hip(make_aligned)
    other = make_hip(make_aligned, angle_deg=131.0).neck
    assert "neck_methods_differ" not in find_proximal_warnings(hip)
    assert "neck_methods_differ" in find_proximal_warnings(replace(hip, neck_by_sphere=other))
