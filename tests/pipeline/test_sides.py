"""Left against right on a pair of phantoms that differ: true differences, and in a mirror."""

import pytest

from canalmorph.model.results import CaseResult, SideDifference
from canalmorph_cli.acceptance.truths import list_known_femora
from canalmorph_phantoms.build import PhantomResult

#: To measure both pairs takes a minute.
pytestmark = pytest.mark.slow

Cases = tuple[CaseResult, CaseResult]


def _read(difference: SideDifference) -> tuple[float, float]:
    value, u = difference.difference.value, difference.difference.u
    assert value is not None
    assert u is not None
    return value, u


def test_differences_are_true_within_three_uncertainties(
    pair: PhantomResult, pair_cases: Cases
) -> None:
    known = {femur.side: femur.values for femur in list_known_femora(pair.truth)}
    deviations = {}
    for found in pair_cases[0].differences:
        if found.column in known["left"] and found.column in known["right"]:
            value, u = _read(found)
            true = known["left"][found.column] - known["right"][found.column]
            deviations[found.column] = (value - true) / u
    assert len(deviations) > 30
    worst = max(deviations.items(), key=lambda item: abs(item[1]))
    assert abs(worst[1]) < 3.0, worst


def test_in_a_mirror_the_differences_change_sign(pair_cases: Cases) -> None:
    still, mirrored = pair_cases
    there = {found.column: found for found in still.differences}
    back = {found.column: found for found in mirrored.differences}
    assert there.keys() == back.keys()
    for column, found in there.items():
        value, u = _read(found)
        other, other_u = _read(back[column])
        # To rounding, with the room that the mirror's numbers themselves are given.
        assert other == pytest.approx(-value, abs=0.1 * u), column
        assert other_u == pytest.approx(u, rel=0.05), column


def test_a_pair_that_differs_is_cautioned_about_on_both_sides(pair_cases: Cases) -> None:
    still, _ = pair_cases
    notable = [found for found in still.differences if found.is_notable]
    # The left canal is narrower by more than 2 mm.
    assert "isthmus_canal_ml_mm" in {found.column for found in notable}
    for femur in still.femora:
        (caution,) = [text for text in femur.advice.cautions if text.startswith("Left and right")]
        assert f"in {len(notable)} of {len(still.differences)} numbers" in caution


def test_one_femur_alone_has_nothing_to_compare(right_case: CaseResult) -> None:
    assert right_case.differences == ()
