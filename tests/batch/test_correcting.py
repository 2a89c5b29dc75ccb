"""Marks by hand, measured from what lies with a case: symmetry, closed forms, and what is unfit."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from canalmorph.align.corrected import HAND_HEAD_U_MM, HAND_LEVEL_U_MM, correct_alignment
from canalmorph.align.femur import align_femur
from canalmorph.align.isthmus import Isthmus
from canalmorph.correcting import MeasuredSides
from canalmorph.errors import CanalMorphError
from canalmorph.export.surfaces import read_surfaces, write_surfaces
from canalmorph.femur_errors import FractureAtTrochanterError
from canalmorph.flags import Quality
from canalmorph.model.corrections import CorrectionKind
from canalmorph.model.femur import AlignedFemur, Plane
from canalmorph.model.index_columns import NECK_BROKEN, name_in_plane
from canalmorph.model.results import FemurResult
from canalmorph.pipeline import ScanMeasurement, Settings, measure_aligned
from canalmorph.results_errors import RecordUnreadableError

KIND = CorrectionKind
#: Surfaces are kept as 32-bit numbers: 0.00003 mm at 300 mm from the scan's middle.
KEPT_MM = 1e-4


def get_values(femur: FemurResult) -> dict[str, float]:
    return {name: one.value for name, one in femur.indices.values.items() if one.value is not None}


def test_what_lies_with_a_case_gives_its_numbers(
    measurement: ScanMeasurement, kept: tuple[AlignedFemur, Path]
) -> None:
    again = measure_aligned(kept[0], Settings())
    (first,) = measurement.case.femora
    values = get_values(first)
    assert get_values(again).keys() == values.keys()
    for name, value in get_values(again).items():
        # Rods are optima: a point that moves by a rounding may move where they rest.
        spare = 0.05 if name.startswith("rod_") else KEPT_MM
        assert value == pytest.approx(values[name], abs=spare, rel=1e-5), name
    for name, column in again.profile.columns.items():
        np.testing.assert_allclose(column, first.profile.columns[name], atol=1e-3)
    assert again.warnings == first.warnings
    assert again.advice == first.advice


def test_nobody_is_named_where_the_surfaces_lie(
    measurement: ScanMeasurement, tmp_path: Path
) -> None:
    (femur,) = measurement.aligned
    crop = femur.cortex.femur.crop
    named = replace(crop, facts=replace(crop.facts, source="quill_rosalind", series_key="1.2.3"))
    cortex = replace(femur.cortex, femur=replace(femur.cortex.femur, crop=named))
    path = tmp_path / "surfaces.npz"
    write_surfaces(path, [replace(femur, cortex=cortex)])
    with np.load(path) as members:
        texts = [members[name].tobytes() + name.encode() for name in members.files]
    assert not any(b"quill" in text or b"1.2.3" in text for text in texts)
    facts = read_surfaces(path)[0].cortex.femur.crop.facts
    assert (facts.source, facts.series_key) == ("", "")


@pytest.mark.parametrize("harm", ["absent", "cut", "text", "other form"])
def test_damaged_surfaces_are_told(
    kept: tuple[AlignedFemur, Path], tmp_path: Path, harm: str
) -> None:
    path = tmp_path / "surfaces.npz"
    content = kept[1].read_bytes()
    if harm == "cut":
        path.write_bytes(content[: len(content) // 2])
    elif harm == "text":
        path.write_bytes(b"surfaces")
    elif harm == "other form":
        np.savez(path, plain=np.frombuffer(b'{"format": "x", "femora": {}}', dtype=np.uint8))
    with pytest.raises(RecordUnreadableError, match="surfaces are absent or damaged"):
        read_surfaces(path)


def test_marks_on_what_was_found_change_nothing(desk: Any) -> None:
    femur, aligned = desk.femur, desk.aligned
    head, neck = aligned.cortex.femur.head, aligned.neck
    assert head is not None
    assert neck is not None
    level = femur.indices.values["isthmus_level_mm"].value
    assert level is not None
    confirmed = desk.correct(
        desk.mark(KIND.LESSER_TROCHANTER, aligned.lesser_trochanter.apex_lps_mm),
        desk.mark(KIND.ISTHMUS, desk.at_level(level)),
        desk.mark(KIND.HEAD, head.centre_lps_mm, radius_mm=head.radius_mm),
        desk.mark(KIND.NECK, neck.centre_lps_mm),
        desk.mark(KIND.PLANE, plane=Plane.NECK),
    )
    assert confirmed.unfit == ()
    assert get_values(confirmed.case.femora[0]) == pytest.approx(get_values(femur), abs=1e-9)
    assert desk.correct().case is desk.case


def test_a_trochanter_moved_along_the_shaft_moves_every_level(desk: Any) -> None:
    """Moved by whole steps of the sections, sections of nearly the same axis are cut elsewhere.

    The axis begins 8 mm higher than before, and turns by 0.23 degree with the canal that it runs
    through: 0.4 mm at 100 mm from its middle.
    """
    up_mm = 8.0
    before = desk.femur
    apex = desk.aligned.lesser_trochanter.apex_lps_mm + up_mm * desk.aligned.frame.proximal
    after = desk.correct(desk.mark(KIND.LESSER_TROCHANTER, apex)).case.femora[0]
    one, other = get_values(before), get_values(after)
    for name in ("isthmus_level_mm", "isthmus_inscribed_level_mm", "head_level_mm"):
        assert other[name] == pytest.approx(one[name] - up_mm, abs=0.4), name
    for name in ("isthmus_canal_ml_mm", "head_diameter_mm", "femoral_offset_mm"):
        assert other[name] == pytest.approx(one[name], abs=0.2), name
    assert other["neck_shaft_angle_deg"] == pytest.approx(one["neck_shaft_angle_deg"], abs=0.1)
    assert np.allclose([other[f"lt_{axis}_mm"] for axis in "xyz"], apex, atol=1e-6)
    levels = {float(level): row for row, level in enumerate(before.profile.levels_mm)}
    widths = before.profile.columns["canal_ml_mm"]
    compared = 0
    for row, level in enumerate(after.profile.levels_mm):
        there = levels.get(float(level) + up_mm)
        if there is not None and level < -20.0 and np.isfinite(widths[there]):
            assert after.profile.columns["canal_ml_mm"][row] == pytest.approx(
                widths[there], abs=0.2
            )
            compared += 1
    assert compared > 40
    assert after.profile.level_u_mm > before.profile.level_u_mm


def test_an_isthmus_by_hand_gives_the_width_of_its_section(desk: Any) -> None:
    corrected = desk.correct(desk.mark(KIND.ISTHMUS, desk.at_level(-100.0)))
    after, (aligned,) = corrected.case.femora[0], corrected.aligned
    values = get_values(after)
    level = float(aligned.frame.lps_to_frame_mm(desk.at_level(-100.0))[2])
    # The lesser trochanter is looked for along the axis that ends there.
    assert level == pytest.approx(-100.0, abs=0.2)
    assert values["isthmus_level_mm"] == pytest.approx(level, abs=1e-6)
    # The width there by a parabola through nine sections of a smooth canal.
    assert values["isthmus_canal_ml_mm"] == pytest.approx(
        values["canal_ml_lt_minus100_mm"], abs=0.03
    )
    assert values["cfi_ml"] == pytest.approx(
        values["canal_ml_lt_plus20_mm"] / values["isthmus_canal_ml_mm"]
    )


def find_with(desk: Any, measurement: ScanMeasurement, kind: CorrectionKind) -> AlignedFemur:
    """Return the femur of the whole scan as if another landmark had been found on it."""
    cortex, aligned = measurement.aligned[0].cortex, desk.aligned
    head = cortex.femur.head
    assert head is not None
    with pytest.MonkeyPatch.context() as patch:
        if kind is KIND.LESSER_TROCHANTER:
            apex = aligned.lesser_trochanter.apex_lps_mm + 6.5 * aligned.frame.proximal
            moved = replace(aligned.lesser_trochanter, apex_lps_mm=apex, level_u_mm=HAND_LEVEL_U_MM)
            patch.setattr("canalmorph.align.femur.find_lesser_trochanter", lambda *_, **__: moved)
        elif kind is KIND.ISTHMUS:
            isthmus = Isthmus(level_mm=-92.0, lowest_mm=-160.0, in_view=True, narrowest=True)
            patch.setattr("canalmorph.align.femur.find_isthmus", lambda *_: isthmus)
        else:
            centre = head.centre_lps_mm + np.array([1.0, -2.0, 3.0])
            head = replace(
                head,
                centre_lps_mm=centre,
                centre_u_mm=HAND_HEAD_U_MM,
                radius_u_mm=HAND_HEAD_U_MM,
            )
            cortex = replace(cortex, femur=replace(cortex.femur, head=head))
        return align_femur(cortex, Settings().align)


@pytest.mark.parametrize(
    "kind",
    [
        KIND.LESSER_TROCHANTER,
        KIND.ISTHMUS,
        pytest.param(KIND.HEAD, marks=pytest.mark.slow),
    ],
)
def test_a_landmark_by_hand_gives_what_measuring_with_it_gives(
    desk: Any, measurement: ScanMeasurement, kind: CorrectionKind
) -> None:
    """Set right from the kept surfaces, and found so from the beginning on the whole scan."""
    found = find_with(desk, measurement, kind)
    head = found.cortex.femur.head
    assert head is not None
    mark = {
        KIND.LESSER_TROCHANTER: lambda: desk.mark(kind, found.lesser_trochanter.apex_lps_mm),
        KIND.ISTHMUS: lambda: desk.mark(
            kind, found.frame.frame_to_lps_mm(np.array([0.0, 0.0, -92.0]))
        ),
        KIND.HEAD: lambda: desk.mark(kind, head.centre_lps_mm, radius_mm=head.radius_mm),
    }[kind]()
    corrected = desk.correct(mark)
    assert corrected.unfit == ()
    after = get_values(corrected.case.femora[0])
    values = get_values(measure_aligned(found, Settings()))
    # The narrowest place of all is found in the one, and set in the other.
    hangs_on_it = ("isthmus", "cfi", "cortical_area", "canal_volume")
    named = [
        name
        for name in values
        if not (kind is KIND.ISTHMUS and any(part in name for part in hangs_on_it))
    ]
    assert len(named) > 60
    for name in named:
        # Alignment stands still to 0.05 mm or 0.02 degrees; both go there by the same steps.
        assert after[name] == pytest.approx(values[name], abs=2e-3, rel=1e-4), name
    if kind is not KIND.HEAD:
        turned = corrected.aligned[0].frame.proximal - desk.aligned.frame.proximal
        assert np.linalg.norm(turned) > 1e-3


def test_a_head_by_hand_carries_what_hangs_on_it(desk: Any) -> None:
    head = desk.aligned.cortex.femur.head
    assert head is not None
    centre = head.centre_lps_mm + np.array([0.0, 0.0, 2.0])
    mark = desk.mark(KIND.HEAD, centre, radius_mm=head.radius_mm + 1.0)
    after = desk.correct(mark).case.femora[0]
    values, before = get_values(after), get_values(desk.femur)
    assert values["head_diameter_mm"] == pytest.approx(before["head_diameter_mm"] + 2.0)
    assert values["head_z_mm"] == pytest.approx(before["head_z_mm"] + 2.0)
    # The lesser trochanter is looked for again below the head, in a plane through the new neck.
    assert values["head_to_lt_mm"] == pytest.approx(
        float(np.linalg.norm(centre - desk.aligned.lesser_trochanter.apex_lps_mm)), abs=0.2
    )
    # Two millimetres up at a neck of some 45 mm turn it by about 2 degrees.
    turned = values["neck_shaft_angle_deg"] - before["neck_shaft_angle_deg"]
    assert 0.3 < abs(turned) < 4.0
    assert values["canal_ml_lt_minus100_mm"] == pytest.approx(
        before["canal_ml_lt_minus100_mm"], abs=0.05
    )


def test_a_neck_by_hand_is_the_line_to_the_head(desk: Any) -> None:
    head, neck = desk.aligned.cortex.femur.head, desk.aligned.neck
    assert head is not None
    assert neck is not None
    middle = neck.centre_lps_mm + 3.0 * desk.aligned.frame.proximal
    after = desk.correct(desk.mark(KIND.NECK, middle)).case.femora[0]
    direction = (head.centre_lps_mm - middle) / np.linalg.norm(head.centre_lps_mm - middle)
    angle = np.degrees(np.arccos(-direction @ desk.aligned.frame.proximal))
    assert get_values(after)["neck_shaft_angle_deg"] == pytest.approx(angle)


@pytest.mark.parametrize("turn_deg", [10.0, -10.0])
def test_a_plane_by_hand_is_the_plane_turned(desk: Any, turn_deg: float) -> None:
    frame, profile = desk.aligned.frame, desk.femur.profile
    turn = np.radians(turn_deg)
    line = np.cos(turn) * frame.medial + np.sin(turn) * frame.posterior
    start = frame.origin_lps_mm
    mark = desk.mark(KIND.PLANE, start + 30 * line, start - 5 * line, plane=Plane.HAND)
    after = desk.correct(mark).case.femora[0].profile
    assert after.frame.plane is Plane.HAND
    turned = profile.turned["plus_10" if turn_deg > 0 else "minus_10"]
    for name in ("canal_ml_mm", "canal_ap_mm", "outer_ml_mm"):
        np.testing.assert_allclose(after.columns[name], turned.columns[name], atol=1e-6)


def draw_circle(desk: Any, level_mm: float, radius_mm: float) -> list[np.ndarray]:
    turn = 2 * np.pi * np.arange(90) / 90
    flat = np.stack([radius_mm * np.cos(turn), radius_mm * np.sin(turn), 0 * turn + level_mm], 1)
    return list(desk.aligned.frame.frame_to_lps_mm(flat))


def test_a_drawn_circle_has_its_diameter(desk: Any) -> None:
    level, radius = -80.0, 6.0
    mark = desk.mark(KIND.CANAL_OUTLINE, *draw_circle(desk, level, radius), place="-80")
    before, after = desk.femur.profile, desk.correct(mark).case.femora[0].profile
    row = int(np.argmin(np.abs(after.levels_mm - level)))
    # 90 corners: a polygon's caliper is shorter than the circle's by 2 R (1 - cos(2 deg)).
    for name in ("canal_ml_mm", "canal_ap_mm", "canal_inscribed_mm", "canal_equivalent_mm"):
        assert after.columns[name][row] == pytest.approx(2 * radius, abs=0.03), name
    assert after.columns["canal_area_mm2"][row] == pytest.approx(np.pi * radius**2, rel=0.005)
    assert after.quality[row] & int(Quality.HAND_DRAWN)
    assert after.columns["outer_ml_mm"][row] == pytest.approx(
        before.columns["outer_ml_mm"][row], abs=0.01
    )
    # An edge by hand is less sure than one that was fitted.
    assert after.uncertainties["canal_ml_mm"][row] > before.uncertainties["canal_ml_mm"][row]
    # The axis runs through the canal's middles, those of what was drawn among them.
    away = np.abs(after.levels_mm - level) > 4.5
    np.testing.assert_allclose(
        after.columns["canal_ml_mm"][away], before.columns["canal_ml_mm"][away], atol=0.1
    )


def test_drawn_sections_near_each_other_are_joined(desk: Any) -> None:
    marks = [
        desk.mark(KIND.CANAL_OUTLINE, *draw_circle(desk, level, radius), place=str(level))
        for level, radius in ((-80.0, 6.5), (-88.0, 7.5))
    ]
    after = desk.correct(*marks).case.femora[0].profile
    row = int(np.argmin(np.abs(after.levels_mm + 84.0)))
    # Seen along the axis through the drawn middles, too, which is turned by some 0.1 degree.
    assert after.columns["canal_ml_mm"][row] == pytest.approx(14.0, abs=0.06)


def test_marked_metal_blanks_what_it_reaches(desk: Any) -> None:
    after = desk.correct(desk.mark(KIND.METAL, desk.at_level(-100.0), place="1")).case.femora[0]
    profile = after.profile
    near = np.abs(profile.levels_mm + 100.0) < 15.0
    far = np.abs(profile.levels_mm + 100.0) > 45.0
    assert np.isnan(profile.columns["canal_ml_mm"][near]).all()
    # The axis does without what metal reaches.
    np.testing.assert_allclose(
        profile.columns["canal_ml_mm"][far],
        desk.femur.profile.columns["canal_ml_mm"][far],
        atol=0.1,
    )
    assert "metal" in after.warnings
    assert "canal_ml_lt_minus100_mm" not in get_values(after)


def test_metal_at_the_trochanter_leaves_no_femur(desk: Any) -> None:
    apex = desk.aligned.lesser_trochanter.apex_lps_mm
    with pytest.raises(ValueError, match="reject the case"):
        desk.correct(desk.mark(KIND.METAL, apex, place="1"))


def test_below_a_marked_fracture_nothing_is_measured(desk: Any) -> None:
    after = desk.correct(desk.mark(KIND.FRACTURE, desk.at_level(-120.0))).case.femora[0]
    profile = after.profile
    assert np.isnan(profile.columns["canal_ml_mm"][profile.levels_mm < -120.0]).all()
    assert np.isfinite(profile.columns["canal_ml_mm"][profile.levels_mm > -100.0]).any()
    assert "fracture_marked" in after.warnings
    assert "torsion_deg" not in get_values(after)


def test_a_broken_neck_blanks_what_hangs_on_the_head(desk: Any) -> None:
    neck = desk.aligned.neck
    assert neck is not None
    (after,) = desk.correct(desk.mark(KIND.NECK_FRACTURE, neck.centre_lps_mm)).case.femora
    values, before = get_values(after), get_values(desk.femur)
    hanging = {name for name in before if name.startswith(("head_", "neck_", "femoral_offset"))}
    assert len(hanging) > 8
    for name in hanging:
        assert name not in values
        assert after.indices.reasons[name] == NECK_BROKEN
    assert after.profile.frame.plane is Plane.SCANNER
    # What the neck's place does not touch stays: the scanner's plane was measured before, too.
    for stem in ("isthmus_canal_ml_mm", "cti_ml_lt_minus100", "dcfi_ml"):
        assert values[stem] == pytest.approx(before[name_in_plane(stem, "scanner")], abs=0.01)
    assert values["isthmus_canal_inscribed_mm"] == pytest.approx(
        before["isthmus_canal_inscribed_mm"], abs=0.02
    )
    assert "neck_fracture_marked" in after.warnings
    assert "head_not_separated" not in after.warnings


def test_a_fracture_at_the_trochanter_leaves_no_femur(desk: Any) -> None:
    mark = desk.mark(KIND.FRACTURE, desk.at_level(10.0))
    with pytest.raises(FractureAtTrochanterError, match="right"):
        correct_alignment(desk.aligned, [mark], Settings().align)
    with pytest.raises(ValueError, match="reject the case"):
        desk.correct(mark)


UNFIT = {
    "above the femur": lambda desk: desk.mark(KIND.LESSER_TROCHANTER, desk.at_level(500.0)),
    "beside the femur": lambda desk: desk.mark(
        KIND.LESSER_TROCHANTER, desk.at_level(0.0) + np.array([0.0, 300.0, 0.0])
    ),
    "isthmus in the hip": lambda desk: desk.mark(KIND.ISTHMUS, desk.at_level(20.0)),
    "head out of the scan": lambda desk: desk.mark(
        KIND.HEAD, np.array([900.0, 0.0, 900.0]), radius_mm=24.0
    ),
    "neck in the shaft": lambda desk: desk.mark(KIND.NECK, desk.at_level(-150.0)),
    "no condyles": lambda desk: desk.mark(KIND.PLANE, plane=Plane.CONDYLAR),
    "drawn elsewhere": lambda desk: desk.mark(
        KIND.CANAL_OUTLINE,
        *(point + np.array([80.0, 0.0, 0.0]) for point in draw_circle(desk, -80.0, 6.0)),
        place="x",
    ),
    "drawn around the bone": lambda desk: desk.mark(
        KIND.CANAL_OUTLINE, *draw_circle(desk, -80.0, 25.0), place="x"
    ),
}


#: Each is measured whole; the first two and the last two tell of the rest.
QUICK = ("above the femur", "isthmus in the hip", "drawn elsewhere", "drawn around the bone")


@pytest.mark.parametrize(
    "make",
    [
        pytest.param(make, id=name, marks=() if name in QUICK else pytest.mark.slow)
        for name, make in UNFIT.items()
    ],
)
def test_a_mark_that_does_not_fit_is_shown_and_left_out(desk: Any, make) -> None:
    mark = make(desk)
    after = desk.correct(mark)
    (unfit,) = after.unfit
    assert unfit.mark == mark
    assert unfit.reason.endswith(".")
    (femur,) = after.case.femora
    assert "correction_unfit" in femur.warnings
    assert get_values(femur) == pytest.approx(get_values(desk.femur), abs=1e-9)


def test_an_error_is_met_once_and_told_each_time(desk: Any) -> None:
    known = MeasuredSides()
    mark = desk.mark(KIND.METAL, desk.aligned.lesser_trochanter.apex_lps_mm, place="1")
    for _ in range(2):
        with pytest.raises(CanalMorphError, match="Metal"):
            known.measure(desk.aligned, (mark,), Settings())
