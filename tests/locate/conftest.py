"""Long bones alone on a coarse grid."""

from collections.abc import Callable

import pytest

from canalmorph.geometry.grids import average_blocks
from canalmorph.locate.settings import LocateSettings
from canalmorph.locate.shafts import Chain, find_shafts
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
