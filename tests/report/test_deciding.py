"""What would decide an undecided class, and how well the number would have to be known."""

import pytest

from canalmorph.advise.fixation import advise_fixation
from canalmorph.classify.shape import classify_canal
from canalmorph.model.certainty import SURE_FROM, get_chance_below
from canalmorph.model.results import CanalIndices, CanalType, Measurement
from canalmorph.report.deciding import list_deciding


def _decide(value: float, u: float, name: str = "cfi_ml") -> tuple[str, ...]:
    """Return what the page says of the canal shape, the cortex being sure."""
    cortex = {"cbr_ml_lt_minus100": Measurement(value=0.4, u=0.01)}
    indices = CanalIndices(values={name: Measurement(value=value, u=u), **cortex})
    canal_type = classify_canal(indices)
    advice = advise_fixation(canal_type, indices)
    return (*list_deciding(canal_type, indices), *advice.would_decide)


@pytest.mark.parametrize(("value", "u", "needed"), [(2.9, 0.3, 0.12), (4.85, 0.4, 0.18)])
def test_the_needed_uncertainty_makes_the_class_just_sure(
    value: float, u: float, needed: float
) -> None:
    (sentence,) = _decide(value, u)
    assert f"± {needed:.2f} or better" in sentence
    below = get_chance_below(Measurement(value=value, u=needed), 3.0 if value < 4 else 4.7)
    # The sentence rounds to two digits.
    assert max(below, 1 - below) == pytest.approx(SURE_FROM, abs=0.01)


@pytest.mark.parametrize(
    ("name", "value"),
    [("cfi_ml", 3.02), ("cfi_ml", 4.72), ("cfi_ml_lower_bound", 2.9), ("cfi_ml_lower_bound", 3.6)],
)
def test_what_decides_the_flare_is_said_once(name: str, value: float) -> None:
    assert len(_decide(value, 0.1, name)) == 1


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
    assert "both views" in list_deciding(undecided, CanalIndices(values={}))[0]
