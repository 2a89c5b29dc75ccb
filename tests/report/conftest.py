"""Cases of synthetic femora in closed form, which nobody had to measure."""

from dataclasses import replace

import pytest
from closed_femora import LEFT, RIGHT, SHORT, make_case, make_femur

from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import CaseResult, FemurResult, Refusal
from canalmorph.report.pictures import FemurPictures


@pytest.fixture(scope="session")
def right_femur() -> tuple[FemurResult, AlignedFemur]:
    return make_femur(Side.RIGHT, RIGHT)


@pytest.fixture(scope="session")
def left_femur() -> tuple[FemurResult, AlignedFemur]:
    return make_femur(Side.LEFT, LEFT)


@pytest.fixture(scope="session")
def short_femur() -> tuple[FemurResult, AlignedFemur]:
    return make_femur(Side.LEFT, SHORT, with_head=False)


@pytest.fixture(scope="session")
def whole_case(
    right_femur: tuple[FemurResult, AlignedFemur], left_femur: tuple[FemurResult, AlignedFemur]
) -> tuple[CaseResult, tuple[FemurPictures, ...]]:
    return make_case([right_femur, left_femur])


@pytest.fixture(scope="session")
def long_case() -> tuple[CaseResult, tuple[FemurPictures, ...]]:
    """Two femora in view down to the knee."""
    shape = replace(RIGHT, lowest_mm=-400.0)
    return make_case([make_femur(side, shape) for side in (Side.RIGHT, Side.LEFT)])


@pytest.fixture(scope="session")
def partial_case(
    short_femur: tuple[FemurResult, AlignedFemur],
) -> tuple[CaseResult, tuple[FemurPictures, ...]]:
    refusal = Refusal(
        stage="measure",
        code="metal",
        message="tuesday/scan_04: metal lies in the right femur; measure it after removal.",
        source="tuesday/scan_04",
        side=Side.RIGHT,
    )
    return make_case([short_femur], refusals=(refusal,))
