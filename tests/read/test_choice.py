"""The rule that picks one series of a study."""

from dataclasses import replace

import pytest

from canalmorph.read.choice import choose_series, is_bone_kernel
from canalmorph.read.found import SeriesFound
from canalmorph.read.settings import ReadSettings

BASE = SeriesFound(
    source="best",
    file_format="dicom",
    status="measurable",
    series_key="1",
    study_key="s",
    n_slices=400,
    spacing_mm=(1.0, 0.8, 0.8),
    slice_thickness_mm=1.0,
    kernel="BONE",
    image_type="ORIGINAL\\PRIMARY\\AXIAL",
    orientation="axial",
    coverage_mm=400.0,
    low_mm=(-200.0, -200.0, 0.0),
    high_mm=(200.0, 200.0, 400.0),
)


@pytest.mark.parametrize(
    ("worse", "reason"),
    [
        ({"image_type": "DERIVED\\SECONDARY\\MPR"}, "derived"),
        ({"orientation": "coronal"}, "coronal"),
        ({"slice_thickness_mm": 5.0}, "thick"),
        ({"spacing_mm": (3.0, 0.8, 0.8), "slice_thickness_mm": 3.0}, "thick"),
        ({"coverage_mm": 250.0}, "covers less"),
        ({"kernel": "STANDARD"}, "soft"),
        ({"coverage_mm": 390.0}, "covers less"),
        ({"slice_thickness_mm": 1.2}, "thicker"),
        ({"spacing_mm": (1.0, 0.9, 0.9)}, "coarser"),
        ({}, "equally good"),
    ],
)
def test_the_better_series_is_chosen_in_any_order(worse, reason):
    other = replace(BASE, source="other", series_key="2", **worse)
    for order in ([BASE, other], [other, BASE]):
        by_source = {series.source: series for series in choose_series(order, ReadSettings())}
        assert by_source["best"].chosen
        assert not by_source["other"].chosen
        assert by_source["other"].code == "not-chosen"
        assert reason in by_source["other"].message


def test_a_long_soft_series_goes_before_a_short_sharp_one():
    short = replace(BASE, source="short", series_key="2", coverage_mm=150.0)
    soft = replace(BASE, kernel="STANDARD")
    chosen = [
        series.source for series in choose_series([short, soft], ReadSettings()) if series.chosen
    ]
    assert chosen == ["best"]


def test_every_study_has_its_own_choice():
    other = replace(BASE, source="other", study_key="t", kernel="STANDARD")
    assert all(series.chosen for series in choose_series([BASE, other], ReadSettings()))


def test_all_series_chooses_all_that_can_be_measured():
    other = replace(BASE, source="other", kernel="STANDARD", series_key="2")
    refused = replace(BASE, source="refused", status="refused", series_key="3")
    found = choose_series([BASE, other, refused], ReadSettings(all_series=True))
    assert [series.chosen for series in found] == [True, True, False]


def test_two_legs_beside_each_other_are_both_chosen_and_two_heights_are_not():
    right = replace(BASE, low_mm=(-220.0, -100.0, 0.0), high_mm=(0.0, 100.0, 400.0))
    left = replace(
        right, series_key="2", low_mm=(-40.0, -100.0, 0.0), high_mm=(180.0, 100.0, 400.0)
    )
    chest = replace(
        BASE, series_key="2", low_mm=(-200.0, -200.0, 600.0), high_mm=(200.0, 200.0, 1000.0)
    )
    assert [s.chosen for s in choose_series([right, left], ReadSettings())] == [True, True]
    assert [s.chosen for s in choose_series([BASE, chest], ReadSettings())] == [True, False]


HIPS = replace(BASE, frame_key="f", low_mm=(-200.0, -200.0, 400.0), high_mm=(200.0, 200.0, 620.0))
KNEES = replace(
    HIPS,
    source="knees",
    series_key="2",
    coverage_mm=200.0,
    low_mm=(-200.0, -200.0, 0.0),
    high_mm=(200.0, 200.0, 200.0),
)


def test_knees_of_the_same_frame_go_with_the_hips():
    by_source = {
        series.source: series
        for series in choose_series([KNEES, replace(HIPS, coverage_mm=220.0)], ReadSettings())
    }
    hips, knees = by_source["best"], by_source["knees"]
    assert hips.chosen
    assert hips.knees is not None
    assert hips.knees.source == "knees"
    assert not knees.chosen
    assert "knees" in knees.message


def test_hips_are_measured_with_the_knees_where_the_knees_rank_first():
    hips = replace(HIPS, coverage_mm=150.0)
    by_source = {s.source: s for s in choose_series([hips, KNEES], ReadSettings())}
    assert by_source["best"].chosen
    assert by_source["best"].knees is not None
    assert by_source["knees"].chosen
    assert by_source["knees"].knees is None


@pytest.mark.parametrize(
    "other",
    [{"frame_key": "g"}, {"frame_key": ""}, {"study_key": "t"}, {"orientation": "coronal"}],
)
def test_another_patient_space_gives_no_knees(other):
    found = choose_series([HIPS, replace(KNEES, **other)], ReadSettings())
    assert all(series.knees is None for series in found)


@pytest.mark.parametrize(
    "kernel", ["BONE", "BONEPLUS", "EDGE", "B60f", "Br64d\\3", "YA", "FC30", "Bl57"]
)
def test_sharp_kernels_are_known(kernel):
    assert is_bone_kernel(kernel)


@pytest.mark.parametrize("kernel", ["", "STANDARD", "SOFT", "B30f", "Br38f\\3", "UB", "B", "FC08"])
def test_soft_kernels_are_known(kernel):
    assert not is_bone_kernel(kernel)
