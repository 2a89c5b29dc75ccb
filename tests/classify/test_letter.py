"""The estimated letter: never without its inputs, sure only where all three agree."""

import pytest

from canalmorph.classify.letter import LETTER_INPUTS, estimate_letter
from canalmorph.model.results import CanalIndices, Measurement


def _indices(ratio: float, cti_ml: float, cti_ap: float, u: float = 0.005) -> CanalIndices:
    numbers = dict(zip(LETTER_INPUTS, (ratio, cti_ml, cti_ap), strict=True))
    return CanalIndices(
        values={name: Measurement(value=value, u=u) for name, value in numbers.items()}
    )


@pytest.mark.parametrize(
    ("ratio", "cti", "letter"), [(0.40, 0.62, "A"), (0.62, 0.50, "B"), (0.85, 0.35, "C")]
)
def test_three_agreeing_inputs_make_a_sure_letter(ratio: float, cti: float, letter: str) -> None:
    estimate = estimate_letter(_indices(ratio, cti, cti))
    assert estimate.letter == letter
    # Every input lies at least 6 standard uncertainties inside its class.
    assert estimate.probabilities[letter] > 0.999
    assert tuple(estimate.inputs) == LETTER_INPUTS


@pytest.mark.parametrize(("cti_ml", "cti_ap"), [(0.50, 0.62), (0.62, 0.50)])
def test_one_dissenting_view_keeps_the_letter_unsure(cti_ml: float, cti_ap: float) -> None:
    estimate = estimate_letter(_indices(0.40, cti_ml, cti_ap))
    assert estimate.letter == "A"
    assert estimate.probabilities["A"] == pytest.approx(0.75, abs=1e-3)


def test_the_ratio_has_the_casting_vote() -> None:
    estimate = estimate_letter(_indices(0.85, 0.50, 0.50, u=0.0))
    assert estimate.probabilities == {"A": 0.0, "B": 0.5, "C": 0.5}
    assert estimate.letter == "C"


@pytest.mark.parametrize("u", [0.0, 0.01, 0.1, 1.0])
def test_probabilities_sum_to_one(u: float) -> None:
    estimate = estimate_letter(_indices(0.5, 0.46, 0.54, u=u))
    assert sum(estimate.probabilities.values()) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("missing", LETTER_INPUTS)
def test_no_letter_without_every_input(missing: str) -> None:
    values = dict(_indices(0.4, 0.6, 0.6).values)
    values[missing] = Measurement()
    estimate = estimate_letter(CanalIndices(values=values))
    assert estimate.letter is None
    assert estimate.probabilities == {}
    assert estimate.inputs == {}


@pytest.mark.parametrize(
    ("ratio", "cti_ml", "cti_ap"),
    [(0.0, 0.5, 0.5), (1.5, 0.5, 0.5), (0.6, 1.0, 0.5), (0.6, 0.5, -0.01), (0.6, 1.1, 0.5)],
)
def test_impossible_inputs_are_a_wrong_call(ratio: float, cti_ml: float, cti_ap: float) -> None:
    with pytest.raises(ValueError, match="must lie in"):
        estimate_letter(_indices(ratio, cti_ml, cti_ap))
