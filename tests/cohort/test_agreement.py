"""Statistics of agreement on published worked examples and against another library.

The examples are typed from memory; that their published results come out checks the typing.
"""

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from canalmorph.cohort.agreement import (
    Estimate,
    compare_classes,
    compare_numbers,
    compute_icc,
    compute_kappa,
    estimate_limits,
)

#: Shrout and Fleiss 1979, Psychol Bull 86:420, Table 2: six targets, four judges.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float
)
#: Bland and Altman 1986, Lancet i:307, Table: peak flow of 17 people by two meters, twice each.
#: [l/min]
WRIGHT = np.array(
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427], float
)
WRIGHT_AGAIN = np.array(
    [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421], float
)
MINI = np.array(
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451], float
)
MINI_AGAIN = np.array(
    [525, 415, 508, 444, 500, 625, 460, 390, 642, 432, 420, 605, 227, 467, 268, 370, 443], float
)
#: Fleiss, Cohen and Everitt 1969, Psychol Bull 72:323: 100 subjects, two raters.
FLEISS_COHEN_EVERITT = np.array([[53, 5, 2], [11, 14, 5], [1, 6, 3]])
#: Hout et al. 1987 in Agresti, Categorical Data Analysis, 1990: husbands' and wives' answers, 91
#: couples; results as the manual of the R package vcd prints them.
SEXUAL_FUN = np.array([[7, 7, 2, 3], [2, 8, 3, 7], [1, 5, 4, 9], [2, 8, 9, 14]])


def test_icc_is_that_of_shrout_and_fleiss() -> None:
    found = compute_icc(SHROUT_FLEISS)
    assert found is not None
    agreement, consistency = found
    # Printed with two digits in the paper (Table 4): .29 and .71.
    assert agreement.value == pytest.approx(0.29, abs=0.005)
    assert consistency.value == pytest.approx(0.71, abs=0.005)
    # Intervals as the manual of the R package psych prints them for this table.
    assert (agreement.low, agreement.high) == pytest.approx((0.019, 0.76), abs=0.005)
    assert (consistency.low, consistency.high) == pytest.approx((0.34, 0.95), abs=0.005)


def test_icc_is_made_of_the_mean_squares_of_another_library() -> None:
    ratings = np.random.default_rng(2).normal(0, 1, (14, 2)) + np.arange(14)[:, None] * 0.3
    rows = [(i, j, ratings[i, j]) for i in range(14) for j in range(2)]
    frame = pd.DataFrame(rows, columns=["target", "judge", "value"])
    table = anova_lm(ols("value ~ C(target) + C(judge)", frame).fit())
    bms, jms, ems = table["sum_sq"] / table["df"]
    found = compute_icc(ratings)
    assert found is not None
    # Rounding in two ways of summing the same squares.
    assert found[0].value == pytest.approx(
        (bms - ems) / (bms + ems + 2 * (jms - ems) / 14), rel=1e-9
    )
    assert found[1].value == pytest.approx((bms - ems) / (bms + ems), rel=1e-9)


def test_limits_are_those_of_bland_and_altman() -> None:
    bias, low, high = estimate_limits(WRIGHT - MINI)
    # Printed: -2.1, interval -22.0 to 17.8; limits -79.7 and 75.5 are with 2 SD, SD 38.8.
    assert bias.value == pytest.approx(-2.1, abs=0.05)
    assert (bias.low, bias.high) == pytest.approx((-22.0, 17.8), abs=0.15)
    sd = (high.value - low.value) / (2 * 1.96)
    assert sd == pytest.approx(38.8, abs=0.05)
    # Printed: standard error of a limit 16.3; t of 16 degrees of freedom is 2.12.
    for limit in (low, high):
        assert (limit.high - limit.low) / 2 == pytest.approx(16.3 * 2.12, abs=0.2)


@pytest.mark.parametrize(
    ("first", "again", "sd"), [(WRIGHT, WRIGHT_AGAIN, 21.6), (MINI, MINI_AGAIN, 28.2)]
)
def test_repeatability_is_that_of_bland_and_altman(
    first: np.ndarray, again: np.ndarray, sd: float
) -> None:
    found = compare_numbers(first, again, unit="l/min")
    assert found.repeatability is not None
    # Printed: the SD of differences whose mean is taken for 0; they double it, we take 1.96.
    assert found.repeatability / 1.96 == pytest.approx(sd, abs=0.05)
    assert found.cv_percent is None


def test_kappa_is_that_of_fleiss_cohen_and_everitt() -> None:
    found = compute_kappa(FLEISS_COHEN_EVERITT, ordered=False)
    assert found is not None
    assert found[0].value == pytest.approx(0.429, abs=0.0005)
    assert found[1] is None


def test_weighted_kappa_is_that_of_agrestis_example() -> None:
    found = compute_kappa(SEXUAL_FUN, ordered=True)
    assert found is not None
    kappa, weighted = found
    assert kappa.value == pytest.approx(0.1293, abs=0.00005)
    assert weighted is not None
    assert weighted.value == pytest.approx(0.2374, abs=0.00005)
    # Printed: standard error 0.0783, of which 1.96 make half of the interval.
    assert (weighted.high - weighted.low) / 2 == pytest.approx(1.96 * 0.0783, abs=0.001)


def test_equal_measurements_agree_wholly() -> None:
    values = np.array([1.0, 2.0, 3.5, 7.0])
    found = compare_numbers(values, values.copy(), unit="mm")
    assert found.icc_agreement is not None
    assert found.icc_agreement.value == found.icc_agreement.low == 1.0
    assert (found.n_equal, found.repeatability, found.cv_percent, found.worst) == (4, 0, 0, 0)


def test_very_many_equal_measurements_agree_wholly() -> None:
    # Their means are rounded, so that no mean square of readers or rest is 0.
    values = np.random.default_rng(1).normal(50, 2, 10001)
    found = compare_numbers(values, values.copy(), unit="mm")
    assert found.icc_agreement == found.icc_consistency == Estimate(value=1.0, low=1.0, high=1.0)


def test_measurements_that_differ_by_rounding_agree_almost_wholly() -> None:
    values = np.random.default_rng(1).normal(50, 2, 1000)
    found = compare_numbers(values, values * (1 + 1e-15), unit="mm")
    assert found.icc_agreement is not None
    assert 1 - 1e-12 < found.icc_agreement.low <= found.icc_agreement.high <= 1 + 1e-12


def test_equal_classes_have_a_kappa_of_1_without_doubt() -> None:
    # Of these counts the variance, 0, is rounded to below 0.
    found = compute_kappa(np.diag([2875, 3000, 4125]), ordered=True)
    whole = Estimate(value=1.0, low=1.0, high=1.0)
    assert found == (whole, whole)


def test_a_bias_lowers_agreement_and_not_consistency() -> None:
    values = np.array([1.0, 2.0, 3.5, 7.0, 8.0])
    found = compare_numbers(values, values + 2.0, unit="mm")
    assert found.bias is not None
    assert found.icc_agreement is not None
    assert found.icc_consistency is not None
    assert found.bias.value == pytest.approx(2.0)
    # Variance 9.2 between femora, 2 * 2 * 2 / 2 / 2 = 2 between readings: 9.2 / 11.2.
    assert found.icc_agreement.value == pytest.approx(values.var(ddof=1) / (values.var(ddof=1) + 2))
    assert found.icc_consistency.value == pytest.approx(1.0)


def test_stated_uncertainties_explain_differences_that_have_them() -> None:
    rng = np.random.default_rng(8)
    truth = rng.normal(12, 2, 4000)
    a, b = truth + rng.normal(0, 0.3, 4000), truth + rng.normal(0, 0.4, 4000)
    found = compare_numbers(a, b, unit="mm", u_a=np.full(4000, 0.3), u_b=np.full(4000, 0.4))
    # Four standard errors of an SD of 4000: 4 / sqrt(8000) = 4.5 %.
    assert found.z_rms == pytest.approx(1.0, abs=0.045)
    assert found.sd == pytest.approx(0.5, rel=0.045)
    assert found.cv_percent == pytest.approx(100 * 0.5 / np.sqrt(2) / 12, rel=0.15)


def test_too_few_and_missing_pairs_are_counted_and_give_nothing() -> None:
    a, b = np.array([1.0, 2.0, np.nan, 4.0]), np.array([1.0, np.nan, np.nan, 5.0])
    found = compare_numbers(a, b, unit="mm")
    assert (found.n, found.n_only_a, found.n_only_b, found.n_equal) == (2, 1, 0, 1)
    assert found.bias is None
    assert found.icc_agreement is None


def test_classes_are_counted_and_one_class_has_no_kappa() -> None:
    a = ["A", "B", "B", None, "C", "A"]
    b = ["A", "B", "C", "A", "C", float("nan")]
    found = compare_classes(a, b, ("A", "B", "C"), ordered=True)
    assert found.table.tolist() == [[1, 0, 0], [0, 1, 1], [0, 0, 1]]
    assert (found.n, found.n_blank, found.share_equal) == (4, 2, 0.75)
    assert found.kappa is not None
    # Chance agrees in (1*1 + 2*1 + 1*2) / 16 = 5/16.
    assert found.kappa.value == pytest.approx((0.75 - 5 / 16) / (1 - 5 / 16))
    same = compare_classes(["A"] * 5, ["A"] * 5, ("A", "B"), ordered=True)
    assert same.share_equal == 1.0
    assert same.kappa is None
    # One reader who says the same of all agrees as chance does, whatever the other says.
    constant = compare_classes(list("aaa"), list("aab"), ("a", "b"), ordered=True)
    assert (constant.kappa, constant.kappa_weighted, constant.n) == (None, None, 3)
    assert constant.share_equal == pytest.approx(2 / 3)
