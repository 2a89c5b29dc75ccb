"""Sides exchanged and left out, on a femur and its mirror image."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from canalmorph.batch.clinic import CLINIC_NAME, CaseClinic, write_clinic
from canalmorph.batch.digest import RECORD_NAME
from canalmorph.batch.shown import read_shown, write_reviewed
from canalmorph.correcting import MeasuredSides, correct_case
from canalmorph.export.record import write_record
from canalmorph.model.clinic import ClinicFacts
from canalmorph.model.corrections import Correction, CorrectionKind, Review
from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import CaseResult, FemurResult
from canalmorph.model.volume import PatientFacts
from canalmorph.pipeline import Settings, measure_aligned

KIND = CorrectionKind


def get_values(femur: FemurResult) -> dict[str, float]:
    return {name: one.value for name, one in femur.indices.values.items() if one.value is not None}


def mirror(femur: AlignedFemur) -> AlignedFemur:
    """Return the other side's twin: everything with x turned round."""
    turn = np.array([-1.0, 1.0, 1.0])
    cortex = femur.cortex
    crop = cortex.femur.crop
    affine = np.diag([-1.0, 1.0, 1.0, 1.0]) @ crop.index_to_lps_mm
    head, frame, neck = cortex.femur.head, femur.frame, femur.neck
    assert head is not None
    assert neck is not None
    return replace(
        femur,
        cortex=replace(
            cortex,
            axis_point_lps_mm=cortex.axis_point_lps_mm * turn,
            axis_direction=cortex.axis_direction * turn,
            outer_lps_mm=cortex.outer_lps_mm * turn,
            canal_lps_mm=cortex.canal_lps_mm * turn,
            dense_lps_mm=cortex.dense_lps_mm * turn,
            femur=replace(
                cortex.femur,
                side=Side.LEFT,
                crop=replace(crop, index_to_lps_mm=affine),
                shaft_path_lps_mm=cortex.femur.shaft_path_lps_mm * turn,
                head=replace(head, centre_lps_mm=head.centre_lps_mm * turn),
            ),
        ),
        frame=replace(
            frame,
            origin_lps_mm=frame.origin_lps_mm * turn,
            medial=frame.medial * turn,
            posterior=frame.posterior * turn,
            proximal=frame.proximal * turn,
        ),
        lesser_trochanter=replace(
            femur.lesser_trochanter, apex_lps_mm=femur.lesser_trochanter.apex_lps_mm * turn
        ),
        neck=replace(
            neck, centre_lps_mm=neck.centre_lps_mm * turn, direction=neck.direction * turn
        ),
        neck_by_sphere=None,
        trochanter_tip=None,
    )


@pytest.fixture(scope="module")
def pair(desk: Any) -> tuple[CaseResult, tuple[AlignedFemur, AlignedFemur]]:
    twin = mirror(desk.aligned)
    femora = (desk.femur, measure_aligned(twin, Settings()))
    return replace(desk.case, femora=femora), (desk.aligned, twin)


def test_sides_exchanged_carry_every_number_along(
    pair: tuple[CaseResult, tuple[AlignedFemur, AlignedFemur]],
) -> None:
    case, aligned = pair
    # One side differs, so that an exchange shows.
    apex = aligned[0].lesser_trochanter.apex_lps_mm + 8 * aligned[0].frame.proximal
    move = Correction(
        kind=KIND.LESSER_TROCHANTER, side=Side.RIGHT, points_lps_mm=(tuple(apex.tolist()),)
    )
    swap = Correction(kind=KIND.SWAP_SIDES, side=None)
    known = MeasuredSides()
    straight = correct_case(case, aligned, [move], Settings(), known=known).case
    crossed = correct_case(case, aligned, [move, swap], Settings(), known=known)
    right, left = crossed.case.femora
    assert (right.side, left.side) == (Side.RIGHT, Side.LEFT)
    assert get_values(right) == get_values(straight.femora[1])
    assert get_values(left) == get_values(straight.femora[0])
    assert [one.cortex.femur.side for one in crossed.aligned] == [Side.RIGHT, Side.LEFT]
    for one, other in zip(straight.differences, crossed.case.differences, strict=True):
        assert one.column == other.column
        assert other.difference.value == pytest.approx(-(one.difference.value or 0.0))
        assert other.difference.u == pytest.approx(one.difference.u)


def test_a_dropped_side_is_a_refusal_and_the_other_stays(
    pair: tuple[CaseResult, tuple[AlignedFemur, AlignedFemur]],
) -> None:
    case, aligned = pair
    drop = Correction(kind=KIND.DROP_SIDE, side=Side.LEFT)
    after = correct_case(case, aligned, [drop], Settings()).case
    (femur,) = after.femora
    assert get_values(femur) == get_values(case.femora[0])
    assert [(one.side, one.code) for one in after.refusals] == [(Side.LEFT, "side-dropped")]
    assert after.differences == ()


@pytest.mark.parametrize("stated", [True, False], ids=["as_measured", "clinic_lost"])
def test_lists_and_tables_name_the_scan_of_a_dropped_side(
    pair: tuple[CaseResult, tuple[AlignedFemur, AlignedFemur]], tmp_path: Path, *, stated: bool
) -> None:
    case, aligned = pair
    write_record(tmp_path / RECORD_NAME, case)
    if stated:
        clinic = CaseClinic(
            patient=PatientFacts(), source="day/a", facts=ClinicFacts(), deidentified=False
        )
        write_clinic(tmp_path / CLINIC_NAME, clinic)
    drop = Correction(kind=KIND.DROP_SIDE, side=Side.LEFT)
    review = Review(case_id=case.case_id, version=1, corrections=(drop,))
    corrected = correct_case(case, aligned, [drop], Settings())
    named = ["day/a" if stated else ""]
    written = write_reviewed(tmp_path, review, reader="", corrected=corrected)
    again = read_shown(tmp_path, review, name_reader=str)
    for shown in (written, again):
        assert [one.source for one in shown.refusals] == named
        assert ("day/a" in shown.lines["refusals.csv"]) is stated
