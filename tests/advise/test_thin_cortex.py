"""The caution of a cortex that is thin for its level: when, with which source, and no diagnosis."""

import pytest

from canalmorph.advise.fixation import advise_fixation
from canalmorph.advise.thin_cortex import BANDS, Band, list_thin_cortex
from canalmorph.classify.shape import classify_canal
from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.published import CTI_ML_ARTHRITIC_HIPS, CTI_ML_THIN_BELOW


def _indices(column: str, value: float, u: float) -> CanalIndices:
    return CanalIndices(values={column: Measurement(value=value, u=u)})


def test_the_bound_is_two_sd_below_the_printed_mean() -> None:
    # Canal bone ratio 0.41 ± 0.08 of 50 hips with osteoarthritis (Arch Bone Jt Surg 2020;8:675);
    # the cortical thickness index is one less it.
    assert pytest.approx((1 - 0.41, 0.08)) == CTI_ML_ARTHRITIC_HIPS
    assert pytest.approx(1 - 0.41 - 2 * 0.08) == CTI_ML_THIN_BELOW


@pytest.mark.parametrize("band", BANDS, ids=lambda band: band.column)
def test_a_number_below_its_band_is_cautioned_about(band: Band) -> None:
    u = 0.01
    (caution,) = list_thin_cortex(_indices(band.column, band.bound - 3 * u, u))
    assert band.words in caution
    assert band.source in caution
    assert "No diagnosis" in caution
    assert list_thin_cortex(_indices(band.column, band.bound + 3 * u, u)) == ()


@pytest.mark.parametrize(("distance", "warned"), [(0.83, True), (0.86, False)])
def test_one_chance_in_five_is_enough(distance: float, warned: bool) -> None:
    # A fifth of a normal error lies more than 0.8416 standard deviations below.
    u = 0.02
    found = list_thin_cortex(_indices("cti_ml_lt_minus100", CTI_ML_THIN_BELOW + distance * u, u))
    assert bool(found) is warned


def test_what_is_not_known_is_not_cautioned_about() -> None:
    assert list_thin_cortex(CanalIndices(values={"cti_ml_lt_minus100": Measurement()})) == ()


def test_the_caution_stands_with_the_others() -> None:
    indices = _indices("cti_ml_lt_minus100", 0.35, 0.01)
    advice = advise_fixation(classify_canal(indices), indices)
    assert any("Thin cortex for its level" in sentence for sentence in advice.cautions)
