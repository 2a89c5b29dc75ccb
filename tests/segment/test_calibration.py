"""What a scan tells of itself, against tubes of known density, blur and width."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from calibrations import USUAL

from canalmorph.femur_errors import ShaftTooShortError
from canalmorph.flags import Quality
from canalmorph.geometry.outlines import find_area
from canalmorph.geometry.tubes import cut_tube
from canalmorph.model.femur import Cortex
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.segment.blur import (
    blur_along_rays_mm,
    declare_through_plane_blur_mm,
    declare_uneven_blur_mm,
    find_ripple_mm,
)
from canalmorph.segment.calibration import PRIOR_CORTEX_U_HU, estimate_noise
from canalmorph.segment.cortex import segment_cortex
from canalmorph.segment.settings import SegmentSettings
from canalmorph_phantoms.tubes import Tube

#: Thin walls, and canals down to the narrowest of the published range.
TUBES = {
    "ordinary": Tube(),
    "narrow": Tube(canal_ml_mm=9.0, canal_ap_mm=9.0, canal_left_mm=1.0),
    "thin": Tube(canal_ml_mm=25.0, canal_ap_mm=25.0),
    "of 3 mm": Tube(canal_ml_mm=22.0, canal_ap_mm=22.0),
    "of 1 mm": Tube(canal_ml_mm=26.0, canal_ap_mm=26.0),
}
#: 0.5 mm of the focus, a pixel's box (p^2 / 12) and linear interpolation (p^2 / 6 on average).
BLUR_MM = np.sqrt(0.5**2 + 0.7**2 / 12 + 0.7**2 / 6)
LEVELS_MM = np.arange(-45.0, -14.0, 5.0)
#: The phantoms' exact lines run along x, 0.117 mm apart in y (three to a cell of half a pixel of
#: 0.7 mm): a wall that runs along x for some pixels is drawn at the wrong y by up to half of that.
#: Images made with 20 samples a pixel read 0.026 mm at most instead of 0.045.
RASTER_MM = 0.117 / 2


def make_volume(
    noise_hu: float, *, mean_hu: float = 50.0, thickness: float | None = 2.0
) -> CtVolume:
    noise = np.random.default_rng(8).normal(mean_hu, noise_hu, (20, 60, 60))
    facts = ScanFacts(
        source="made",
        file_format="nifti",
        series_key="made",
        input_sha256="",
        slice_thickness_mm=thickness,
    )
    return CtVolume(
        voxels_hu=np.rint(noise).astype(np.int16),
        index_to_lps_mm=np.diag([1.5, 1.0, 1.0, 1.0]),
        facts=facts,
    )


@pytest.mark.parametrize("noise_hu", [15.0, 30.0])
def test_noise_of_soft_tissue(noise_hu: float) -> None:
    # 34,000 differences: the median of their size is known to 1 %. What counts as soft tissue
    # ends 120 HU from its middle, four standard deviations away.
    assert estimate_noise(make_volume(noise_hu)) == pytest.approx(noise_hu, rel=0.05)


def test_noise_has_a_floor_and_a_stand_in() -> None:
    assert estimate_noise(make_volume(0.0)) == 10.0
    assert estimate_noise(make_volume(5.0, mean_hu=1200.0)) == 30.0  # no soft tissue at all


def test_blur_across_slices_is_that_of_box_and_interpolation() -> None:
    volume = make_volume(10.0, thickness=3.0)
    expected = np.sqrt(3.0**2 / 12 + 1.5**2 / 6 + 0.2**2)
    assert declare_through_plane_blur_mm(volume) == pytest.approx(expected)
    undeclared = make_volume(10.0, thickness=None)
    assert declare_through_plane_blur_mm(undeclared) == pytest.approx(
        declare_through_plane_blur_mm(make_volume(10.0, thickness=1.5))
    )


def test_pixels_that_are_not_square_blur_by_box_and_interpolation() -> None:
    assert declare_uneven_blur_mm(make_crop(2.0, 1.0, 1.0)) == 0.0
    expected = np.sqrt((2.0**2 - 1.0**2) * (1 / 12 + 1 / 6))
    for sides in ((2.0, 2.0, 1.0), (2.0, 1.0, 2.0)):
        assert declare_uneven_blur_mm(make_crop(*sides)) == pytest.approx(expected)


def test_coarse_pixels_leave_edges_uncertain_by_their_place() -> None:
    across_columns, across_rows, up = np.eye(3)
    crop = make_crop(3.0, 2.0, 1.0)
    assert find_ripple_mm(across_columns, crop) == pytest.approx(0.0)
    assert find_ripple_mm(across_rows, crop) > 0.1
    # Slices have an uncertainty of their own.
    assert find_ripple_mm(up, make_crop(3.0, 1.0, 1.0)) == pytest.approx(0.0)


def make_crop(*sides_mm: float) -> CtVolume:
    """Return an upright volume whose voxels have these sides along z, y and x."""
    return replace(
        make_volume(10.0),
        index_to_lps_mm=np.vstack([np.diag(sides_mm)[::-1], np.zeros(3)]) @ np.eye(3, 4)
        + np.diag([0.0, 0.0, 0.0, 1.0]),
    )


@pytest.mark.parametrize("uneven_mm", [0.0, 0.7])
def test_blur_along_rays_is_stretched_by_slant(uneven_mm: float) -> None:
    calibration = replace(
        USUAL, blur_in_plane_mm=0.5, blur_through_plane_mm=0.9, blur_uneven_mm=uneven_mm
    )
    tilt = np.radians(40.0)
    normals = np.array([[1.0, 0, 0], [np.cos(tilt), 0, np.sin(tilt)], [0, 0, 1.0], [0, 1.0, 0]])
    across = np.array([[1.0, 0, 0], [1.0, 0, 0], [0, 0, 1.0], [0, 1.0, 0]])
    crop = make_crop(3.0, 2.0 if uneven_mm else 1.0, 1.0)
    found = blur_along_rays_mm(calibration, normals, across, crop)
    slanted = np.hypot(0.5 * np.cos(tilt), 0.9 * np.sin(tilt)) / np.cos(tilt)
    assert found == pytest.approx([0.5, slanted, 0.9, np.hypot(0.5, uneven_mm)])


def test_density_and_blur_come_back_from_a_thick_wall(
    segment_tube: Callable[[Tube], Cortex],
) -> None:
    calibration = segment_tube(TUBES["ordinary"]).calibration
    assert calibration.n_rays > 1000
    assert calibration.cortex_hu == pytest.approx(1650.0, abs=5.0)
    assert calibration.blur_in_plane_mm == pytest.approx(BLUR_MM, rel=0.02)


@pytest.mark.parametrize("name", ["of 3 mm", "thin"])
def test_thin_walls_tell_density_and_blur_less_surely(
    segment_tube: Callable[[Tube], Cortex], name: str
) -> None:
    found, thick = (segment_tube(TUBES[each]).calibration for each in (name, "ordinary"))
    assert found.n_rays > 1000
    assert found.shared_u_hu > thick.shared_u_hu
    assert abs(found.cortex_hu - 1650.0) < found.shared_u_hu
    assert abs(found.blur_in_plane_mm - BLUR_MM) < 2 * found.blur_u_mm


def test_a_wall_that_is_faint_all_over_is_found(segment_tube: Callable[[Tube], Cortex]) -> None:
    """1 mm of a third of the density: its blurred peak reads 320 HU, under the usual threshold."""
    usual = segment_tube(TUBES["of 1 mm"])
    crop = usual.femur.crop
    faint = segment_cortex(
        replace(
            usual.femur,
            crop=replace(
                crop, voxels_hu=np.rint(50.0 + 0.3 * (crop.voxels_hu - 50.0)).astype(np.int16)
            ),
        ),
        SegmentSettings(),
    )
    moved = np.linalg.norm(faint.outer_lps_mm - usual.outer_lps_mm, axis=-1)
    # Nothing tells a thin wall's density: taken for three times denser, it reads as thin as a third
    # of itself, around its middle.
    assert np.nanmax(moved) < 0.5
    assert np.isfinite(faint.outer_lps_mm).mean() > 0.99


def test_no_canal_is_told_where_the_outer_edge_is_not(
    segment_tube: Callable[[Tube], Cortex],
) -> None:
    """A third of the wall is missing from z = -35 to -30: what lies inside is no canal."""
    usual = segment_tube(TUBES["ordinary"])
    crop = usual.femur.crop
    k, j, i = np.indices(crop.voxels_hu.shape)
    x, y, z = np.moveaxis(
        np.stack([k, j, i], axis=-1) @ crop.index_to_lps_mm[:3, :3].T + crop.index_to_lps_mm[:3, 3],
        -1,
        0,
    )
    gone = (z > -35.0) & (z < -30.0) & (np.abs(np.arctan2(y, x)) < np.radians(60.0))
    voxels = np.where(gone & (np.hypot(x, y) < 20.0), 50, crop.voxels_hu).astype(np.int16)
    cortex = segment_cortex(
        replace(usual.femur, crop=replace(crop, voxels_hu=voxels)), SegmentSettings()
    )
    heights = usual.axis_point_lps_mm[2] + usual.heights_mm * usual.axis_direction[2]
    within = (heights > -34.0) & (heights < -31.0)
    assert np.isnan(cortex.canal_lps_mm[within]).all()
    away = (heights > -27.0) & (heights < 0.0) | (heights > -50.0) & (heights < -38.0)
    assert np.isfinite(cortex.canal_lps_mm[away]).all()


def test_a_wall_of_1_mm_tells_the_blur_alone(segment_tube: Callable[[Tube], Cortex]) -> None:
    """Twice the density and half the thickness look the same; the blur does not."""
    thin = segment_tube(TUBES["of 1 mm"])
    assert thin.calibration.n_rays == 0
    assert thin.calibration.cortex_u_hu == PRIOR_CORTEX_U_HU
    assert abs(thin.calibration.blur_in_plane_mm - BLUR_MM) < 2 * thin.calibration.blur_u_mm
    # What is not known of the density moves every edge of the thin wall.
    known = segment_tube(TUBES["ordinary"])
    for name in ("outer_shared_u_mm", "canal_shared_u_mm"):
        assert np.nanmedian(getattr(thin, name)) > 3 * np.nanmedian(getattr(known, name))


@pytest.mark.parametrize("name", ["ordinary", "narrow"])
def test_widths_have_no_bias_however_narrow_the_canal(
    name: str, segment_tube: Callable[[Tube], Cortex]
) -> None:
    """Blurring a disc moves its half-level inwards by s^2 / 2r on each side, 0.04 mm at 9 mm."""
    tube = TUBES[name]
    cortex = segment_tube(tube)
    for points, width_mm in (
        (cortex.outer_lps_mm, tube.outer_ml_mm),
        (cortex.canal_lps_mm, tube.canal_ml_mm),
    ):
        sections = cut_tube(points, LEVELS_MM)[..., :2]
        spans = np.ptp(sections, axis=1)
        assert np.abs(spans[:, 0] - width_mm).max() < 0.03
        assert np.abs(spans[:, 1] - width_mm).max() < 0.03 + RASTER_MM
        areas = np.array([find_area(section)[0] for section in sections])
        assert 2 * np.sqrt(areas / np.pi) == pytest.approx(width_mm, abs=0.015)
    uncorrected_mm = 2 * cortex.calibration.blur_in_plane_mm**2 / tube.canal_ml_mm
    assert name != "narrow" or uncorrected_mm > 0.06  # without its correction it would fail


def test_the_canal_is_found_where_it_is_not_in_the_middle(
    segment_tube: Callable[[Tube], Cortex],
) -> None:
    cortex = segment_tube(TUBES["narrow"])
    sections = cut_tube(cortex.canal_lps_mm, LEVELS_MM)[..., :2]
    centres = np.array([find_area(section)[1] for section in sections])
    # Each edge is right to 0.015 mm, and a centre rests on two.
    assert np.abs(centres - [1.0, 0.0]).max() < 0.02


def test_rings_say_what_is_in_doubt(segment_tube: Callable[[Tube], Cortex]) -> None:
    thin, thick = segment_tube(TUBES["thin"]), segment_tube(TUBES["ordinary"])
    shaft = (thick.heights_mm > -85.0) & (thick.heights_mm < -40.0)
    # 1.5 mm is less than three blurs of 0.6 mm; the field of view is 5 mm wider than the bone.
    assert (thin.quality[shaft] & int(Quality.THIN_CORTEX)).all()
    assert not (thick.quality[shaft] & int(Quality.THIN_CORTEX)).any()
    assert (thick.quality[shaft] & int(Quality.TOUCHES_EDGE)).all()
    for cortex in (thin, thick):
        assert not (cortex.quality[shaft] & int(Quality.OUTLINE_INCOMPLETE)).any()
        assert not (cortex.quality & int(Quality.METAL)).any()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("ring_step_mm", 0.1),
        ("ring_step_mm", 3.0),
        ("rays_per_ring", 59),
        ("rays_per_ring", 62),
        ("smooth_along_mm", 0.0),
        ("smooth_across_mm", 7.0),
    ],
)
def test_impossible_settings_are_a_wrong_call(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        replace(SegmentSettings(), **{name: value})


def test_rings_say_what_the_canal_holds_and_how_its_edge_is_made(
    segment_tube: Callable[[Tube], Cortex],
) -> None:
    """Above the middle something as dense as cement fills it, below 2 mm of its wall are porous."""
    plain = segment_tube(TUBES["ordinary"])
    crop = plain.femur.crop
    index = np.stack(np.indices(crop.voxels_hu.shape), axis=-1)
    place = index @ crop.index_to_lps_mm[:3, :3].T + crop.index_to_lps_mm[:3, 3]
    radius, above = np.hypot(place[..., 0], place[..., 1]), place[..., 2] > 0
    voxels = crop.voxels_hu.copy()
    voxels[above & (radius < 6.5)] = 1300
    voxels[~above & (radius > 7.0) & (radius < 9.0)] = 900
    femur = replace(plain.femur, crop=replace(crop, voxels_hu=voxels))
    cortex = segment_cortex(femur, SegmentSettings())
    # The tube's middle lies 40 mm below the foot of the head; rings beside it see both halves.
    upper, lower = cortex.heights_mm > -38.0, cortex.heights_mm < -42.0
    for bit, there, elsewhere in (
        (Quality.FILLED_CANAL, upper, lower),
        (Quality.POROUS_ENDOSTEUM, lower, upper),
    ):
        has = (cortex.quality & int(bit)) != 0
        assert has[there].all()
        assert not has[elsewhere].any()
        assert not (plain.quality & int(bit)).any()


def test_a_short_shaft_without_a_head_has_no_axis(segment_tube: Callable[[Tube], Cortex]) -> None:
    femur = segment_tube(TUBES["ordinary"]).femur
    path = femur.shaft_path_lps_mm
    top = path[:, 2] > path[-1, 2] - 30.0
    short = replace(femur, head=None, shaft_path_lps_mm=path[top])
    with pytest.raises(ShaftTooShortError, match="right"):
        segment_cortex(short, SegmentSettings())
