"""Errors on the phantom catalogue against the promises; ``-m slow -s`` prints the whole table.

The promises themselves, the scans and the comparison are those of ``canalmorph verify``.
"""

import pytest

from canalmorph_cli.acceptance.examine import examine_for_study, start_examiner
from canalmorph_cli.acceptance.judging import Domain, Standing, judge_records
from canalmorph_cli.acceptance.records import CFI_OUT_OF_VIEW, FEMUR_MEASURED
from canalmorph_cli.acceptance.scans import WHOLE
from canalmorph_cli.acceptance.summaries import format_summaries, summarise_columns
from canalmorph_phantoms.catalogue import CATALOGUE


def describe_broken(judgements):
    return [
        f"{one.domain} {one.promise.key} {check.name} {check.found:.4f} > {check.bound:g} "
        f"({one.summary.worst_in})"
        for one in judgements
        for check in one.checks
        if one.standing is Standing.BROKEN and check.judged and not check.held
    ]


@pytest.mark.parametrize(
    "name",
    [
        pytest.param("left_only", marks=pytest.mark.slow),
        pytest.param("noiseless_fine", marks=pytest.mark.slow),
    ],
)
def test_one_scan_of_the_catalogue_holds_the_promises(name):
    records = examine_for_study(CATALOGUE[name]).records
    # One femur each: the worst case is judged, a mean of one is not.
    judgements = judge_records(records)
    assert not describe_broken(judgements)
    judged = {one.promise.key for one in judgements if one.standing is Standing.HELD}
    assert {"femora", "shaft_widths", "cti", "lt_level", "cfi", "isthmus_level"} <= judged


@pytest.mark.slow
def test_a_scan_without_the_isthmus_has_no_number_of_it():
    records = examine_for_study(CATALOGUE["ends_above_isthmus"]).records
    by_column = {record.column: record for record in records}
    assert by_column[FEMUR_MEASURED].measured == 1.0
    assert by_column[CFI_OUT_OF_VIEW].error == 0.0
    assert "isthmus_canal_ml_mm" not in by_column


@pytest.mark.slow
def test_the_whole_acceptance_holds_the_promises(capsys):
    with start_examiner() as examiner:
        records = [
            record
            for scan in examiner.examine(WHOLE.values(), plainly=False)
            for record in scan.records
        ]
    judgements = judge_records(records)
    with capsys.disabled():
        print(f"\nWhole acceptance\n{format_summaries(summarise_columns(records))}")
        print("\n".join(describe_broken(judgements)))
    assert {one.domain for one in judgements} == set(Domain)
    # Every promise of ordinary scans can be judged on these scans.
    assert all(
        one.standing is not Standing.NOT_JUDGED
        for one in judgements
        if one.domain is Domain.ORDINARY
    )
    assert not describe_broken(judgements)
