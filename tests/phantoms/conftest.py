"""Phantoms that several tests read; built once."""

from dataclasses import replace

import pytest

from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.spec import FemurShape, PhantomScan, Scanner


@pytest.fixture(scope="session")
def quiet_spec() -> PhantomScan:
    """One right femur without noise, without texture of muscle."""
    spec = SMALL["small_right"]
    return replace(
        spec,
        name="quiet",
        scanner=replace(spec.scanner, noise_sd_hu=0.0),
        tissue=replace(spec.tissue, muscle_sd_hu=0.0),
    )


@pytest.fixture(scope="session")
def quiet(quiet_spec: PhantomScan) -> PhantomResult:
    return build_scan(quiet_spec)


@pytest.fixture(scope="session")
def small_pair() -> PhantomResult:
    return build_scan(SMALL["small_pair"])


@pytest.fixture(scope="session")
def shape() -> FemurShape:
    return SMALL["small_right"].femora[0].shape


@pytest.fixture(scope="session")
def tube_scanner() -> Scanner:
    return Scanner(
        pixel_mm=0.5,
        slice_spacing_mm=1.0,
        slice_thickness_mm=1.0,
        x_range_mm=(-20.0, 20.0),
        y_range_mm=(-20.0, 20.0),
        z_range_mm=(-12.0, 12.0),
        noise_sd_hu=0.0,
        blur_in_plane_mm=0.5,
        blur_z_mm=0.4,
    )
