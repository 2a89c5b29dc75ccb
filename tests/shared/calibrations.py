"""The calibration of a usual scan, for what is made by hand."""

from canalmorph.model.femur import Calibration

USUAL = Calibration(
    cortex_hu=1600.0,
    cortex_u_hu=20.0,
    shared_u_hu=30.0,
    blur_in_plane_mm=0.6,
    blur_through_plane_mm=0.5,
    blur_through_plane_u_mm=0.1,
    blur_u_mm=0.03,
    enhancement=0.0,
    enhancement_u=0.02,
    noise_hu=15.0,
    n_rays=500,
)
