"""What would decide an undecided class, and how well the number would have to be known."""

import pytest

from canalmorph.classify.shape import classify_canal
from canalmorph.model.certainty import SURE_FROM, get_chance_below
from canalmorph.model.results import CanalIndices, CanalType, Measurement
from canalmorph.report.deciding import list_deciding


def _decide(value: float, u: float) -> tuple[str, ...]:
    indices = CanalIndices(values={"cfi_ml": Measurement(value=value, u=u)})
    return list_deciding(classify_canal(indices), indices)


@pytest.mark.parametrize(("value", "u", "needed"), [(2.9, 0.3, 0.12), (4.85, 0.4, 0.18)])
def test_the_needed_uncertainty_makes_the_class_just_sure(
    value: float, u: float, needed: float
) -> None:
    (sentence,) = _decide(value, u)
    assert f"± {needed:.2f} or better" in sentence
    below = get_chance_below(Measurement(value=value, u=needed), 3.0 if value < 4 else 4.7)
    # The sentence rounds to two digits.
    assert max(below, 1 - below) == pytest.approx(SURE_FROM, abs=0.01)


def test_on_the_bound_no_scan_decides() -> None:
    assert "no scan would tell" in _decide(3.0, 0.2)[0]


def test_a_sure_class_needs_nothing() -> None:
    assert _decide(3.8, 0.1) == ()


def test_an_undecided_letter_asks_for_an_eye() -> None:
    undecided = CanalType(
        shape=None,
        shape_probabilities={},
        letter="B",
        letter_probabilities={"A": 0.3, "B": 0.6, "C": 0.1},
    )
    assert "both views" in list_deciding(undecided, CanalIndices(values={}))[1]
