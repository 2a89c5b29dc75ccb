"""Real CT without a femur: each is refused with a sentence that says why, and gives no number."""

import pytest

from canalmorph.errors import CanalMorphError
from canalmorph.pipeline import Settings, measure_scan
from canalmorph.read.scans import read_series, survey_scans

pytestmark = pytest.mark.outside_data


@pytest.mark.parametrize(
    ("folder", "words"),
    [
        ("long_bone_ct", "none with a femoral head above"),  # two legs below the knee
        ("skull_phantom", "no femur that can be measured"),
        ("abdomen_no_femur", "no femur that can be measured"),
        ("tilted_phantom", "no femur that can be measured"),
    ],
)
def test_a_scan_without_a_femur_is_refused_in_words(shared_data, folder, words):
    chosen = [series for series in survey_scans(shared_data / folder) if series.chosen]
    assert chosen
    for series in chosen:
        with pytest.raises(CanalMorphError, match=words) as refusal:
            measure_scan(read_series(series), Settings(), case_id="none")
        assert refusal.value.code == "no-femur"
        assert folder in str(refusal.value)


@pytest.mark.parametrize(
    ("folder", "code", "words"),
    [
        ("localizer", "no-ct-series", "None of its"),
    ],
)
def test_a_scan_that_cannot_be_read_is_refused_in_words(shared_data, folder, code, words):
    found = survey_scans(shared_data / folder)
    assert not any(series.chosen for series in found)
    refused = [series for series in found if series.code == code]
    assert refused
    assert words in refused[0].message
