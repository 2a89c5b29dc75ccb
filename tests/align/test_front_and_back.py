"""Front and back of a femur against the scan's coordinates, on a femur turned about z."""

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from canalmorph.align.femur import align_femur
from canalmorph.align.settings import AlignSettings
from canalmorph.femur_errors import RegistrationContradictionError
from canalmorph.model.femur import Cortex, Side
from canalmorph.model.volume import CtVolume

if TYPE_CHECKING:
    from conftest import Stages


def register_prone(cortex: Cortex) -> Cortex:
    """Return a right femur's cortex as a scan registered prone has it: x and y negated.

    A rotation of the patient by 180 degrees about the long axis: it now claims to be the left.
    """
    turn = np.diag([-1.0, -1.0, 1.0])
    femur, head = cortex.femur, cortex.femur.head
    assert head is not None
    affine = femur.crop.index_to_lps_mm.copy()
    affine[:3] = turn @ affine[:3]
    crop = CtVolume(voxels_hu=femur.crop.voxels_hu, index_to_lps_mm=affine, facts=femur.crop.facts)
    return replace(
        cortex,
        femur=replace(
            femur,
            side=Side.LEFT,
            crop=crop,
            shaft_path_lps_mm=femur.shaft_path_lps_mm @ turn,
            head=replace(head, centre_lps_mm=head.centre_lps_mm @ turn),
        ),
        axis_point_lps_mm=cortex.axis_point_lps_mm @ turn,
        axis_direction=cortex.axis_direction @ turn,
        **{
            name: getattr(cortex, name) @ turn
            for name in ("outer_lps_mm", "canal_lps_mm", "dense_lps_mm")
        },
    )


def test_a_trochanter_in_front_is_refused(right_stages: "Stages") -> None:
    with pytest.raises(RegistrationContradictionError, match="points to the front") as refusal:
        align_femur(register_prone(right_stages.cortex), AlignSettings())
    assert "left femur" in str(refusal.value)
    assert refusal.value.code == "registration-contradicts-anatomy"


def test_a_trochanter_in_front_is_not_overlooked_for_a_bump_behind(
    right_stages: "Stages",
) -> None:
    """Where a lower bump behind would do for a lesser trochanter, the higher one in front tells."""
    settings = AlignSettings(least_prominence_mm=0.05)
    with pytest.raises(RegistrationContradictionError):
        align_femur(register_prone(right_stages.cortex), settings)
