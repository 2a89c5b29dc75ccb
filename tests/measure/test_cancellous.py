"""CT numbers of cancellous bone: closed forms, phantoms of known density, and what blanks them."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from canalmorph.flags import Quality
from canalmorph.measure import cancellous
from canalmorph.measure.cancellous import (
    LEAST_VOLUME_MM3,
    find_erosion_mm,
    find_metaphysis,
    find_neck,
    measure_cancellous,
)
from canalmorph.model.femur import METAL_REACH_MM, AlignedFemur, Femur
from canalmorph.model.results import Measurement
from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.cancellous import average_cancellous_hu
from canalmorph_phantoms.catalogue import SMALL

Make = Callable[..., AlignedFemur]
LEVELS = np.arange(20.0, 9.0, -2.0)
CLEAN = np.zeros(len(LEVELS), dtype=np.int64)
RADIUS_MM = 14.0


def _with_ct(aligned: AlignedFemur, fill: Callable[[np.ndarray], np.ndarray]) -> AlignedFemur:
    """Return a femur whose CT around LT+15 is a function of the place in its frame [HU]."""
    centre = aligned.frame.frame_to_lps_mm(np.array([0.0, 0.0, 15.0]))
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = 1.0
    affine[:3, 3], affine[3, 3] = centre - 40.0, 1.0
    index = np.moveaxis(np.indices((81, 81, 81)), 0, -1).astype(float)
    points = aligned.frame.lps_to_frame_mm(index @ affine[:3, :3].T + affine[:3, 3])
    voxels = np.clip(fill(points), -1024, 3071).astype(np.int16)
    femur: Femur = aligned.cortex.femur
    crop = CtVolume(voxels_hu=voxels, index_to_lps_mm=affine, facts=femur.crop.facts)
    return replace(aligned, cortex=replace(aligned.cortex, femur=replace(femur, crop=crop)))


def _make_tube(make_aligned: Make, radius_mm: float = RADIUS_MM) -> AlignedFemur:
    return make_aligned(
        lambda level: (0.0, 0.0, radius_mm + 3.0, radius_mm + 3.0),
        lambda level: (0.0, 0.0, radius_mm, radius_mm),
    )


def _measure(aligned: AlignedFemur) -> Measurement:
    return measure_cancellous(aligned, LEVELS, CLEAN)["cancellous_metaphysis_hu"]


def test_the_metaphysis_is_the_eroded_canal(make_aligned: Make) -> None:
    region = find_metaphysis(_make_tube(make_aligned))
    assert region is not None
    # Eleven planes of a circle of 14 - 3 mm less half of the ramp of 1 mm, on a grid of 1 mm: the
    # sum of a ramp over a grid errs by a few points.
    assert region.weights.sum() / 11 == pytest.approx(np.pi * 10.5**2, rel=0.01)
    assert region.depth_mm.min() >= 3.0
    assert (np.hypot(*region.local_mm[:, :2].T) <= 11.05).all()
    assert set(region.local_mm[:, 2]) == set(np.arange(10.0, 21.0))


def test_a_mean_is_that_of_the_tissue_between_the_planes(make_aligned: Make) -> None:
    # Density that grows by 4 HU a mm along the shaft: the mean is that at LT+15, and level 0 is
    # uncertain by 0.4 mm.
    aligned = _with_ct(_make_tube(make_aligned), lambda p: 100.0 + 4.0 * p[..., 2])
    number = _measure(aligned)
    # Voxels were cut to whole HU, half a unit low on average.
    assert number.value == pytest.approx(159.5, abs=0.3)
    assert number.u is not None
    assert 4.0 * 0.4 < number.u < 5.0


def test_noise_gives_the_standard_error_of_the_mean(make_aligned: Make) -> None:
    noise = np.random.default_rng(1)
    numbers = [
        _measure(
            _with_ct(
                _make_tube(make_aligned), lambda p: 200.0 + noise.normal(0.0, 60.0, p.shape[:-1])
            )
        )
        for _ in range(30)
    ]
    errors = np.array([(n.value or 0.0) - 199.5 for n in numbers]) / [n.u for n in numbers]
    # Thirty errors over their uncertainty: their root mean square is known to 13 %; neighbouring
    # cells share some interpolated noise.
    assert 0.6 < np.sqrt((errors**2).mean()) < 1.4


def test_a_blurred_wall_adds_less_than_the_edge_allows(make_aligned: Make) -> None:
    """A wall of 1600 HU, blurred by 1.5 mm, as thick slices do: its foot reaches the region."""
    blur = 1.5
    aligned = _make_tube(make_aligned)
    aligned = replace(
        aligned,
        cortex=replace(
            aligned.cortex,
            calibration=replace(aligned.cortex.calibration, blur_through_plane_mm=blur),
        ),
    )
    assert find_erosion_mm(aligned.cortex.calibration) == pytest.approx(4.5)

    def fill(p: np.ndarray) -> np.ndarray:
        depth = RADIUS_MM - np.hypot(p[..., 0], p[..., 1])
        return 150.0 + 1450.0 * ndtr(-depth / blur) + 0.5

    number = _measure(_with_ct(aligned, fill))
    assert number.value is not None
    assert number.u is not None
    assert 0 < number.value - 150.0 < number.u


def test_a_narrow_canal_has_no_number(make_aligned: Make) -> None:
    # 11 planes of a circle of radius r - 3.5 hold LEAST_VOLUME at r = 6.8 mm.
    radius = 3.5 + float(np.sqrt(LEAST_VOLUME_MM3 / (11 * np.pi)))
    for change, known in ((-0.4, False), (0.4, True)):
        aligned = _with_ct(_make_tube(make_aligned, radius + change), lambda p: 0 * p[..., 0])
        found = measure_cancellous(aligned, LEVELS, CLEAN)
        assert ("cancellous_metaphysis_hu" in found) is known


def test_metal_nearby_blanks_the_number(make_aligned: Make) -> None:
    plain = _with_ct(_make_tube(make_aligned), lambda p: 200.0 + 0 * p[..., 0])
    assert measure_cancellous(plain, LEVELS, CLEAN)
    # Aside of the region's edge, which lies 3.5 mm within the canal's, by less and by more.
    for away_mm, known in ((METAL_REACH_MM - 1.0, False), (METAL_REACH_MM + 5.0, True)):
        place = plain.frame.frame_to_lps_mm(np.array([[RADIUS_MM - 3.5 + away_mm, 0.0, 15.0]]))
        femur = replace(plain.cortex.femur, metal_lps_mm=place)
        near = replace(plain, cortex=replace(plain.cortex, femur=femur))
        assert bool(measure_cancellous(near, LEVELS, CLEAN)) is known
    flagged = np.full(len(LEVELS), int(Quality.METAL))
    assert measure_cancellous(plain, LEVELS, flagged) == {}


def test_an_open_canal_has_no_number(
    make_aligned: Make, punch_hole: Callable[..., AlignedFemur]
) -> None:
    aligned = _with_ct(_make_tube(make_aligned), lambda p: 200.0 + 0 * p[..., 0])
    open_ring = punch_hole(aligned, "canal_lps_mm", slice(190, 202), slice(0, 40))
    assert measure_cancellous(open_ring, LEVELS, CLEAN) == {}


def test_a_region_that_leaves_the_scan_has_no_number(make_aligned: Make) -> None:
    aligned = _with_ct(_make_tube(make_aligned), lambda p: 200.0 + 0 * p[..., 0])
    crop = aligned.cortex.femur.crop
    cut = replace(crop, voxels_hu=np.ascontiguousarray(crop.voxels_hu[:42]))
    femur = replace(aligned.cortex.femur, crop=cut)
    aligned = replace(aligned, cortex=replace(aligned.cortex, femur=femur))
    assert measure_cancellous(aligned, LEVELS, CLEAN) == {}


@pytest.mark.parametrize("name", ["cancellous_metaphysis_hu", "cancellous_neck_hu"])
def test_a_phantoms_known_density_is_found(right_stages: object, name: str) -> None:
    aligned: AlignedFemur = right_stages.aligned
    spec = SMALL["small_right"]
    erosion = find_erosion_mm(aligned.cortex.calibration)
    true_hu = average_cancellous_hu(spec.tissue, spec.femora[0], erosion_mm=erosion)[name]
    number = right_stages.indices.values[name]
    assert number.value is not None
    assert number.u is not None
    # Never beyond three standard uncertainties, and those are no refuge.
    assert abs(number.value - true_hu) < 3 * number.u
    assert number.u < 8.0


def test_the_neck_region_lies_in_the_neck(right_stages: object) -> None:
    aligned: AlignedFemur = right_stages.aligned
    region = find_neck(aligned)
    assert region is not None
    assert aligned.neck is not None
    shape = SMALL["small_right"].femora[0].shape
    away = region.points_lps_mm - aligned.neck.centre_lps_mm
    along = away @ aligned.neck.direction
    assert np.abs(along).max() == pytest.approx(cancellous.NECK_HALF_MM)
    across = np.linalg.norm(away - along[:, None] * aligned.neck.direction, axis=1)
    # The neck's height less its shell and the erosion, and half a millimetre for the edge.
    high = shape.neck_radius_mm * shape.neck_height_ratio - shape.shell_mm
    # Ten millimetres of a neck that widens towards its base.
    assert high - 5.0 < across.max() < high + 1.5


@pytest.mark.parametrize("name", ["cancellous_metaphysis_hu", "cancellous_neck_hu"])
def test_a_mirror_keeps_the_numbers(
    right_stages: object, mirrored_stages: object, name: str
) -> None:
    one = right_stages.indices.values[name]
    other = mirrored_stages.indices.values[name]
    # To rounding, but for what rounding moves upstream: the neck's centre is a mean of pixels, of
    # which one may change sides, and the level of the trochanter is read by bins.
    assert other.value == pytest.approx(one.value, abs=0.02 * one.u)
    assert other.u == pytest.approx(one.u, rel=1e-2)
