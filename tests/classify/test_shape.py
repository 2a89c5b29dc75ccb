"""The shape by its flare index, with probabilities, bounds and refusals."""

from math import erf, sqrt

import pytest

from canalmorph.classify.shape import classify_canal
from canalmorph.model.results import CanalIndices, CanalShape, Measurement


def _indices(**numbers: tuple[float, float]) -> CanalIndices:
    return CanalIndices(
        values={name: Measurement(value=value, u=u) for name, (value, u) in numbers.items()}
    )


def test_probabilities_are_those_of_the_normal_error() -> None:
    # Both bounds lie one and two standard uncertainties from the value.
    chances = classify_canal(_indices(cfi_ml=(4.7 - 0.2, 0.2))).shape_probabilities
    one_sided = 0.5 * (1 + erf(1 / sqrt(2)))
    assert chances[CanalShape.CHAMPAGNE_FLUTE] == pytest.approx(1 - one_sided, abs=1e-12)
    assert sum(chances.values()) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("u", [0.0, 0.01, 0.3, 3.0])
@pytest.mark.parametrize("value", [1.2, 2.99, 3.0, 4.0, 4.7, 5.5, 9.0])
def test_probabilities_sum_to_one(value: float, u: float) -> None:
    chances = classify_canal(_indices(cfi_ml=(value, u))).shape_probabilities
    assert set(chances) == set(CanalShape)
    assert sum(chances.values()) == pytest.approx(1.0, abs=1e-12)
    assert all(-1e-15 <= chance <= 1 for chance in chances.values())


def test_shapes_mirror_about_the_middle_of_normal() -> None:
    # 3.85 is the middle of 3 and 4.7: stovepipe and flute change places under reflection.
    low = classify_canal(_indices(cfi_ml=(3.85 - 0.9, 0.4))).shape_probabilities
    high = classify_canal(_indices(cfi_ml=(3.85 + 0.9, 0.4))).shape_probabilities
    assert low[CanalShape.STOVEPIPE] == pytest.approx(high[CanalShape.CHAMPAGNE_FLUTE], abs=1e-12)


def test_without_an_index_there_is_no_shape() -> None:
    canal_type = classify_canal(CanalIndices(values={"cfi_ml": Measurement()}))
    assert canal_type.shape is None
    assert canal_type.shape_probabilities == {}
    assert not canal_type.shape_from_bound


@pytest.mark.parametrize(
    ("bound", "shape"),
    [
        ((5.2, 0.2), CanalShape.CHAMPAGNE_FLUTE),
        ((4.75, 0.2), None),  # 60 % is not enough
        ((3.9, 0.1), None),
        ((2.1, 0.1), None),
    ],
)
def test_a_lower_bound_counts_only_where_it_decides(
    bound: tuple[float, float], shape: CanalShape | None
) -> None:
    canal_type = classify_canal(_indices(cfi_ml_lower_bound=bound))
    assert canal_type.shape is shape
    assert canal_type.shape_from_bound is (shape is not None)
    if shape is None:
        assert canal_type.shape_probabilities == {}
    else:
        # The bound lies 2.5 standard uncertainties above 4.7.
        expected = 0.5 * (1 + erf(2.5 / sqrt(2)))
        assert canal_type.shape_probabilities == {shape: pytest.approx(expected, abs=1e-12)}


def test_the_index_comes_before_its_bound() -> None:
    canal_type = classify_canal(_indices(cfi_ml=(3.5, 0.1), cfi_ml_lower_bound=(5.5, 0.1)))
    assert canal_type.shape is CanalShape.NORMAL
    assert not canal_type.shape_from_bound


@pytest.mark.parametrize("name", ["cfi_ml", "cfi_ml_lower_bound"])
@pytest.mark.parametrize("value", [0.0, -3.2, float("nan")])
def test_an_impossible_index_is_a_wrong_call(name: str, value: float) -> None:
    with pytest.raises(ValueError, match="must"):
        classify_canal(_indices(**{name: (value, 0.1)}))


def test_an_index_without_uncertainty_is_a_wrong_call() -> None:
    indices = CanalIndices(values={"cfi_ml": Measurement(value=3.5)})
    with pytest.raises(ValueError, match="uncertainty"):
        classify_canal(indices)
