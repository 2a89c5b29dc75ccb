"""Bands of populations: a number outside is flagged and stays."""

from collections.abc import Callable

import numpy as np
import pytest

from canalmorph.indices.compute import compute_indices
from canalmorph.indices.plausible import find_unusual
from canalmorph.model.codes import CODES
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.results import CanalProfile, Measurement
from canalmorph.published import BIBLIOGRAPHY, POPULATION_BANDS, PopulationBand


def narrow(level: np.ndarray) -> np.ndarray:
    """Return a canal of 12 mm that opens above LT-110."""
    return 12.0 + 0.002 * np.maximum(level + 110.0, 0.0) ** 2


def thick(level: np.ndarray) -> np.ndarray:
    return narrow(level) + 14.0


#: Which number makes which code.
CODES_OF = {
    "head_diameter_mm": "head_size_unusual",
    "neck_shaft_angle_deg": "neck_shaft_angle_unusual",
    "femoral_offset_mm": "femoral_offset_unusual",
    "head_above_trochanter_tip_mm": "head_height_unusual",
    "torsion_deg": "torsion_unusual",
    "bow_radius_mm": "bow_unusual",
    "isthmus_canal_inscribed_mm": "isthmus_width_unusual",
    "isthmus_height_share": "isthmus_height_unusual",
    "femur_length_mm": "femur_length_unusual",
    "cti_ml_lt_minus100": "cortical_index_unusual",
}


@pytest.mark.parametrize("band", POPULATION_BANDS, ids=lambda band: band.column)
def test_a_number_is_unusual_beyond_its_band_and_its_uncertainty(band: PopulationBand) -> None:
    width = band.high - band.low
    u = 0.05 * width

    def find(value: float | None) -> bool:
        return CODES_OF[band.column] in find_unusual({band.column: Measurement(value=value, u=u)})

    assert not find(None)
    assert not find((band.low + band.high) / 2)
    for edge, out in ((band.low, -1.0), (band.high, 1.0)):
        assert not find(edge + 0.9 * out * u)
        assert find(edge + 1.1 * out * u)


@pytest.mark.parametrize("band", POPULATION_BANDS, ids=lambda band: band.column)
def test_a_band_has_a_column_a_source_and_its_bounds_in_words(band: PopulationBand) -> None:
    assert band.column in {column.name for column in FEMUR_COLUMNS if column.measured}
    assert set(band.sources) <= BIBLIOGRAPHY.keys()
    (code,) = [code for code in CODES if code.name == band.code]
    percent = 100 if "%" in code.meaning else 1
    for bound in (band.low, band.high):
        assert f"{abs(percent * bound):g} " in code.meaning.replace(",", " ")


@pytest.mark.parametrize(
    ("column", "value"), [("head_diameter_mm", 60.0), ("torsion_deg", -31.0), ("torsion_deg", 55.0)]
)
def test_what_is_unusual_is_given_all_the_same(
    make_profile: Callable[..., CanalProfile], column: str, value: float
) -> None:
    fact = Measurement(value=value, u=0.5)
    indices = compute_indices(make_profile(canal_ml=narrow, outer_ml=thick, facts={column: fact}))
    (band,) = [band for band in POPULATION_BANDS if band.column == column]
    assert band.code in indices.warnings
    assert indices.values[column] == fact
    usual = compute_indices(make_profile(canal_ml=narrow, outer_ml=thick))
    assert not {band.code for band in POPULATION_BANDS} & set(usual.warnings)
