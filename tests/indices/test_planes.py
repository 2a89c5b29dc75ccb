"""Indices in further planes, by the same definitions, and what rotation does."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.indices.compute import compute_indices
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.femur import HeadSphere
from canalmorph.model.index_columns import KNEE_NAMES, PLANE_STEMS, name_in_plane
from canalmorph.model.results import CanalProfile, Measurement, TurnedWidths


def funnel(narrowest_mm: float, at_mm: float, widest_mm: float) -> Callable[..., np.ndarray]:
    """Return a parabola that is narrowest at a level and has a given width at LT+20."""

    def width(levels: np.ndarray) -> np.ndarray:
        share = (levels - at_mm) / (20.0 - at_mm)
        return np.asarray(narrowest_mm + (widest_mm - narrowest_mm) * share**2)

    return width


def turn(profile: CanalProfile, width: Callable[..., np.ndarray]) -> TurnedWidths:
    """Return another plane of a profile with other ML widths of the canal."""
    names = ("canal_ml_mm", "canal_ap_mm", "outer_ml_mm", "outer_ap_mm")
    columns = {name: profile.columns[name] for name in names}
    us = {name: profile.uncertainties[name] for name in names}
    return TurnedWidths(
        turn_deg=0.0,
        columns={**columns, "canal_ml_mm": width(profile.levels_mm)},
        uncertainties=us,
    )


@pytest.fixture
def profile(make_profile: Callable[..., CanalProfile]) -> CanalProfile:
    """Return a canal with an index of 4 in its plane."""
    return make_profile(
        canal_ml=funnel(11.0, -110.0, 44.0), outer_ml=lambda levels: np.full_like(levels, 60.0)
    )


def test_each_plane_has_its_own_isthmus(profile: CanalProfile) -> None:
    turned = {
        "scanner": turn(profile, funnel(12.0, -120.0, 42.0)),
        "condylar": turn(profile, funnel(10.0, -95.0, 45.0)),
    }
    values = compute_indices(replace(profile, turned=turned)).values
    # A parabola's vertex is found exactly by a parabola: only rounding remains.
    for plane, index, level, narrowest in (
        ("scanner", 3.5, -120.0, 12.0),
        ("condylar", 4.5, -95.0, 10.0),
    ):
        assert values[f"cfi_ml_{plane}"].value == pytest.approx(index, rel=1e-9)
        assert values[f"isthmus_level_{plane}_mm"].value == pytest.approx(level, abs=1e-6)
        assert values[f"isthmus_canal_ml_{plane}_mm"].value == pytest.approx(narrowest, rel=1e-9)
    assert values["cfi_ml"].value == pytest.approx(4.0, rel=1e-9)
    names = {column.name for column in FEMUR_COLUMNS}
    assert {name_in_plane(stem, "scanner") for stem in PLANE_STEMS} <= names


def test_largest_change_is_a_size_and_stays_in_its_class(profile: CanalProfile) -> None:
    turned = {
        "plus_10": turn(profile, funnel(11.0, -110.0, 44.0 - 5.5)),
        "minus_10": turn(profile, funnel(11.0, -110.0, 44.0 + 2.2)),
    }
    indices = compute_indices(replace(profile, turned=turned))
    change = indices.values["cfi_ml_rotation_10_deg_change"]
    assert change.value == pytest.approx(0.5, rel=1e-9)
    assert change.u is not None
    assert 0 < change.u < 0.1
    assert indices.warnings == ()


@pytest.mark.parametrize("widest_mm", [11.0 * 2.9, 11.0 * 4.8])
def test_class_that_hangs_on_rotation_is_a_warning(profile: CanalProfile, widest_mm: float) -> None:
    turned = {
        "plus_10": turn(profile, funnel(11.0, -110.0, widest_mm)),
        "minus_10": turn(profile, funnel(11.0, -110.0, 44.0)),
    }
    indices = compute_indices(replace(profile, turned=turned))
    assert indices.warnings == ("canal_shape_depends_on_rotation",)


def test_isthmus_height_is_counted_from_the_condyles(profile: CanalProfile) -> None:
    head = HeadSphere(
        centre_lps_mm=np.array([42.0, 0.0, 50.0]),
        radius_mm=23.0,
        centre_u_mm=0.1,
        radius_u_mm=0.2,
        inlier_share=0.8,
    )
    facts = {"femur_length_mm": Measurement(value=430.0, u=0.5)}
    share = compute_indices(replace(profile, head=head, facts=facts)).values["isthmus_height_share"]
    # The lowest place lies at 73 - 430 = -357, the isthmus at -110.
    assert share.value == pytest.approx((357.0 - 110.0) / 430.0, rel=1e-6)


def test_blank_without_a_knee_has_a_reason_and_is_no_gap(profile: CanalProfile) -> None:
    reason = "The scan ends above the femoral condyles."
    blanks = {"condyles": reason, "torsion_deg": reason, "femur_length_mm": reason}
    reasons = compute_indices(replace(profile, blanks=blanks)).reasons
    assert reasons["torsion_deg"] == reason
    assert reasons["cfi_ml_condylar"] == reason
    assert reasons["isthmus_height_share"] == reason
    assert {"torsion_deg", "cfi_ml_condylar", "isthmus_height_share"} <= set(KNEE_NAMES)
