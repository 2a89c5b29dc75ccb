"""Identities of geometry and of print, each with its source, on what the tool computes."""

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pytest
from calibrations import USUAL

from canalmorph.indices.compute import compute_indices
from canalmorph.model.femur import FemurFrame, Plane, Side
from canalmorph.model.results import CanalIndices, CanalProfile, Measurement
from canalmorph.published import CANAL_BONE_RATIO_OSTEOPOROTIC, CANAL_ML_PROFILE_MM

if TYPE_CHECKING:
    from conftest import Stages

#: Circular ring, area fraction = 1 - (1 - CTI)^2: derived, plane geometry; printed to 0.001.
RING_AREA_FRACTION = {0.40: 0.64, 0.50: 0.75, 0.58: 0.824}

#: CFI, MCFI and DCFI of the same femora, as printed to 0.1: Ther Clin Risk Manag 2020;16:631;
#: contralateral normal hips, two groups, then dysplastic ones.
PRINTED_CFI_MCFI_DCFI = [(4.4, 2.3, 1.9), (4.6, 2.4, 1.9), (2.8, 2.2, 1.3), (3.9, 2.4, 1.7)]

#: orthobullets.com/evidence/24781623 prints cortical indices up to 1.10 for a formula that cannot
#: exceed 1; as (outer - inner) / inner they are x / (1 + x) by the formula. Derived.
INNER_BASED_TO_OUTER_BASED = {1.10: 0.524, 0.79: 0.441, 0.65: 0.394, 0.59: 0.371, 0.81: 0.448}

#: Means of 60 femora on CT, canal width at LT+20 over that 10 to 40 mm below the lesser
#: trochanter and at the isthmus: Murakami et al., J Orthop Sci 2015;20:498-506.
MURAKAMI_RATIOS = {-10.0: 2.05, -20.0: 2.49, -30.0: 2.85, -40.0: 3.09}
MURAKAMI_CFI = 4.29

#: Neck-shaft angle in the AP projection by true angle and turn: tan f' = tan f cos t with f
#: = 180 - angle; derived, printed to 0.01. [deg, deg, deg]
PROJECTED_NECK_SHAFT_ANGLE_DEG = [
    (125.0, 15.0, 125.94),
    (125.0, 30.0, 128.96),
    (125.0, 45.0, 134.72),
    (130.0, 15.0, 130.98),
    (130.0, 30.0, 134.10),
]


def make_profile(levels_mm: np.ndarray, canal_mm: np.ndarray, outer_mm: np.ndarray) -> CanalProfile:
    """Return a round bone's profile, the canal in the middle."""
    columns = {}
    for name, width in (("canal", canal_mm), ("outer", outer_mm)):
        columns |= {f"{name}_{axis}_mm": width for axis in ("ml", "ap")}
        columns[f"{name}_area_mm2"] = np.pi / 4 * width**2
    columns["canal_inscribed_mm"] = canal_mm
    none = np.zeros((len(levels_mm), 4, 2))
    return CanalProfile(
        side=Side.RIGHT,
        frame=FemurFrame(
            origin_lps_mm=np.zeros(3),
            medial=np.array([1.0, 0.0, 0.0]),
            posterior=np.array([0.0, 1.0, 0.0]),
            proximal=np.array([0.0, 0.0, 1.0]),
            plane=Plane.NECK,
        ),
        levels_mm=levels_mm,
        columns=columns,
        uncertainties={name: np.full(len(levels_mm), 0.05) for name in columns},
        quality=np.zeros(len(levels_mm), dtype=np.int64),
        outer_outline_mm=none,
        canal_outline_mm=none,
        head=None,
        facts={},
        level_u_mm=0.3,
        isthmus_in_view=True,
        calibration=USUAL,
    )


def get_value(indices: CanalIndices, name: str) -> float:
    value = indices.values[name].value
    assert value is not None, name
    return value


def assert_identities(indices: CanalIndices) -> None:
    product = get_value(indices, "mcfi_ml") * get_value(indices, "dcfi_ml")
    assert get_value(indices, "cfi_ml") == pytest.approx(product, rel=1e-12)
    shares = get_value(indices, "cti_ml_lt_minus100") + get_value(indices, "cbr_ml_lt_minus100")
    assert shares == pytest.approx(1.0, rel=1e-12)


def test_identities_hold_on_a_measured_femur(right_stages: "Stages") -> None:
    indices = right_stages.indices
    assert_identities(indices)
    widths = {
        name: get_value(indices, f"canal_ml_{name}_mm") for name in ("lt_plus20", "lt_minus20")
    }
    isthmus = get_value(indices, "isthmus_canal_ml_mm")
    assert get_value(indices, "cfi_ml") == pytest.approx(widths["lt_plus20"] / isthmus)
    assert get_value(indices, "dcfi_ml") == pytest.approx(widths["lt_minus20"] / isthmus)
    assert get_value(indices, "cfi_ml") > 1  # proximal over isthmus, however print words it


@pytest.mark.parametrize(("cfi", "mcfi", "dcfi"), PRINTED_CFI_MCFI_DCFI)
def test_printed_indices_multiply(cfi: float, mcfi: float, dcfi: float) -> None:
    # Means of products are not products of means, and each is rounded by 0.05: the printed ones
    # agree within 0.05 mcfi + 0.05 dcfi + 0.05.
    assert mcfi * dcfi == pytest.approx(cfi, abs=0.05 * (mcfi + dcfi + 1))


@pytest.mark.parametrize(("cti", "printed"), RING_AREA_FRACTION.items())
def test_area_fraction_of_a_ring_follows_from_the_thickness_index(
    cti: float, printed: float
) -> None:
    levels = np.arange(40.0, -181.0, -1.0)
    outer = np.full(len(levels), 30.0)
    canal = (1 - cti) * outer * (1 + 1e-5 * (levels + 115.0) ** 2)
    indices = compute_indices(make_profile(levels, canal, outer))
    assert get_value(indices, "cti_ml_isthmus") == pytest.approx(cti, abs=1e-9)
    fraction = get_value(indices, "cortical_area_fraction_isthmus")
    assert fraction == pytest.approx(1 - (1 - cti) ** 2, abs=1e-6)
    assert fraction == pytest.approx(printed, abs=0.0005)
    assert_identities(indices)


def test_area_fraction_and_thickness_index_agree_on_a_measured_femur(
    right_stages: "Stages",
) -> None:
    """The shaft is no circle: of two ellipses the fraction is 1 - (1 - CTI_ML)(1 - CTI_AP)."""
    indices = right_stages.indices
    ml = 1 - get_value(indices, "cti_ml_isthmus")
    ap = get_value(indices, "isthmus_canal_ap_mm") / get_value(indices, "isthmus_outer_ap_mm")
    # Phantom sections are ellipses: what is left is the widths' own error, 0.002 of a ratio each.
    fraction = get_value(indices, "cortical_area_fraction_isthmus")
    assert fraction == pytest.approx(1 - ml * ap, abs=0.004)


@pytest.mark.parametrize(("inner_based", "outer_based"), INNER_BASED_TO_OUTER_BASED.items())
def test_an_index_over_the_canal_converts_to_one_over_the_bone(
    inner_based: float, outer_based: float
) -> None:
    canal_mm = 12.0
    outer_mm = canal_mm * (1 + inner_based)
    levels = np.arange(40.0, -181.0, -1.0)
    ones = np.ones(len(levels))
    indices = compute_indices(make_profile(levels, canal_mm * ones, outer_mm * ones))
    found = get_value(indices, "cti_ml_lt_minus100")
    assert found == pytest.approx(inner_based / (1 + inner_based), rel=1e-9)
    assert found == pytest.approx(outer_based, abs=0.0005)
    assert 0 <= found < 1


def test_ratios_grow_downwards_on_the_published_profile() -> None:
    """P20/D10 < P20/D20 < P20/D40 < ... as the canal narrows: Murakami 2015, and the profile of
    508 femora, Bone Joint J 2016;98-B Supp 1, ISTA2014-118.
    """
    levels = np.array(sorted(CANAL_ML_PROFILE_MM))
    widths = np.array([CANAL_ML_PROFILE_MM[level] for level in levels])
    fine = np.arange(20.0, -81.0, -1.0)
    canal = np.interp(fine, levels, widths)
    profile = make_profile(fine, canal, canal + 14.0)
    indices = compute_indices(profile)
    top = get_value(indices, "canal_ml_lt_plus20_mm")
    ratios = [top / np.interp(level, fine[::-1], canal[::-1]) for level in MURAKAMI_RATIOS]
    assert all(upper < lower for upper, lower in pairwise(ratios))
    assert all(upper < lower for upper, lower in pairwise(MURAKAMI_RATIOS.values()))
    assert max(MURAKAMI_RATIOS.values()) < MURAKAMI_CFI
    # Two populations: their ratios agree within a fifth.
    assert ratios == pytest.approx(list(MURAKAMI_RATIOS.values()), rel=0.2)
    # The printed widths' own ratios: 43.7 / 20.6 and 43.7 / 13.5.
    assert get_value(indices, "mcfi_ml") == pytest.approx(2.12, abs=0.005)
    assert get_value(indices, "cfi_ml") == pytest.approx(3.24, abs=0.005)


def test_canal_bone_ratio_bound_as_a_thickness_index() -> None:
    # J Arthroplasty 2006;21:508: 0.49 or more; the same bone has a thickness index of 0.51.
    levels = np.arange(40.0, -181.0, -1.0)
    ones = np.ones(len(levels))
    indices = compute_indices(make_profile(levels, 14.7 * ones, 30.0 * ones))
    assert get_value(indices, "cbr_ml_lt_minus100") == pytest.approx(CANAL_BONE_RATIO_OSTEOPOROTIC)
    assert get_value(indices, "cti_ml_lt_minus100") == pytest.approx(0.51)


@pytest.mark.parametrize(("true_deg", "turn_deg", "printed_deg"), PROJECTED_NECK_SHAFT_ANGLE_DEG)
def test_projected_neck_shaft_angle(true_deg: float, turn_deg: float, printed_deg: float) -> None:
    """A film shows the neck along a direction turned about the shaft from the neck's own plane."""
    frame = FemurFrame(
        origin_lps_mm=np.array([-120.0, 10.0, -50.0]),
        medial=np.array([1.0, 0.0, 0.0]),
        posterior=np.array([0.0, 1.0, 0.0]),
        proximal=np.array([0.0, 0.0, 1.0]),
        plane=Plane.NECK,
    )
    slope, turn = np.radians(180.0 - true_deg), np.radians(turn_deg)
    # The neck in the frame of the film: medial part shortened by the turn, height kept.
    neck = np.array([np.sin(slope) * np.cos(turn), -np.sin(slope) * np.sin(turn), np.cos(slope)])
    axis = frame.frame_to_lps_mm(neck) - frame.origin_lps_mm
    assert np.degrees(np.arccos(-axis @ frame.proximal)) == pytest.approx(true_deg)
    seen = frame.lps_to_frame_mm(frame.origin_lps_mm + axis)
    projected_deg = 180.0 - np.degrees(np.arctan2(seen[0], seen[2]))
    assert projected_deg == pytest.approx(printed_deg, abs=0.005)
    assert np.tan(np.radians(180.0 - projected_deg)) == pytest.approx(np.tan(slope) * np.cos(turn))


def test_a_measured_neck_projects_by_the_same_rule(right_stages: "Stages") -> None:
    """The measured angle is the one in space, which any projection but its own plane's exceeds."""
    aligned = right_stages.aligned
    assert aligned.neck is not None
    fact: Measurement = right_stages.profile.facts["neck_shaft_angle_deg"]
    assert fact.value is not None
    seen = aligned.frame.lps_to_frame_mm(aligned.frame.origin_lps_mm + aligned.neck.direction)
    in_plane = 180.0 - np.degrees(np.arctan2(seen[0], seen[2]))
    assert in_plane == pytest.approx(fact.value, abs=1e-6)  # ML and axis span the neck's plane
    for turn_deg in (15.0, 30.0):
        turn = np.radians(turn_deg)
        medial = seen[0] * np.cos(turn) + seen[1] * np.sin(turn)
        projected = 180.0 - np.degrees(np.arctan2(medial, seen[2]))
        slope = np.radians(180.0 - fact.value)
        assert np.tan(np.radians(180.0 - projected)) == pytest.approx(np.tan(slope) * np.cos(turn))
        assert projected > fact.value
