"""Invented cohorts: the same people each time, in equal parts, different as they should be."""

from collections import Counter

import pytest

from canalmorph_phantoms.populations import (
    AGEING_MM,
    CENTRES,
    KERNELS,
    draw_ageing_cohort,
    draw_published_cohort,
    draw_shapes_cohort,
    image_person,
)
from canalmorph_phantoms.shapes import CAUCASIAN, CHINESE
from canalmorph_phantoms.spec import FemurShape


def find_isthmus(shape: FemurShape) -> tuple[float, float]:
    """Return level and canal width of the narrowest knot."""
    return min(shape.canal_ml_knots, key=lambda knot: knot[1])


def test_all_kinds_are_equally_frequent_and_everyone_is_the_same_again() -> None:
    people = list(draw_shapes_cohort())
    assert people == list(draw_shapes_cohort())
    kinds = Counter((each.group, each.centre, each.kernel) for each in people)
    assert len(people) == 60
    assert set(kinds.values()) == {5}
    assert len(kinds) == 12
    # Fewer people are the first of them.
    assert list(draw_shapes_cohort(7)) == people[:7]
    assert len({find_isthmus(each.femur.shape) for each in people}) == 60


def test_shapes_have_the_isthmus_of_their_kind() -> None:
    widths: dict[str, list[float]] = {}
    for person in draw_shapes_cohort():
        widths.setdefault(person.group, []).append(find_isthmus(person.femur.shape)[1])
    assert max(widths["champagne_flute"]) < min(widths["normal"])
    assert max(widths["normal"]) < min(widths["stovepipe"])


@pytest.mark.parametrize("kernel", KERNELS)
def test_a_scan_has_the_centre_and_the_kernel_and_the_whole_femur_that_is_needed(
    kernel: str,
) -> None:
    for person in draw_shapes_cohort(12):
        scan = image_person(person, kernel)
        centre = CENTRES[person.centre]
        assert (scan.scanner.pixel_mm, scan.scanner.kernel) == (centre.pixel_mm, kernel)
        low, high = scan.scanner.z_range_mm
        shape = person.femur.shape
        # The isthmus needs 40 mm of shaft below it, the head's top lies its radius over zero.
        assert low < find_isthmus(shape)[0] - shape.head_height_mm - 40.0
        assert high > shape.head_radius_mm
        assert (scan.scanner.x_range_mm[0] < 0) == (person.femur.side == "right")


def test_published_people_share_the_published_widths() -> None:
    for group, profile in (("caucasian", CAUCASIAN), ("chinese", CHINESE)):
        people = [each for each in draw_published_cohort(3) if each.group == group]
        assert len(people) == 3
        for each in people:
            knots = dict(each.femur.shape.canal_ml_knots)
            assert {level: knots[level] for level, _ in profile.canal_ml_mm if level <= 0} == {
                level: width for level, width in profile.canal_ml_mm if level <= 0
            }
        assert len({each.femur.shape.torsion_deg for each in people}) == 3


def test_only_ageing_differs_between_bands() -> None:
    people = list(draw_ageing_cohort(3))
    for sex in "FM":
        young, old = (
            [each for each in people if each.group == f"{sex} {band}"]
            for band in ("40-60", "60-90")
        )
        share = AGEING_MM[sex, "60-90"][0] / AGEING_MM[sex, "40-60"][0]
        for one, other in zip(young, old, strict=True):
            widths = [find_isthmus(each.femur.shape)[1] for each in (one, other)]
            assert widths[1] / widths[0] == pytest.approx(share)
            assert one.age_years < 60 <= other.age_years
            assert one.femur.side == other.femur.side
