"""Peaks against a general reference library."""

import numpy as np
import pytest
from scipy import signal

from canalmorph.geometry.ridges import find_prominent_peaks


@pytest.mark.parametrize("seed", range(20))
def test_peaks_are_those_of_a_reference_library(seed: int) -> None:
    rng = np.random.default_rng(seed)
    curve = np.cumsum(rng.normal(size=120))
    if seed % 2:
        curve = np.round(curve)  # flat tops
    peaks, found = signal.find_peaks(curve, prominence=0.7)
    ours = find_prominent_peaks(curve, 0.7)
    assert [index for index, _ in ours] == peaks.tolist()
    assert [prominence for _, prominence in ours] == pytest.approx(found["prominences"].tolist())


def test_a_rising_curve_has_no_peak() -> None:
    assert find_prominent_peaks(np.arange(10.0), 0.0) == []
    assert find_prominent_peaks(np.zeros(10), 0.0) == []
