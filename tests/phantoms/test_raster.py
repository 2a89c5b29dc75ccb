"""Voxels against closed forms and against brute force."""

# mypy: disable-error-code="call-arg"

from dataclasses import replace

import numpy as np
import pytest

from canalmorph_phantoms.build import PhantomResult, make_scene, rasterise_scan
from canalmorph_phantoms.imaging import blur_image, draw_noise, make_blur_weights, round_hu
from canalmorph_phantoms.spec import PhantomScan, Scanner
from canalmorph_phantoms.tissue import find_fields, find_material, sample_material, sample_soft
from canalmorph_phantoms.tubes import Tube, build_tube

TUBES = {
    "round": Tube(),
    "eccentric": Tube(outer_ap_mm=31.0, canal_ml_mm=12.0, canal_posterior_mm=-1.7),
    "thin": Tube(canal_ml_mm=26.6, canal_ap_mm=26.6),
    "oblique": Tube(axis_tilt_deg=(0.0, 12.0, 0.0)),
    "cone": Tube(canal_half_angle_deg=5.0),
}


@pytest.mark.parametrize("name", sorted(TUBES))
def test_tube_holds_the_mass_of_its_closed_form(name: str, tube_scanner: Scanner) -> None:
    tube = TUBES[name]
    volume = build_tube(tube, tube_scanner)
    outer_mm2 = np.pi / 4 * tube.outer_ml_mm * tube.outer_ap_mm
    for k in (4, 12, 20):
        level = float(volume.index_to_lps_mm[2, 3]) + k
        canal_mm2 = tube.canal_area_at(level)
        expected = (outer_mm2 - canal_mm2) * (tube.wall_hu - tube.outside_hu) + canal_mm2 * (
            tube.canal_hu - tube.outside_hu
        )
        # An oblique section is larger by the secant of the tilt.
        expected /= tube.axis()[2]
        plane = volume.voxels_hu[k].astype(float)
        mass = float((plane - tube.outside_hu).sum()) * tube_scanner.pixel_mm**2
        # Outlines are polygons between points 0.5 mm apart: each radius errs by up to
        # 0.25 / (12 R) mm, 0.002 mm; times 130 mm of outline and 1600 HU that is 420 of 750,000.
        # The cone's blur along z adds its curvature, slope**2 * sigma**2 * pi, 0.005 mm2.
        assert mass == pytest.approx(expected, abs=700.0)


def test_tube_is_centred_where_it_should_be(tube_scanner: Scanner) -> None:
    tube = replace(TUBES["eccentric"], canal_left_mm=1.1)
    volume = build_tube(tube, replace(tube_scanner, blur_in_plane_mm=0.0, blur_z_mm=0.0))
    weight = volume.voxels_hu[12].astype(float) - tube.outside_hu
    x = volume.index_to_lps_mm[0, 3] + np.arange(weight.shape[1]) * tube_scanner.pixel_mm
    canal = tube.canal_area_at(0.0) * (tube.canal_hu - tube.wall_hu)
    outer = np.pi / 4 * tube.outer_ml_mm * tube.outer_ap_mm * (tube.wall_hu - tube.outside_hu)
    expected = canal * tube.canal_left_mm / (canal + outer)
    # Symmetric sampling: only rounding to whole HU is left.
    assert (weight.sum(axis=0) @ x) / weight.sum() == pytest.approx(expected, abs=2e-3)


def test_tube_walls_are_consistent() -> None:
    tube = TUBES["eccentric"]
    assert tube.wall_anterior_mm() + tube.wall_posterior_mm() + tube.canal_ap_mm == pytest.approx(
        tube.outer_ap_mm
    )
    assert tube.wall_posterior_mm() > tube.wall_anterior_mm()
    with pytest.raises(ValueError, match="canal_ml_mm"):
        Tube(canal_ml_mm=29.0)


def test_border_voxels_equal_brute_force(quiet_spec: PhantomScan) -> None:
    spec = replace(
        quiet_spec,
        scanner=replace(quiet_spec.scanner, blur_in_plane_mm=0.0, blur_z_mm=0.0),
        tissue=replace(quiet_spec.tissue, cancellous_sd_hu=0.0),
    )
    volume = rasterise_scan(spec, seed=0)
    scene = make_scene(spec)
    to_frame, parameters, tissue = scene[1], scene[2], scene[6]
    rng = np.random.default_rng(3)
    indices = rng.integers(0, volume.voxels_hu.shape, size=(40000, 3))
    centres = (np.column_stack([indices, np.ones(len(indices))]) @ volume.index_to_lps_mm.T)[:, :3]
    # Voxels that a border of femur, pelvis or joint space crosses.
    near = [min(abs(f) for f in find_fields(*c, 0, *scene[1:])) < 0.4 for c in centres]
    chosen = np.flatnonzero(near)[:60]
    assert len(chosen) == 60
    n = 12
    offsets = (np.stack(np.meshgrid(*[(np.arange(n) + 0.5) / n - 0.5] * 3), -1)).reshape(-1, 3)
    box = np.array([1.0, 1.0, 1.5])
    errors = []
    for index, centre in zip(indices[chosen], centres[chosen], strict=True):
        total = 0.0
        for x, y, z in centre + offsets * box:
            material = find_material(*find_fields(x, y, z, 0, *scene[1:]))
            total += (
                sample_soft(x, y, z, tissue)[0]
                if material == 5
                else sample_material(material, x, y, z, to_frame[0], parameters[0], tissue)
            )
        errors.append(float(volume.voxels_hu[tuple(index)]) - total / len(offsets))
    # Brute force itself: a flat border among 12 layers errs by up to 1/24 of 1700 HU, 71 HU, if
    # it lies along the grid, by far less if not; on average nothing.
    assert np.abs(errors).max() < 71
    assert np.std(errors) < 12
    assert abs(np.mean(errors)) < 4


def test_the_blur_comes_before_the_pixels(tube_scanner: Scanner) -> None:
    """Coarse pixels are the means of fine ones of the same scene, whatever the blur."""
    noiseless = replace(tube_scanner, noise_sd_hu=0.0, blur_in_plane_mm=0.5)
    tube = Tube(axis_tilt_deg=(4.0, 6.0, 0.0), canal_ml_mm=12.0)
    images = []
    for pixel, count in ((1.0, 40), (0.25, 160)):
        half = 0.5 * (count - 1) * pixel
        scanner = replace(
            noiseless, pixel_mm=pixel, x_range_mm=(-half, half), y_range_mm=(-half, half)
        )
        images.append(build_tube(tube, scanner).voxels_hu.astype(float))
    coarse, fine = images
    means = fine.reshape(len(fine), 40, 4, 40, 4).mean(axis=(2, 4))
    # Half pixels know the borders less well than eighths, by 2 HU in the standard deviation and by
    # 33 HU at most, of a step of 1700; blurred after the pixels it was 15 and 119.
    assert np.std(coarse - means) < 3.0
    assert np.abs(coarse - means).max() < 45.0


@pytest.mark.parametrize("sigma", [0.3, 0.5, 0.8, 1.5])
def test_blur_has_the_stated_variance_and_keeps_mass(sigma: float) -> None:
    weights = make_blur_weights(sigma)
    offsets = np.arange(len(weights)) - len(weights) // 2
    assert weights.sum() == pytest.approx(1.0)
    assert float(weights @ offsets**2) == pytest.approx(sigma**2, rel=1e-6)
    image = np.zeros((21, 21, 21), dtype=np.float32)
    image[10, 10, 10] = 1000.0
    blurred = blur_image(image, 0.5, sigma)
    assert blurred.sum() == pytest.approx(1000.0, rel=1e-5)
    assert np.allclose(blurred, blurred[:, ::-1, ::-1], atol=1e-4)


def test_noise_has_its_sd_and_repeats() -> None:
    noise = draw_noise((8, 128, 128), 20.0, 0.7, 5)
    # 131,072 samples, correlated over some 6 neighbours: the SD is known to 0.5 %.
    assert noise[:, 8:-8, 8:-8].std() == pytest.approx(20.0, rel=0.02)
    assert abs(noise.mean()) < 0.5
    near = np.mean(noise[:, :, 1:] * noise[:, :, :-1]) / noise.var()
    assert near > 0.3
    assert np.array_equal(noise, draw_noise((8, 128, 128), 20.0, 0.7, 5))
    assert not np.array_equal(noise, draw_noise((8, 128, 128), 20.0, 0.7, 6))


def test_hu_are_clipped_to_twelve_bits() -> None:
    found = round_hu(np.array([-3000.0, 0.6, 9000.0], dtype=np.float32))
    assert found.tolist() == [-1024, 1, 3071]


def test_materials_are_where_the_truth_says(quiet: PhantomResult) -> None:
    femur, volume = quiet.truth.femora[0], quiet.volume
    to_index = np.linalg.inv(volume.index_to_lps_mm)

    def read(point: np.ndarray) -> int:
        k, j, i = np.rint((to_index @ [*point, 1.0])[:3]).astype(int)
        return int(volume.voxels_hu[k, j, i])

    origin, up = np.array(femur.origin_mm), np.array(femur.up)
    section = next(s for s in femur.sections if s["level_mm"] == -100.0)
    centre = origin - 100 * up
    # Marrow in the middle; the middle of the medial wall, 8 mm thick, is pure cortex.
    assert read(centre) == pytest.approx(-50, abs=2)
    middle = (section["canal_ml_mm"] + section["outer_ml_mm"]) / 4
    assert read(centre + middle * np.array(femur.medial)) == pytest.approx(1650, abs=2)
    assert read(np.array(femur.head_mm)) > 100
    # 5 mm behind the lesser trochanter there is muscle.
    assert read(np.array(femur.lt_mm) + 6 * np.array(femur.posterior)) == pytest.approx(55, abs=3)
