"""The catalogue covers what it promises; every femur in it is a plausible one."""

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from canalmorph_phantoms.build import build_scan, make_grid
from canalmorph_phantoms.catalogue import CATALOGUE, SMALL
from canalmorph_phantoms.spec import FemurShape, LesserTrochanterShape, PhantomScan, Scanner
from canalmorph_phantoms.truth import measure_section, solve_solid

SHAPES = {
    f"{name}-{femur.side}": femur.shape for name, spec in CATALOGUE.items() for femur in spec.femora
}


@lru_cache
def _find_flare(shape: FemurShape) -> tuple[float, float, float]:
    """Return flare index, outer ML at LT-100 and the shaft's thinnest wall there."""
    solid, top = solve_solid(shape)
    lt = float(top.point_mm[2])
    upper = measure_section(solid, lt + 20)["canal_ml_mm"]
    shaft = measure_section(solid, lt - 100)
    isthmus = measure_section(solid, solid.isthmus_nominal_mm)["canal_ml_mm"]
    return upper / isthmus, shaft["outer_ml_mm"], shaft["cortex_min_mm"]


@pytest.fixture(scope="module")
def flares() -> dict[str, tuple[float, float, float]]:
    return {name: _find_flare(shape) for name, shape in SHAPES.items()}


def test_catalogue_is_large_and_mostly_within_the_promise() -> None:
    assert len(CATALOGUE) >= 16
    assert len(SMALL) >= 3
    assert sum(spec.within_promise for spec in CATALOGUE.values()) >= 10
    for name, spec in {**CATALOGUE, **SMALL}.items():
        assert spec.name == name
        assert spec.purpose.endswith(".")


def test_promise_means_what_it_says(flares: dict[str, tuple[float, float, float]]) -> None:
    for name, spec in CATALOGUE.items():
        thinnest = min(flares[f"{name}-{femur.side}"][2] for femur in spec.femora)
        keeps = (
            spec.scanner.slice_thickness_mm <= 1.0
            and spec.scanner.noise_sd_hu <= 30.0
            and thinnest >= 2.0
        )
        assert keeps == spec.within_promise, name


def test_flares_run_from_stovepipe_to_flute(
    flares: dict[str, tuple[float, float, float]],
) -> None:
    values = [flare for flare, _, _ in flares.values()]
    assert min(values) < 2.5
    assert max(values) > 5.5
    assert sum(3.0 <= value <= 4.7 for value in values) >= 8
    # Outer ML width at LT-100 of adults; the thin, slender bones lie below the usual 27 to 34 mm.
    assert all(19.0 < outer < 36.0 for _, outer, _ in flares.values())


def test_ranges_of_pose_and_shape_are_covered() -> None:
    torsions = [shape.torsion_deg for shape in SHAPES.values()]
    angles = [shape.neck_shaft_angle_deg for shape in SHAPES.values()]
    heads = [2 * shape.head_radius_mm for shape in SHAPES.values()]
    assert (min(torsions), max(torsions)) == (-10.0, 40.0)
    assert min(angles) < 118
    assert max(angles) > 135
    assert min(heads) < 41
    assert max(heads) >= 52
    gaps = {femur.joint_gap_mm for spec in CATALOGUE.values() for femur in spec.femora}
    assert {0.0, 1.0, 2.0, 4.0} <= gaps
    # Whole femora, on which torsion and rods are known: either sign, from strong to slight bow.
    whole = [femur.shape for spec in CATALOGUE.values() for femur in spec.femora if spec.with_rods]
    assert min(shape.torsion_deg for shape in whole) < 0
    assert min(shape.bow_radius_mm for shape in whole) < 750
    assert max(shape.bow_radius_mm for shape in whole) >= 1200
    assert any(not spec.tissue.table for spec in CATALOGUE.values())


@pytest.mark.parametrize("name", sorted(SMALL))
def test_small_scans_are_small(name: str) -> None:
    shape, _, _ = make_grid(SMALL[name].scanner)
    assert np.prod(shape) < 6e6


@pytest.mark.slow
def test_the_same_name_is_the_same_scan() -> None:
    spec = SMALL["small_hip_only"]
    first, second = build_scan(spec), build_scan(spec)
    assert np.array_equal(first.volume.voxels_hu, second.volume.voxels_hu)
    other = build_scan(spec, seed=first.seed + 1)
    assert not np.array_equal(other.volume.voxels_hu, first.volume.voxels_hu)


def test_wrong_specifications_are_refused() -> None:
    spec = SMALL["small_right"]
    femur = spec.femora[0]
    with pytest.raises(ValueError, match="'femora'"):
        PhantomScan(name="x", purpose="y.", femora=(femur, femur))
    with pytest.raises(ValueError, match="pixel_mm"):
        Scanner(pixel_mm=0.0)
    with pytest.raises(ValueError, match="neck_shaft_angle_deg"):
        replace(femur.shape, neck_shaft_angle_deg=80.0)
    with pytest.raises(ValueError, match="torsion_deg"):
        replace(femur.shape, torsion_deg=90.0)
    with pytest.raises(ValueError, match="canal_ml_knots"):
        replace(femur.shape, canal_ml_knots=((0.0, 20.0), (-10.0, 12.0)))
    with pytest.raises(ValueError, match="ascend"):
        make_grid(replace(spec.scanner, z_range_mm=(10.0, -10.0)))


def test_a_larger_trochanter_stands_out_more() -> None:
    shape = SMALL["small_right"].femora[0].shape
    prominences = [
        solve_solid(replace(shape, lesser_trochanter=LesserTrochanterShape(proud_mm=proud)))[
            1
        ].prominence_mm
        for proud in (6.0, 8.0, 10.0)
    ]
    assert prominences == sorted(prominences)
    assert np.diff(prominences).min() > 1.0
