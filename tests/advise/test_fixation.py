"""The suggestion: which numbers decide it, when it stays undecided, and what it always says."""

import pytest

from canalmorph.advise.fixation import advise_fixation
from canalmorph.classify.shape import classify_canal
from canalmorph.model.results import CanalIndices, Fixation, FixationAdvice, Measurement


def _advise(**numbers: tuple[float, float]) -> FixationAdvice:
    indices = CanalIndices(
        values={name: Measurement(value=value, u=u) for name, (value, u) in numbers.items()}
    )
    return advise_fixation(classify_canal(indices), indices)


@pytest.mark.parametrize(
    ("cfi", "cbr", "fixation"),
    [
        ((3.8, 0.1), (0.42, 0.01), Fixation.PRESS_FIT),
        ((5.4, 0.1), (0.42, 0.01), Fixation.PRESS_FIT),
        ((2.4, 0.1), (0.60, 0.01), Fixation.CEMENTED),
        ((2.4, 0.1), (0.42, 0.01), Fixation.UNDECIDED),  # disagree
        ((3.8, 0.1), (0.60, 0.01), Fixation.UNDECIDED),  # disagree
        ((3.05, 0.1), (0.42, 0.01), Fixation.UNDECIDED),  # 69 % not a stovepipe
        ((3.8, 0.1), (0.495, 0.01), Fixation.UNDECIDED),  # 69 % below a half
        ((3.8, 0.1), (0.5, 0.0), Fixation.UNDECIDED),  # exactly a half is neither
    ],
)
def test_both_numbers_must_be_sure_and_agree(
    cfi: tuple[float, float], cbr: tuple[float, float], fixation: Fixation
) -> None:
    advice = _advise(cfi_ml=cfi, cbr_ml_lt_minus100=cbr)
    assert advice.fixation is fixation
    assert bool(advice.would_decide) is (fixation is Fixation.UNDECIDED)
    assert any("flare index" in reason for reason in advice.reasons)
    assert any("outer width" in reason for reason in advice.reasons)


@pytest.mark.parametrize(
    ("distance", "fixation"), [(0.86, Fixation.PRESS_FIT), (0.83, Fixation.UNDECIDED)]
)
def test_eighty_percent_is_the_bound(distance: float, fixation: Fixation) -> None:
    # The 80th percentile of the normal law lies 0.8416 standard deviations above its mean.
    u = 0.2
    advice = _advise(cfi_ml=(3 + distance * u, u), cbr_ml_lt_minus100=(0.3, 0.01))
    assert advice.fixation is fixation


def test_normal_and_flute_need_not_be_told_apart() -> None:
    advice = _advise(cfi_ml=(4.7, 0.3), cbr_ml_lt_minus100=(0.4, 0.01))
    assert advice.fixation is Fixation.PRESS_FIT
    assert any("not settled" in reason for reason in advice.reasons)


@pytest.mark.parametrize(
    ("bound", "cbr", "fixation"),
    [
        ((3.6, 0.1), 0.4, Fixation.PRESS_FIT),
        ((5.6, 0.1), 0.4, Fixation.PRESS_FIT),
        ((2.6, 0.1), 0.4, Fixation.UNDECIDED),
        ((2.6, 0.1), 0.6, Fixation.UNDECIDED),  # a lower bound never makes a stovepipe
        ((3.6, 0.1), 0.6, Fixation.UNDECIDED),
    ],
)
def test_a_lower_bound_of_the_flare_serves_the_press_fit_side_only(
    bound: tuple[float, float], cbr: float, fixation: Fixation
) -> None:
    advice = _advise(cfi_ml_lower_bound=bound, cbr_ml_lt_minus100=(cbr, 0.01))
    assert advice.fixation is fixation
    assert any("below the scan" in reason for reason in advice.reasons)


def test_nothing_is_suggested_without_numbers() -> None:
    advice = _advise()
    assert advice.fixation is Fixation.NOT_GIVEN
    assert advice.would_decide
    assert advice.against == ()


@pytest.mark.parametrize("name", ["cfi_ml", "cbr_ml_lt_minus100"])
def test_one_number_alone_leaves_it_undecided_and_names_the_other(name: str) -> None:
    numbers = {"cfi_ml": (3.8, 0.1), "cbr_ml_lt_minus100": (0.42, 0.01)}
    advice = _advise(**{name: numbers[name]})
    assert advice.fixation is Fixation.UNDECIDED
    assert any("not known" in reason for reason in advice.reasons)
    assert len(advice.would_decide) == 1


def test_the_reason_of_a_blank_number_is_passed_on() -> None:
    indices = CanalIndices(
        values={"cfi_ml": Measurement(value=3.8, u=0.1)},
        reasons={"cbr_ml_lt_minus100": "The scan ends 80 mm below the lesser trochanter."},
    )
    advice = advise_fixation(classify_canal(indices), indices)
    assert any("ends 80 mm below" in sentence for sentence in advice.would_decide)


@pytest.mark.parametrize(
    ("numbers", "words"),
    [
        ({"isthmus_canal_ml_mm": (7.0, 0.1)}, "isthmus is narrow"),
        ({"cti_ap_lt_minus100": (0.39, 0.01)}, "lateral film"),
        ({"cbr_ml_lt_minus100": (0.489, 0.002)}, "0.49"),
        ({"cfi_ml": (7.0, 0.1)}, "beyond the published range"),
        (
            {
                "canal_ratio_isthmus_over_lt_ml": (0.85, 0.01),
                "cti_ml_lt_minus100": (0.40, 0.01),
                "cti_ap_lt_minus100": (0.44, 0.005),
                "wall_ratio_posterior_over_anterior_lt_minus100": (1.2, 0.02),
            },
            "letter C",
        ),
    ],
)
def test_what_speaks_against_press_fit_is_named(
    numbers: dict[str, tuple[float, float]], words: str
) -> None:
    plain = {"cfi_ml": (3.8, 0.1), "cbr_ml_lt_minus100": (0.40, 0.01)}
    assert not any(words in sentence for sentence in _advise(**plain).against)
    advice = _advise(**{**plain, **numbers})
    assert advice.fixation is Fixation.PRESS_FIT
    assert any(words in sentence for sentence in advice.against)


def test_what_speaks_against_cement_is_named() -> None:
    advice = _advise(cfi_ml=(2.4, 0.1), cbr_ml_lt_minus100=(0.60, 0.01))
    assert any("own risks" in sentence for sentence in advice.against)


@pytest.mark.parametrize("cbr", [0.3, 0.5, 0.7])
@pytest.mark.parametrize("cfi", [2.0, 3.0, 4.0, 7.0])
def test_every_suggestion_is_for_discussion_and_lists_what_it_does_not_know(
    cfi: float, cbr: float
) -> None:
    advice = _advise(cfi_ml=(cfi, 0.1), cbr_ml_lt_minus100=(cbr, 0.01))
    assert "no trial or registry uses these indices" in advice.cautions[0]
    text = " ".join(advice.unknown).lower()
    for fact in ("density", "deformity", "previous surgery", "infection", "experience"):
        assert fact in text
    words = " ".join((*advice.reasons, *advice.against, *advice.cautions)).lower()
    for order in (" must ", " should ", "do not use", "use cement", "we recommend"):
        assert order not in words
