"""The estimated letter: never without its inputs, sure only where canal and both views agree."""

import numpy as np
import pytest

from canalmorph.classify.letter import LETTER_INPUTS, VOICES, estimate_letter
from canalmorph.model.results import CanalIndices, Measurement
from canalmorph.published import (
    LETTER_MEAN_CTI_AP_FILM,
    LETTER_MEAN_RATIO,
)


def _indices(
    ratio: float, cti_ml: float, cti_ap: float, walls: float = 1.3, u: float = 0.005
) -> CanalIndices:
    numbers = dict(zip(LETTER_INPUTS, (ratio, cti_ml, cti_ap, walls), strict=True))
    return CanalIndices(
        values={name: Measurement(value=value, u=u) for name, value in numbers.items()}
    )


@pytest.mark.parametrize(
    ("ratio", "cti", "letter"), [(0.40, 0.62, "A"), (0.62, 0.50, "B"), (0.85, 0.35, "C")]
)
def test_agreeing_inputs_make_a_sure_letter(ratio: float, cti: float, letter: str) -> None:
    estimate = estimate_letter(_indices(ratio, cti, cti))
    assert estimate.letter == letter
    # Every input lies at least 6 standard uncertainties inside its class.
    assert estimate.probabilities[letter] > 0.999
    assert tuple(estimate.inputs) == LETTER_INPUTS
    assert tuple(estimate.voices) == VOICES


@pytest.mark.parametrize("letter", "ABC")
def test_the_printed_means_of_each_letter_are_sure(letter: str) -> None:
    cti = LETTER_MEAN_CTI_AP_FILM[letter]
    estimate = estimate_letter(_indices(LETTER_MEAN_RATIO[letter], cti, cti))
    assert estimate.probabilities[letter] > 0.999


@pytest.mark.parametrize(("cti_ml", "cti_ap"), [(0.50, 0.62), (0.62, 0.50)])
def test_one_dissenting_view_keeps_the_letter_unsure(cti_ml: float, cti_ap: float) -> None:
    estimate = estimate_letter(_indices(0.40, cti_ml, cti_ap))
    assert estimate.letter == "A"
    assert estimate.probabilities["A"] == pytest.approx(0.75, abs=1e-3)


@pytest.mark.parametrize(("ratio", "cti"), [(0.85, 0.50), (0.62, 0.35), (0.40, 0.35)])
def test_at_a_tie_the_letter_of_the_thinner_bone_stands(ratio: float, cti: float) -> None:
    estimate = estimate_letter(_indices(ratio, cti, cti, u=0.0))
    assert sorted(estimate.probabilities.values()) == [0.0, 0.5, 0.5]
    assert estimate.probabilities["C"] == 0.5
    assert estimate.letter == "C"


@pytest.mark.parametrize(
    ("walls", "lateral"),
    [
        (1.3, {"A": 1.0, "B": 0.0, "C": 0.0}),
        (1.0, {"A": 0.5, "B": 0.5, "C": 0.0}),  # exactly on the bound
        (0.7, {"A": 0.0, "B": 1.0, "C": 0.0}),
    ],
)
def test_a_thinned_posterior_wall_is_no_a(walls: float, lateral: dict[str, float]) -> None:
    estimate = estimate_letter(_indices(0.40, 0.62, 0.62, walls, u=0.0))
    assert estimate.voices["lateral_view"] == lateral
    assert estimate.probabilities["A"] == 0.75 + 0.25 * lateral["A"]


@pytest.mark.parametrize("walls", [0.7, 1.3])
def test_the_posterior_wall_bears_on_a_alone(walls: float) -> None:
    estimate = estimate_letter(_indices(0.85, 0.35, 0.35, walls))
    assert estimate.probabilities["C"] > 0.999


@pytest.mark.parametrize("u", [0.0, 0.01, 0.1, 1.0])
def test_probabilities_sum_to_one(u: float) -> None:
    estimate = estimate_letter(_indices(0.5, 0.46, 0.54, 1.0, u=u))
    assert sum(estimate.probabilities.values()) == pytest.approx(1.0, abs=1e-12)
    for said in estimate.voices.values():
        assert sum(said.values()) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(
    ("numbers", "u"),
    [
        ((0.48, 0.55, 0.53, 1.05), (0.02, 0.015, 0.02, 0.1)),
        ((0.74, 0.47, 0.44, 0.98), (0.03, 0.02, 0.01, 0.05)),
        ((0.62, 0.54, 0.57, 0.90), (0.05, 0.03, 0.03, 0.2)),
    ],
)
def test_probabilities_are_those_of_readers_drawn_at_random(
    numbers: tuple[float, ...], u: tuple[float, ...]
) -> None:
    """A reader trusts one voice, by its weight, and reads the letter of numbers with errors."""
    n = 400_000
    random = np.random.default_rng(5)
    ratio, cti_ml, cti_ap, walls = random.normal(numbers, u, (n, 4)).T

    def read_index(index: np.ndarray) -> np.ndarray:
        return np.where(index < 0.46, "C", np.where(index < 0.54, "B", "A"))

    canal = np.where(ratio < 0.5, "A", np.where(ratio < 0.75, "B", "C"))
    lateral = read_index(cti_ap)
    lateral[(lateral == "A") & (walls < 1.0)] = "B"
    trusted = random.choice(3, n, p=[0.5, 0.25, 0.25])
    read = np.choose(trusted, [canal, read_index(cti_ml), lateral])
    indices = CanalIndices(
        values={
            name: Measurement(value=value, u=one)
            for name, value, one in zip(LETTER_INPUTS, numbers, u, strict=True)
        }
    )
    estimate = estimate_letter(indices)
    for letter, chance in estimate.probabilities.items():
        # A share of 400,000 readers errs by at most 0.0008; four of that.
        assert chance == pytest.approx(float((read == letter).mean()), abs=0.0032)


@pytest.mark.parametrize("missing", LETTER_INPUTS)
def test_no_letter_without_every_input(missing: str) -> None:
    values = dict(_indices(0.4, 0.6, 0.6).values)
    values[missing] = Measurement()
    estimate = estimate_letter(CanalIndices(values=values))
    assert estimate.letter is None
    assert estimate.probabilities == {}
    assert estimate.inputs == {}
    assert estimate.voices == {}


def test_a_canal_that_widens_downwards_is_measured_like_any_other() -> None:
    estimate = estimate_letter(_indices(1.8, 0.3, 0.3))
    assert estimate.letter == "C"


@pytest.mark.parametrize(
    ("ratio", "cti_ml", "cti_ap", "walls"),
    [
        (0.0, 0.5, 0.5, 1.0),
        (0.6, 1.0, 0.5, 1.0),
        (0.6, 0.5, -0.01, 1.0),
        (0.6, 1.1, 0.5, 1.0),
        (0.6, 0.5, 0.5, 0.0),
    ],
)
def test_impossible_inputs_are_a_wrong_call(
    ratio: float, cti_ml: float, cti_ap: float, walls: float
) -> None:
    with pytest.raises(ValueError, match="must"):
        estimate_letter(_indices(ratio, cti_ml, cti_ap, walls))
