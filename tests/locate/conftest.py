"""Long bones alone on a coarse grid, a whole femur, and two upper ones."""

from collections.abc import Callable
from dataclasses import replace

import pytest

from canalmorph.geometry.grids import average_blocks
from canalmorph.locate.settings import LocateSettings
from canalmorph.locate.shafts import Chain, find_shafts
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import PhantomResult, build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.spec import Scanner
from canalmorph_phantoms.tubes import Tube, build_tube


@pytest.fixture(scope="session")
def find_tube_chains() -> Callable[[Tube], list[Chain]]:
    scanner = Scanner(
        pixel_mm=1.25,
        slice_spacing_mm=2.5,
        slice_thickness_mm=2.5,
        x_range_mm=(-40.0, 40.0),
        y_range_mm=(-40.0, 40.0),
        z_range_mm=(-90.0, 90.0),
        noise_sd_hu=15.0,
    )

    def find(tube: Tube) -> list[Chain]:
        volume = build_tube(tube, scanner)
        blocks, affine = average_blocks(
            volume.voxels_hu, volume.index_to_lps_mm, block_mm=LocateSettings().block_mm
        )
        return find_shafts(blocks, affine, LocateSettings())

    return find


@pytest.fixture(scope="session")
def whole() -> CtVolume:
    """Return a right femur from the head to the condyles in voxels of 2 x 2 x 2.5 mm."""
    small = SMALL["small_right"]
    scanner = replace(
        small.scanner, pixel_mm=2.0, slice_spacing_mm=2.5, slice_thickness_mm=2.5,
        z_range_mm=(-430.0, 42.0), x_range_mm=(-165.0, -5.0), y_range_mm=(-75.0, 75.0),
    )  # fmt: skip
    return build_scan(replace(small, name="whole_right_to_break", scanner=scanner)).volume


@pytest.fixture(scope="session")
def pair() -> PhantomResult:
    """Return both femora in voxels of 2 x 2 x 2.5 mm."""
    small = SMALL["small_pair"]
    scanner = replace(small.scanner, pixel_mm=2.0, slice_spacing_mm=2.5, slice_thickness_mm=2.5)
    return build_scan(replace(small, name="coarse_pair", scanner=scanner))
