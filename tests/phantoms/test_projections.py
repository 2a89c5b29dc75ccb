"""Closed forms for the beam, the projections and the back-projection; a phantom's three slices.

Discs are given as squares of 1 mm, and of 1/8 mm along their borders, so that an area is right to
a border of at most 1/16 mm over its radius and outlines are right to a few hundredths of a mm.
"""

from dataclasses import replace

import numpy as np
import pytest

from canalmorph_phantoms.backprojection import KERNELS, back_project, filter_projections
from canalmorph_phantoms.build import make_scene
from canalmorph_phantoms.projections import (
    GANTRY,
    PHOTONS,
    PROJECTED,
    count_photons,
    project_kernels,
    project_scan,
)
from canalmorph_phantoms.projector import project_squares
from canalmorph_phantoms.spectrum import BONE_STEP_MM, WATER_STEP_MM, Beam, make_beam
from canalmorph_phantoms.squares import list_squares
from canalmorph_phantoms.truth import measure_scan

BODY_MM, RING_MM, CANAL_MM = 90.0, 14.0, 8.0
#: Attenuation of water and of bone in a beam of one energy, about those at 70 keV. [1/mm]
WATER, BONE = 0.0193, 0.0504


def list_disc(x, y, radius, water, bone):
    """Return a disc as squares: whole millimetres inside, eighths at the border."""
    cells = np.arange(-np.ceil(radius) + 0.5, np.ceil(radius))
    v, u = (part.ravel() for part in np.meshgrid(cells, cells, indexing="ij"))
    far = np.hypot(np.abs(u) + 0.5, np.abs(v) + 0.5)
    near = np.hypot(np.maximum(np.abs(u) - 0.5, 0), np.maximum(np.abs(v) - 0.5, 0))
    inside, border = far <= radius, (far > radius) & (near < radius)
    part = (np.arange(8) - 3.5) / 8
    fu = (u[border][:, None, None] + part[None, None, :]).repeat(8, axis=1).ravel()
    fv = (v[border][:, None, None] + part[None, :, None]).repeat(8, axis=2).ravel()
    kept = np.hypot(fu, fv) < radius
    u, v = np.append(u[inside], fu[kept]), np.append(v[inside], fv[kept])
    edge = np.append(np.ones(inside.sum()), np.full(kept.sum(), 0.125))
    return np.column_stack([u + x, v + y, edge, np.full(u.size, water), np.full(u.size, bone)])


def reconstruct(water_mm, kernel, centre, *, pixel=0.2, count=180):
    """Return a square field in HU and each pixel's distance from its centre."""
    filtered = filter_projections(water_mm, GANTRY, KERNELS[kernel])
    offsets = (np.arange(count) - 0.5 * (count - 1)) * pixel
    first = np.array([offsets[0] + centre[1], offsets[0] + centre[0]])
    density = back_project(filtered, GANTRY, first, pixel, (count, count))
    return 1000.0 * (density - 1.0), np.hypot(offsets[:, None], offsets[None, :])


def average_rings(image, distance, width=0.1):
    """Return mean distance and mean reading by ring."""
    ring = np.round(distance / width).astype(int).ravel()
    count = np.bincount(ring)
    seen = count > 0
    means = [np.bincount(ring, values.ravel())[seen] / count[seen] for values in (distance, image)]
    return means[0], means[1]


def cross(distance, profile, level, low, high):
    """Return where a profile between two distances crosses a level."""
    part = (distance > low) & (distance < high)
    d, above = distance[part], profile[part] - level
    (n,) = np.nonzero(np.diff(np.sign(above)))
    assert len(n) == 1
    return float(d[n[0]] - above[n[0]] * (d[n[0] + 1] - d[n[0]]) / np.diff(above)[n[0]])


@pytest.fixture(scope="module")
def beam() -> Beam:
    return make_beam()


@pytest.fixture(scope="module")
def one_energy() -> Beam:
    water, bone = WATER_STEP_MM * np.arange(351), BONE_STEP_MM * np.arange(441)
    return Beam(
        weights=np.ones(1),
        water_per_mm=np.array([WATER]),
        bone_per_mm=np.array([BONE]),
        bone_hu=1000.0 * (BONE / WATER - 1.0),
        attenuation=(WATER * water[:, None] + BONE * bone[None, :]).astype(np.float32),
    )


@pytest.fixture(scope="module")
def body_signal(beam):
    """Signal of a round body of water off the isocentre."""
    squares = list_disc(-40.0, 10.0, BODY_MM, 1.0, 0.0)
    return project_squares(squares, squares, GANTRY, beam)


def list_ring(centre):
    """Return a body of water that holds a ring of bone, marrow being water."""
    return np.concatenate(
        [
            list_disc(*centre, BODY_MM, 1.0, 0.0),
            list_disc(*centre, RING_MM, -1.0, 1.0),
            list_disc(*centre, CANAL_MM, 1.0, -1.0),
        ]
    )


def test_the_beam_hardens_and_the_water_correction_undoes_it(beam):
    lengths = np.array([50.0, 100.0, 200.0, 400.0])
    attenuation = beam.attenuate(lengths, np.zeros(4))
    assert (np.diff(attenuation / lengths) < 0).all()
    np.testing.assert_allclose(beam.correct_for_water(attenuation), lengths, atol=0.01)
    # The table that rays are read from: exact at its nodes, in float32.
    np.testing.assert_allclose(beam.attenuation[[25, 100], 0], attenuation[[0, 2]], rtol=1e-5)
    mixed = beam.attenuate(np.array([200.0]), np.array([20.0]))[0]
    assert beam.attenuation[100, 40] == pytest.approx(mixed, rel=1e-5)


def test_a_voltage_that_no_scanner_has_is_refused():
    with pytest.raises(ValueError, match=r"'kvp' must be in \[70, 150\] kV, got 20"):
        make_beam(kvp=20.0)


def test_line_integrals_are_the_chords_of_a_disc(one_energy):
    x, y, radius = -88.0, 12.0, 15.0
    squares = list_disc(x, y, radius, 1.0, 0.0)
    signal = project_squares(squares, squares, GANTRY, one_energy)
    found = -np.log(signal) / WATER
    places = GANTRY.first_mm + GANTRY.pitch_mm * np.arange(GANTRY.elements)
    for view in (0, 100, 317):
        angle = 2 * np.pi * view / GANTRY.views
        source = GANTRY.source_mm * np.array([-np.sin(angle), np.cos(angle)])
        at = places[:, None] * np.array([np.cos(angle), np.sin(angle)])
        along = (at - source) / np.linalg.norm(at - source, axis=1)[:, None]
        offset = np.array([x, y]) - source
        distance = np.abs(along[:, 0] * offset[1] - along[:, 1] * offset[0])
        chord = 2 * np.sqrt(np.maximum(radius**2 - distance**2, 0))
        # Away from the steep rim: an element is 0.6 mm, the focal spot's shadow 0.5 mm wide,
        # and within 0.5 mm the chord there bends by less than 0.1 mm; so do the stairs.
        flat = np.abs(distance - radius) > 2.0
        np.testing.assert_allclose(found[view, flat], chord[flat], atol=0.1)
        # Nothing is lost: the mean over all rays is that of the chords.
        assert found[view].sum() == pytest.approx(chord.sum(), rel=0.003)


@pytest.mark.parametrize("kernel", ["smooth", "sharp"])
def test_water_reads_0_without_cupping(body_signal, beam, kernel):
    corrected = beam.correct_for_water(-np.log(body_signal))
    image, distance = reconstruct(corrected, kernel, (-40.0, 10.0), pixel=2.0, count=90)
    assert abs(image[distance < 20].mean()) < 1.0
    rim = image[(distance > 70) & (distance < 80)].mean()
    assert abs(rim - image[distance < 20].mean()) < 2.0
    assert image[distance < 80].std() < 3.0
    # Without the correction the middle reads less than the rim: the beam does harden.
    plain = -np.log(body_signal) / (beam.weights @ beam.water_per_mm)
    cupped, _ = reconstruct(plain, kernel, (-40.0, 10.0), pixel=2.0, count=90)
    rim, middle = (
        cupped[part].mean() for part in ((distance > 70) & (distance < 80), distance < 20)
    )
    assert rim - middle > 10.0


def measure_ring(beam, centre=(-60.0, 5.0)):
    """Return half-maximum radii, plateau and outer profile of a ring, by kernel."""
    squares = list_ring(centre)
    water = beam.correct_for_water(-np.log(project_squares(squares, squares, GANTRY, beam)))
    found = {}
    for kernel in KERNELS:
        at, profile = average_rings(*reconstruct(water, kernel, centre))

        def plateau(low, high, at=at, profile=profile):
            return float(np.median(profile[(at > low) & (at < high)]))

        bone, inside, outside = plateau(10.0, 12.0), plateau(2.0, 5.0), plateau(16.5, 17.8)
        canal = cross(at, profile, 0.5 * (bone + inside), CANAL_MM - 2, CANAL_MM + 2)
        outer = cross(at, profile, 0.5 * (bone + outside), RING_MM - 2, RING_MM + 2)
        edge = (at > 11.5) & (at < 17.0)
        found[kernel] = (canal, outer, bone, at[edge], profile[edge])
    return found


@pytest.fixture(scope="module")
def pure_ring(one_energy):
    return measure_ring(one_energy)


@pytest.fixture(scope="module")
def hardened_ring(beam):
    return measure_ring(beam)


@pytest.mark.parametrize("kernel", ["smooth", "sharp"])
def test_a_ring_keeps_its_radii_at_half_maximum_in_a_beam_of_one_energy(
    pure_ring, one_energy, kernel
):
    canal, outer, bone, _, _ = pure_ring[kernel]
    assert bone == pytest.approx(one_energy.bone_hu, rel=0.01)
    # A blur of sigma moves a curved border inward by sigma^2 / (2 R): 0.55 mm (test below) give
    # 0.019 and 0.011 mm; the stairs of the disc and the rings of pixels give 0.01 mm more, and
    # the logarithm of a mean intensity shortens chords at the rim by less than 0.01 mm.
    assert canal == pytest.approx(CANAL_MM, abs=0.04)
    assert outer == pytest.approx(RING_MM, abs=0.03)


@pytest.mark.parametrize("kernel", ["smooth", "sharp"])
def test_hardening_by_bone_moves_the_radii_by_what_it_does_to_the_plateau(
    hardened_ring, beam, kernel
):
    canal, outer, bone, _, _ = hardened_ring[kernel]
    # Bone reads by as much too high or low at a border as the plateau is crooked. With a slope of
    # contrast over sigma * sqrt(2 pi), 5 % of contrast move the half level by 2.5 % or 0.035 mm.
    assert bone == pytest.approx(beam.bone_hu, rel=0.08)
    assert canal == pytest.approx(CANAL_MM, abs=0.075)
    assert outer == pytest.approx(RING_MM, abs=0.065)


def test_only_the_sharp_kernel_overshoots_and_it_is_the_sharper(pure_ring):
    share, sigma_mm = {}, {}
    for kernel, (_, _, bone, at, profile) in pure_ring.items():
        share[kernel] = (profile.max() - bone) / bone
        slope = -np.gradient(profile, at).min()
        sigma_mm[kernel] = bone / (np.sqrt(2 * np.pi) * slope)
    # What the kernels are made to be like: clinical ones, see the module.
    assert share["smooth"] < 0.015
    assert 0.05 < share["sharp"] < 0.15
    assert 0.5 < sigma_mm["smooth"] < 0.62
    assert sigma_mm["sharp"] < 0.75 * sigma_mm["smooth"]


def test_noise_falls_with_the_root_of_the_photons(body_signal, beam):
    spread = []
    for photons in (2e3, 8e3):
        pair = [
            reconstruct(
                beam.correct_for_water(
                    -np.log(count_photons(body_signal, photons, np.random.default_rng(seed)))
                ),
                "smooth",
                (-40.0, 10.0),
                pixel=0.75,
                count=120,
            )[0]
            for seed in (1, 2)
        ]
        spread.append(float((pair[0] - pair[1]).std() / np.sqrt(2)))
    # 14,400 pixels, of which about one in four is independent: the ratio's SD is 1.7 %.
    assert spread[0] / spread[1] == pytest.approx(2.0, rel=0.06)
    assert count_photons(body_signal, np.inf, np.random.default_rng(1)) is body_signal


@pytest.fixture(scope="module")
def short_spec():
    """Three slices of the shaft."""
    spec = PROJECTED["projected_normal"]
    return replace(spec, scanner=replace(spec.scanner, z_range_mm=(-151.0, -149.0)))


@pytest.fixture(scope="module")
def both(short_spec):
    return project_kernels(short_spec)


def test_truth_grid_and_facts_are_those_of_the_specification(short_spec, both):
    truth = measure_scan(short_spec)
    for kernel, result in both.items():
        assert result.truth.femora == truth.femora
        assert np.isnan(result.truth.blur_in_plane_mm)
        assert result.volume.voxels_hu.shape == (3, 227, 214)
        np.testing.assert_allclose(result.volume.index_to_lps_mm[:3, 3], [-180.0, -85.0, -151.0])
        assert result.volume.facts.kernel == kernel


def test_density_and_noise_are_those_of_a_clinical_scan(short_spec, both):
    cortex = short_spec.tissue.cortex_hu
    for kernel, low, high in (("smooth", 15.0, 25.0), ("sharp", 33.0, 60.0)):
        image = both[kernel].volume.voxels_hu.astype(float)
        plateau = np.median(image[image > 0.75 * cortex])
        # Hardening leaves bone of several cm within a tenth of its nominal reading.
        assert plateau == pytest.approx(cortex, rel=0.1)
        muscle = image[:, 115:140, 132:152]
        # Between the femur and the other thigh, in the dark band that hardening by bone leaves.
        assert -30.0 < np.median(muscle) - short_spec.tissue.muscle_hu < 0.0
        # Neighbours along z share the texture of muscle, not the photons.
        noise = (muscle[1:] - muscle[:-1]).std() / np.sqrt(2)
        assert low < noise < high


def test_the_same_seed_is_the_same_scan(short_spec, both):
    one = replace(short_spec, scanner=replace(short_spec.scanner, z_range_mm=(-151.0, -150.5)))
    voxels = both["smooth"].volume.voxels_hu[:1]
    again = project_scan(one, kernel="smooth").volume.voxels_hu
    other = project_scan(one, kernel="smooth", seed=5, photons=PHOTONS).volume.voxels_hu
    np.testing.assert_array_equal(again, voxels)
    assert (other != voxels).mean() > 0.5


def test_squares_hold_what_the_scene_holds(short_spec, beam):
    lower, upper = list_squares(-150.0, 1.0, make_scene(short_spec), beam.bone_hu)
    section = measure_scan(short_spec).femora[0]
    level = -150.0 - section.origin_mm[2]
    walls = [
        (row["level_mm"], row["outer_area_mm2"] - row["canal_area_mm2"]) for row in section.sections
    ]
    areas = np.interp(level, *np.transpose(walls)) / abs(section.up[2])
    # The cortex holds more than one share of bone, and muscle and marrow none.
    share = (1000.0 + short_spec.tissue.cortex_hu) / (1000.0 + beam.bone_hu)
    for squares in (lower, upper):
        found = (squares[:, 2] ** 2 * squares[:, 4]).sum() / share
        assert found == pytest.approx(areas, rel=0.02)


def test_what_cannot_be_projected_is_refused(short_spec):
    with pytest.raises(ValueError, match="'photons' must be positive, got 0"):
        project_scan(short_spec, kernel="smooth", photons=0.0)
    table = replace(short_spec, tissue=replace(short_spec.tissue, table=True))
    with pytest.raises(ValueError, match="leave the body within 424 x 296 mm"):
        project_scan(table, kernel="smooth")
    wide = replace(short_spec, scanner=replace(short_spec.scanner, y_range_mm=(-300.0, 300.0)))
    with pytest.raises(ValueError, match="'shape' must stay within"):
        project_scan(wide, kernel="smooth")
