"""Small scans measured once, for what must not change when the patient or the grid moves."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from canalmorph.model.results import CaseResult, Measurement
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import Settings, measure_scan
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.spec import PhantomScan, PlacedFemur, Scanner
from canalmorph_phantoms.tubes import Tube, build_tube

Values = dict[str, Measurement]

#: One right femur in a field of view that is just wide enough for it, so that finer voxels of the
#: same scan are still quick; 48 mm below its isthmus, which needs 40.
RIGHT = replace(
    SMALL["small_right"],
    name="metamorphic_right",
    scanner=replace(
        SMALL["small_right"].scanner,
        x_range_mm=(-155.0, -35.0),
        y_range_mm=(-60.0, 60.0),
        z_range_mm=(-223.0, 42.0),
    ),
)


def _place_left(femur: PlacedFemur) -> PlacedFemur:
    return replace(femur, side="left", internal_rotation_deg=4.0)


#: Two femora that differ in every number.
PAIR = replace(
    SMALL["small_pair"],
    name="metamorphic_pair",
    femora=(
        SMALL["small_pair"].femora[0],
        _place_left(SMALL["small_left_flute"].femora[0]),
    ),
)


def list_values(case: CaseResult) -> dict[str, Values]:
    """Return the measured columns that have a number, by side."""
    return {
        femur.side.value: {
            name: value for name, value in femur.indices.values.items() if value.known
        }
        for femur in case.femora
    }


Measure = Callable[[CtVolume], dict[str, Values]]


@pytest.fixture(scope="session")
def measure() -> Measure:
    def measure_volume(volume: CtVolume) -> dict[str, Values]:
        return list_values(measure_scan(volume, Settings(), case_id="moved").case)

    return measure_volume


@pytest.fixture(scope="session")
def right_spec() -> PhantomScan:
    return RIGHT


@pytest.fixture(scope="session")
def right_volume() -> CtVolume:
    return build_scan(RIGHT).volume


@pytest.fixture(scope="session")
def right_case(right_volume: CtVolume) -> CaseResult:
    return measure_scan(right_volume, Settings(), case_id="still").case


@pytest.fixture(scope="session")
def right_values(right_case: CaseResult) -> Values:
    return list_values(right_case)["right"]


@pytest.fixture(scope="session")
def pair() -> PhantomResult:
    return build_scan(PAIR)


@pytest.fixture(scope="session")
def pair_volume(pair: PhantomResult) -> CtVolume:
    return pair.volume


@pytest.fixture(scope="session")
def pair_cases(pair_volume: CtVolume) -> tuple[CaseResult, CaseResult]:
    """Return two femora that differ, and the same patient in a mirror, both measured."""
    affine = pair_volume.index_to_lps_mm.copy()
    affine[0] *= -1
    mirrored = replace(pair_volume, index_to_lps_mm=affine)
    still, turned = (
        measure_scan(volume, Settings(), case_id="pair").case for volume in (pair_volume, mirrored)
    )
    return still, turned


@pytest.fixture(scope="session")
def pair_values(pair_cases: tuple[CaseResult, CaseResult]) -> tuple[dict[str, Values], ...]:
    return tuple(list_values(case) for case in pair_cases)


@pytest.fixture(scope="session")
def tube_volume() -> CtVolume:
    """Return a straight bone without a head, as a shin or an upper arm is one to a scan."""
    scanner = Scanner(
        pixel_mm=1.0,
        slice_spacing_mm=1.5,
        slice_thickness_mm=1.5,
        x_range_mm=(-60.0, 60.0),
        y_range_mm=(-60.0, 60.0),
        z_range_mm=(-120.0, 120.0),
    )
    return build_tube(Tube(axis_tilt_deg=(0.0, 4.0, 0.0)), scanner)


@pytest.fixture(scope="session")
def muscle_volume(tube_volume: CtVolume) -> CtVolume:
    """Return a scan of soft tissue alone, with noise."""
    noise = np.random.default_rng(7).normal(55.0, 12.0, tube_volume.voxels_hu.shape)
    return replace(tube_volume, voxels_hu=np.rint(noise).astype(np.int16))
