"""A field of view that cuts the bone is told as such, and bone that nothing cuts is not."""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph.femur_errors import FieldOfViewError, NoFemurError
from canalmorph.locate.femora import locate_femurs
from canalmorph.locate.settings import LocateSettings
from canalmorph.model.volume import CtVolume


def cut_off(volume: CtVolume, *, medial_mm: float | None = None, lateral_mm: float | None = None):
    """Return a scan of a right leg whose field of view ends at these x, the rest being air [mm]."""
    x = volume.index_to_lps_mm[0, 3] + volume.spacing_mm[2] * np.arange(volume.voxels_hu.shape[2])
    voxels = volume.voxels_hu.copy()
    voxels[:, :, (x < (lateral_mm or -1e3)) | (x > (medial_mm or 1e3))] = -1024
    return replace(volume, voxels_hu=voxels)


@pytest.mark.parametrize("lateral_mm", [-120.0, -104.0])
def test_a_shaft_cut_on_its_outer_side_is_no_scan_upside_down(whole, lateral_mm: float) -> None:
    with pytest.raises(FieldOfViewError, match="cuts a long bone between z") as refusal:
        locate_femurs(cut_off(whole, lateral_mm=lateral_mm), LocateSettings())
    assert "Reconstruct" in str(refusal.value)
    # The shaft leans outwards from the knee up: the plane meets it far above the knee.
    assert -350.0 < refusal.value.low_mm < refusal.value.high_mm - 20.0


@pytest.mark.parametrize("medial_mm", [-92.0, -100.0])
def test_a_head_cut_off_is_told_as_such(whole, medial_mm: float) -> None:
    with pytest.raises(FieldOfViewError):
        locate_femurs(cut_off(whole, medial_mm=medial_mm), LocateSettings())


def test_a_head_above_the_scan_is_not_cut_by_the_field_of_view(whole) -> None:
    """The scan ends below the trochanters; its slices show the whole leg."""
    heights = whole.index_to_lps_mm[2, 3] + 2.5 * np.arange(len(whole.voxels_hu))
    kept = np.ascontiguousarray(whole.voxels_hu[heights < -120.0])
    with pytest.raises(NoFemurError):
        locate_femurs(replace(whole, voxels_hu=kept), LocateSettings())
