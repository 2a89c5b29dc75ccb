"""Sentences about torsion and rotation."""

import pytest

from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.report.turning import describe_torsion, describe_turning


def make_indices(**values: float) -> CanalIndices:
    return CanalIndices(
        values={name: Measurement(value=value, u=0.05) for name, value in values.items()},
        reasons={"torsion_deg": "The scan ends above the femoral condyles."},
    )


@pytest.mark.parametrize(("torsion", "word"), [(14.0, "anteversion"), (-6.0, "retroversion")])
def test_torsion_is_said_with_sign_and_method(torsion: float, word: str) -> None:
    text = describe_torsion(make_indices(torsion_deg=torsion, torsion_transepicondylar_deg=9.0))
    assert word in text
    assert "posterior condylar line" in text
    assert "other methods" in text
    assert "epicondyles: 9.0" in text


def test_torsion_that_is_not_known_says_why() -> None:
    assert describe_torsion(make_indices()) == (
        "Torsion: not known. The scan ends above the femoral condyles."
    )


def test_rotation_is_said_with_the_other_planes() -> None:
    text = describe_turning(
        make_indices(cfi_ml_rotation_10_deg_change=0.2, cfi_ml_condylar=3.7, cfi_ml_scanner=3.6)
    )
    assert "10°" in text
    assert "by up to 0.20" in text
    assert "3.70 ± 0.05 in the condylar plane" in text
    assert "3.60 ± 0.05 in the scanner's coronal plane" in text


def test_unknown_rotation_says_nothing() -> None:
    assert describe_turning(make_indices()) == ""
