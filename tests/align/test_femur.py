"""The femur's frame and neck on a phantom, and on the same voxels seen in a mirror."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canalmorph.align.femur import align_femur, align_given
from canalmorph.align.given import GivenLandmarks
from canalmorph.align.neck import find_neck_axis
from canalmorph.align.neck_sphere import find_neck_axis_by_sphere
from canalmorph.align.settings import AlignSettings
from canalmorph.femur_errors import HeadNotInViewError
from canalmorph.geometry.lines import find_angle_deg, normalise
from canalmorph.model.femur import FemurFrame, HeadSphere, KneeView, Plane, Side
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.segment.head import NOT_ROUND_CENTRE_U_MM
from canalmorph_phantoms.build import PhantomResult

if TYPE_CHECKING:
    from conftest import Stages


def angle_deg(a: np.ndarray, b: np.ndarray) -> float:
    cross = np.linalg.norm(np.cross(a, b))
    return float(np.degrees(np.arctan2(cross, np.dot(a, b))))


def handedness(frame: FemurFrame) -> float:
    return float(np.linalg.det(np.stack([frame.medial, frame.posterior, frame.proximal])))


def test_axes_are_at_right_angles_and_point_where_they_say(
    right_stages: "Stages", mirrored_stages: "Stages"
) -> None:
    for stages, side in ((right_stages, Side.RIGHT), (mirrored_stages, Side.LEFT)):
        frame = stages.aligned.frame
        axes = np.stack([frame.medial, frame.posterior, frame.proximal])
        assert axes @ axes.T == pytest.approx(np.eye(3), abs=1e-9)
        assert stages.femur.side is side
        assert frame.medial[0] * side.medial_x_sign > 0.8  # +x is the patient's left
        assert frame.posterior[1] > 0.8  # +y is the back
        assert frame.proximal[2] > 0.8
        assert frame.plane is Plane.NECK
    assert handedness(right_stages.aligned.frame) == pytest.approx(1.0)
    assert handedness(mirrored_stages.aligned.frame) == pytest.approx(-1.0)


def test_frame_is_the_phantoms(right_stages: "Stages", small_right: PhantomResult) -> None:
    truth = small_right.truth.femora[0]
    frame = right_stages.aligned.frame
    # Slices of 1.5 mm and pixels of 1 mm: within three of the stage's own uncertainties.
    assert angle_deg(frame.proximal, np.array(truth.up)) < 3 * right_stages.aligned.axis_u_deg
    assert angle_deg(frame.medial, np.array(truth.medial)) < 3.0
    trochanter = right_stages.aligned.lesser_trochanter
    level_error = frame.proximal @ (trochanter.apex_lps_mm - np.array(truth.lt_mm))
    assert abs(level_error) < 1.5
    assert trochanter.prominence_mm > AlignSettings().least_prominence_mm
    origin = frame.lps_to_frame_mm(np.array(truth.origin_mm))
    assert np.hypot(origin[0], origin[1]) < 0.3


def test_level_zero_is_the_trochanter_on_the_axis(right_stages: "Stages") -> None:
    aligned = right_stages.aligned
    apex = aligned.frame.lps_to_frame_mm(aligned.lesser_trochanter.apex_lps_mm)
    assert apex[2] == pytest.approx(0.0, abs=1e-9)
    direction = np.degrees(np.arctan2(apex[1], apex[0]))
    assert direction == pytest.approx(aligned.lesser_trochanter.direction_deg, abs=20.0)
    assert apex[0] > 0  # postero-medial
    assert apex[1] > 0


def test_neck_axis_is_the_phantoms(right_stages: "Stages", small_right: PhantomResult) -> None:
    truth = small_right.truth.femora[0]
    neck = right_stages.aligned.neck
    assert neck is not None
    assert angle_deg(neck.direction, np.array(truth.neck_axis)) < 3 * neck.direction_u_deg
    fact = right_stages.profile.facts["neck_shaft_angle_deg"]
    assert fact.value == pytest.approx(truth.neck_shaft_angle_deg, abs=3 * fact.u)
    head = right_stages.femur.head
    assert head is not None
    towards = normalise(head.centre_lps_mm - neck.centre_lps_mm)
    assert angle_deg(towards, neck.direction) < 0.2  # it ends in the head's centre


def test_a_mirror_changes_the_side_and_nothing_else(
    right_stages: "Stages", mirrored_stages: "Stages"
) -> None:
    """The same voxels with x turned round, noise and all."""
    flip = np.array([-1.0, 1.0, 1.0])
    right, left = right_stages.aligned, mirrored_stages.aligned
    for name in ("medial", "posterior", "proximal"):
        ours, other = getattr(right.frame, name), getattr(left.frame, name)
        # Directions of rays on the head's sphere are no mirror images, so that the head moves
        # by hundredths of a millimetre and the frame by its share.
        assert angle_deg(flip * ours, other) < 0.3, name
    apex = flip * right.lesser_trochanter.apex_lps_mm
    assert left.lesser_trochanter.apex_lps_mm == pytest.approx(apex, abs=0.4)
    assert left.isthmus_in_view is right.isthmus_in_view
    assert left.warnings == right.warnings
    for name, value in right_stages.indices.values.items():
        if name.startswith(("lt_x", "head_x", "trochanter_tip_x")) or not value.known:
            continue
        mirrored = mirrored_stages.indices.values[name]
        assert mirrored.known, name
        assert mirrored.value == pytest.approx(value.value, abs=2 * value.u), name


def test_without_a_head_the_trochanter_must_be_clear(right_stages: "Stages") -> None:
    cortex = right_stages.cortex
    # Height 0 of the rings of a shaft without a head lies 25 mm over its last round section, which
    # is about 30 mm over the trochanter; here it is the foot of the head, 53 mm over it.
    headless = replace(cortex, femur=replace(cortex.femur, head=None))
    found = align_femur(headless, AlignSettings())
    assert found.frame.plane is Plane.SCANNER
    assert found.neck is None
    assert found.trochanter_tip is None
    apex = right_stages.aligned.lesser_trochanter.apex_lps_mm
    level_error = found.frame.proximal @ (found.lesser_trochanter.apex_lps_mm - apex)
    assert abs(level_error) < 3 * found.lesser_trochanter.level_u_mm
    # Without the trochanter no bump is one.
    shaft = np.where(cortex.heights_mm[:, None, None] > -75.0, np.nan, cortex.outer_lps_mm)
    with pytest.raises(HeadNotInViewError, match="right"):
        align_femur(replace(headless, outer_lps_mm=shaft), AlignSettings())


def test_the_greater_trochanters_tip_is_the_phantoms(
    right_stages: "Stages", small_right: PhantomResult
) -> None:
    truth = small_right.truth.femora[0]
    tip = right_stages.aligned.trochanter_tip
    assert tip is not None
    frame = right_stages.aligned.frame
    error = frame.lps_to_frame_mm(tip.tip_lps_mm) - frame.lps_to_frame_mm(
        np.array(truth.trochanter_tip_mm)
    )
    # Voxels of 1 x 1.5 mm.
    assert abs(error[2]) < 3 * tip.level_u_mm
    assert np.hypot(error[0], error[1]) < 3 * tip.across_u_mm


def test_a_shaft_cut_short_is_refused_or_told(
    right_stages: "Stages", small_right: PhantomResult
) -> None:
    cortex = right_stages.cortex
    truth = small_right.truth.femora[0]
    level = (cortex.heights_mm - cortex.heights_mm[0]) + float(
        right_stages.aligned.frame.lps_to_frame_mm(np.nanmean(cortex.outer_lps_mm[0], axis=0))[2]
    )

    def cut_at(lowest_mm: float) -> object:
        kept = level >= lowest_mm
        return align_femur(
            replace(
                cortex,
                **{
                    name: getattr(cortex, name)[kept]
                    for name in (
                        "heights_mm",
                        "outer_lps_mm",
                        "canal_lps_mm",
                        "dense_lps_mm",
                        "outer_u_mm",
                        "canal_u_mm",
                        "outer_shared_u_mm",
                        "canal_shared_u_mm",
                        "quality",
                    )
                },
            ),
            AlignSettings(),
        )

    hip = cut_at(-24.0)
    assert not hip.shaft_in_view
    assert hip.lesser_trochanter.level_u_mm > 2 * right_stages.aligned.lesser_trochanter.level_u_mm
    short = cut_at(-48.0)
    assert "short_shaft_axis" in short.warnings
    assert "isthmus_not_in_view" in short.warnings
    # The canal bends on below the scan: what an axis of the upper part alone cannot know.
    whole = right_stages.aligned
    for part in (short, cut_at(-70.0)):
        leant_deg = find_angle_deg(part.frame.proximal, whole.frame.proximal)
        assert leant_deg < 3 * part.axis_u_deg
        assert part.axis_u_deg > 1.5
        assert "short_shaft_axis" in part.warnings
    assert whole.axis_u_deg < 0.6
    # Ten millimetres below the narrowest place prove nothing: it could go on narrowing.
    near = cut_at(truth.isthmus_level_mm - 10.0)
    assert not near.isthmus_in_view
    assert "isthmus_not_in_view" in near.warnings
    assert right_stages.aligned.isthmus_in_view
    assert near.lesser_trochanter.apex_lps_mm == pytest.approx(
        right_stages.aligned.lesser_trochanter.apex_lps_mm, abs=0.5
    )


def make_neck_scan(direction: np.ndarray, waist_mm: float) -> tuple[CtVolume, HeadSphere]:
    """Return a ball on a waisted rod along `direction`, 1 mm voxels, and the ball."""
    n = 121
    axes = np.arange(n) - n // 2
    z, y, x = np.meshgrid(axes, axes, axes, indexing="ij")
    points = np.stack([x, y, z], axis=-1).astype(float)
    along = points @ direction
    aside = np.linalg.norm(points - along[..., None] * direction, axis=-1)
    radius = waist_mm + 0.02 * (along + 30.0) ** 2
    bone = (np.linalg.norm(points, axis=-1) < 23.0) | ((aside < radius) & (along < 0))
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = affine[3, 3] = 1.0
    affine[:3, 3] = -(n // 2)
    facts = ScanFacts(source="made", file_format="nifti", series_key="made", input_sha256="")
    volume = CtVolume(
        voxels_hu=np.where(bone, 900, 40).astype(np.int16), index_to_lps_mm=affine, facts=facts
    )
    head = HeadSphere(
        centre_lps_mm=np.zeros(3),
        radius_mm=23.0,
        centre_u_mm=0.1,
        radius_u_mm=0.1,
        inlier_share=0.8,
    )
    return volume, head


@pytest.mark.parametrize("off_deg", [0.0, 12.0])
def test_neck_axis_of_a_rod_with_a_waist(off_deg: float) -> None:
    direction = normalise(np.array([0.75, -0.25, 0.6]))
    volume, head = make_neck_scan(direction, 12.0)
    turned = normalise(direction + np.tan(np.radians(off_deg)) * np.array([0.0, 0.92, 0.38]))
    axis = find_neck_axis(volume, head, turned)
    assert axis is not None
    # Hard voxels of 1 mm: the centre of some 450 of them is known to a tenth; a first direction
    # 12 degrees off is forgotten.
    assert angle_deg(axis.direction, direction) < 1.0
    assert 0.2 < axis.direction_u_deg < 1.0
    by_sphere = find_neck_axis_by_sphere(volume, head, turned)
    assert by_sphere is not None
    assert angle_deg(by_sphere.direction, direction) < 1.0
    assert 0.2 < by_sphere.direction_u_deg < 1.0


@pytest.mark.parametrize("way", [(0.0, 0.92, 0.38), (0.0, -0.92, -0.38), (0.62, 0.3, -0.72)])
def test_a_head_that_may_lie_elsewhere_makes_its_neck_as_unsure(way: tuple[float, ...]) -> None:
    """The spheres of a head that is none lie 2.2 mm apart: the axis turns, and says by how much."""
    direction = normalise(np.array([0.75, -0.25, 0.6]))
    volume, head = make_neck_scan(direction, 12.0)
    aside = np.array(way) - (np.array(way) @ direction) * direction
    moved = replace(
        head,
        centre_lps_mm=2.2 * normalise(aside),
        centre_u_mm=NOT_ROUND_CENTRE_U_MM,
        is_round=False,
    )
    axis = find_neck_axis(volume, moved, direction)
    assert axis is not None
    off = angle_deg(axis.direction, direction)
    assert off > 2.0
    assert off < 3 * axis.direction_u_deg
    sure = find_neck_axis(volume, head, direction)
    assert sure is not None
    assert axis.direction_u_deg > sure.direction_u_deg + 0.5


def test_a_faint_neck_is_found_too() -> None:
    direction = normalise(np.array([0.75, -0.25, 0.6]))
    volume, head = make_neck_scan(direction, 12.0)
    faint = replace(volume, voxels_hu=np.where(volume.voxels_hu > 500, 240, 40).astype(np.int16))
    axis = find_neck_axis(faint, head, direction)
    assert axis is not None
    assert angle_deg(axis.direction, direction) < 1.0


def test_no_neck_is_no_axis() -> None:
    volume, head = make_neck_scan(np.array([0.0, 0.0, 1.0]), 12.0)
    air = replace(volume, voxels_hu=np.full(volume.voxels_hu.shape, -1000, np.int16))
    assert find_neck_axis(air, head, np.array([0.0, 0.0, 1.0])) is None
    assert find_neck_axis_by_sphere(air, head, np.array([0.0, 0.0, 1.0])) is None
    solid = replace(volume, voxels_hu=np.full(volume.voxels_hu.shape, 900, np.int16))
    assert find_neck_axis(solid, head, np.array([0.0, 0.0, 1.0])) is None


@pytest.mark.parametrize("value", [0.0, -5.0, 101.0])
def test_an_impossible_margin_is_a_wrong_call(value: float) -> None:
    with pytest.raises(ValueError, match="isthmus_margin_mm"):
        AlignSettings(isthmus_margin_mm=value)


def test_a_shaft_that_ends_within_the_scan_far_above_the_knee_is_said(
    right_stages: "Stages",
) -> None:
    """The phantom's shaft runs out of its scan; one whose path stops 30 mm above was lost."""
    assert right_stages.femur.shaft_leaves_scan
    assert "shaft_not_followed" not in right_stages.aligned.warnings
    path = right_stages.femur.shaft_path_lps_mm
    lost = replace(
        right_stages.femur,
        shaft_leaves_scan=False,
        shaft_path_lps_mm=path[path[:, 2] > path[0, 2] + 30.0],
    )
    aligned = align_femur(replace(right_stages.cortex, femur=lost), AlignSettings())
    assert "shaft_not_followed" in aligned.warnings


def test_neck_and_condyles_that_are_not_found_are_said(right_stages: "Stages") -> None:
    """Air in place of the bone: a neck was to be expected, and the knee is said to be in view."""
    cortex = right_stages.cortex
    crop = right_stages.femur.crop
    air = replace(crop, voxels_hu=np.full(crop.voxels_hu.shape, -1000, np.int16))
    knee = KneeView(crop=air, seed_lps_mm=cortex.axis_point_lps_mm, second_block=False)
    aligned = align_femur(
        replace(cortex, femur=replace(cortex.femur, crop=air, knee=knee)), AlignSettings()
    )
    assert {"neck_not_found", "condyles_not_found"} <= set(aligned.warnings)
    assert aligned.neck is None
    assert aligned.condyles is None
    assert aligned.frame.plane is Plane.SCANNER


def test_an_unclear_trochanter_is_said(right_stages: "Stages") -> None:
    found = right_stages.aligned
    unclear = replace(found.lesser_trochanter, confidence=0.1)
    given = GivenLandmarks(neck=found.neck, trochanter=unclear)
    assert "lt_uncertain" not in found.warnings
    assert "lt_uncertain" in align_given(right_stages.cortex, given, AlignSettings()).warnings


def test_two_narrow_places_are_said_and_make_the_axis_less_sure(right_stages: "Stages") -> None:
    """The canal of 12.75 mm at LT-80 is pinched to 12.1, and the isthmus at LT-116 has 11.95."""
    cortex, found = right_stages.cortex, right_stages.aligned
    rings = found.frame.lps_to_frame_mm(cortex.canal_lps_mm)
    across = rings[..., :2]
    whole = np.isfinite(across).all(axis=(1, 2))
    middle = across[whole].mean(axis=1, keepdims=True)
    pinch = 0.05 * np.exp(-0.5 * ((rings[whole][..., 2:] + 80.0) / 5.0) ** 2)
    across[whole] = middle + (across[whole] - middle) * (1.0 - pinch)
    pinched = replace(cortex, canal_lps_mm=found.frame.frame_to_lps_mm(rings))
    aligned = align_femur(pinched, AlignSettings())
    assert "isthmus_ambiguous" in aligned.warnings
    assert "isthmus_ambiguous" not in found.warnings
    assert aligned.axis_u_deg > found.axis_u_deg
