"""Invented people in groups, whose differences are known: cohorts for statistics.

Everyone is one scan of one femur, in a small field of view on a coarse grid, so that a cohort is
made and measured in minutes. The same number is always the same person.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from canalmorph_phantoms.designs import FLUTE, NORMAL, STOVEPIPE
from canalmorph_phantoms.shapes import (
    CAUCASIAN,
    CHINESE,
    CanalDesign,
    make_published_shape,
    make_shape,
)
from canalmorph_phantoms.spec import FemurShape, PhantomScan, PlacedFemur, Scanner, Tissue

#: Isthmus closer to the trochanter than usual, so that short scans suffice. [mm]
ISTHMUS_LEVEL_MM = -95.0
#: Designs of the three canal shapes by the name of their class.
SHAPE_DESIGNS = {
    "stovepipe": replace(STOVEPIPE, isthmus_mm=17.6),
    "normal": NORMAL,
    "champagne_flute": replace(FLUTE, isthmus_mm=8.4),
}
#: How two centres scan.
CENTRES = {
    "Fennmoor": Scanner(pixel_mm=0.9, slice_spacing_mm=1.0, slice_thickness_mm=1.0),
    "Aldersund": Scanner(pixel_mm=1.0, slice_spacing_mm=1.25, slice_thickness_mm=1.25),
}
#: How two kernels draw: a soft one that is blurred and quiet, and one that enhances edges.
KERNELS: dict[str, dict[str, Any]] = {
    "Soft": {"blur_in_plane_mm": 0.6, "noise_sd_hu": 12.0},
    "Bone": {
        "blur_in_plane_mm": 0.45,
        "noise_sd_hu": 25.0,
        "edge_enhancement": 0.2,
        "enhancement_width": 2.2,
    },
}
#: Bone from there below the isthmus to the top of the head is in view. [mm]
_BELOW_ISTHMUS_MM, _TOP_MM = 58.0, 30.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody invented.

    Attributes
    ----------
    name : str
        Number of the cohort and of the person.
    group : str
        By which the cohort is divided.
    centre, kernel : str
        Where and how the scan is made: of `CENTRES` and `KERNELS`.
    age_years : int
        [years]
    sex : str
        ``F`` or ``M``.
    femur : PlacedFemur
        The one femur in view.
    """

    name: str
    group: str
    centre: str
    kernel: str
    age_years: int
    sex: str
    femur: PlacedFemur


def image_person(person: Person, kernel: str = "") -> PhantomScan:
    """Return a person's scan, drawn by another kernel where one is named."""
    kernel = kernel or person.kernel
    shape = person.femur.shape
    narrowest = min(shape.canal_ml_knots, key=lambda knot: knot[1])[0]
    bottom = narrowest - shape.head_height_mm - _BELOW_ISTHMUS_MM
    middle = (person.femur.head_lateral_mm + 18.0) * (-1.0 if person.femur.side == "right" else 1.0)
    scanner = replace(
        CENTRES[person.centre],
        x_range_mm=(middle - 60.0, middle + 60.0),
        y_range_mm=(-60.0, 60.0),
        z_range_mm=(bottom, _TOP_MM),
        kernel=kernel,
        **KERNELS[kernel],
    )
    return PhantomScan(
        name=f"{person.name}_{kernel.lower()}",
        purpose=f"One of an invented cohort: {person.group}.",
        femora=(person.femur,),
        tissue=Tissue(table=False, cortex_sd_hu=30.0),
        scanner=scanner,
        within_promise=False,
    )


def draw_shapes_cohort(n: int = 60) -> Iterator[Person]:
    """Yield people of three canal shapes at two centres, drawn by two kernels, in equal parts.

    Parameters
    ----------
    n : int
        How many; all parts are equal where it is a multiple of 12.
    """
    names, centres, kernels = list(SHAPE_DESIGNS), list(CENTRES), list(KERNELS)
    for number in range(n):
        random = np.random.default_rng([2027, number])
        group = names[number % 3]
        design = SHAPE_DESIGNS[group]
        design = replace(
            design,
            isthmus_mm=design.isthmus_mm * float(np.clip(random.normal(1.0, 0.045), 0.91, 1.09)),
            isthmus_level_mm=ISTHMUS_LEVEL_MM + float(random.uniform(-5.0, 5.0)),
        )
        sex = "F" if random.random() < 0.5 else "M"
        yield Person(
            name=f"shapes_{number:02d}",
            group=group,
            centre=centres[number // 3 % 2],
            kernel=kernels[number // 6 % 2],
            age_years=int(random.integers(45, 88)),
            sex=sex,
            femur=_place(random, _make_varied(random, design)),
        )


def draw_published_cohort(n_each: int = 4) -> Iterator[Person]:
    """Yield people of two populations whose canals have the published mean widths.

    Only what the publication does not tell differs between people of one population.
    """
    for group, profile in (("caucasian", CAUCASIAN), ("chinese", CHINESE)):
        for number in range(n_each):
            random = np.random.default_rng([2028, number])
            shape = make_published_shape(
                profile,
                torsion_deg=float(random.normal(14.0, 6.0)),
                bow_radius_mm=float(random.uniform(800.0, 1100.0)),
                wall_posterior_factor=float(random.uniform(1.2, 1.4)),
                wall_anterior_factor=float(random.uniform(0.75, 0.9)),
            )
            yield Person(
                name=f"{group}_{number:02d}",
                group=group,
                centre="Fennmoor",
                kernel="Soft",
                age_years=62,
                sex="F" if number % 2 else "M",
                femur=_place(random, shape),
            )


#: Canal and outer ML width at the isthmus by sex and age band [mm]. Directions and sizes are those
#: that Noble 1995 found: men's bones are 14-19 % wider outside and 11-24 % inside; the canals of
#: women widen with age and those of men do not.
AGEING_MM = {
    ("F", "40-60"): (10.6, 24.6),
    ("F", "60-90"): (12.6, 25.0),
    ("M", "40-60"): (13.4, 28.6),
    ("M", "60-90"): (13.4, 28.8),
}


def draw_ageing_cohort(n_each: int = 3) -> Iterator[Person]:
    """Yield women and men in two bands of age, whose canals age as published."""
    for (sex, band), (canal, outer) in AGEING_MM.items():
        for number in range(n_each):
            # The same chance in all groups: what differs between these is their ageing.
            random = np.random.default_rng([2029, number])
            share = float(np.clip(random.normal(1.0, 0.03), 0.95, 1.05))
            design = CanalDesign(
                isthmus_mm=canal * share,
                isthmus_level_mm=ISTHMUS_LEVEL_MM,
                at_minus20_mm=20.5 if sex == "M" else 19.5,
                wall_mm=(outer - canal) * share / 2,
            )
            low, high = map(int, band.split("-"))
            yield Person(
                name=f"ageing_{sex.lower()}_{low}_{number:02d}",
                group=f"{sex} {band}",
                centre="Fennmoor",
                kernel="Soft",
                age_years=int(random.integers(low, high)),
                sex=sex,
                femur=_place(random, make_shape(design)),
            )


def _make_varied(random: np.random.Generator, design: CanalDesign) -> FemurShape:
    return make_shape(
        design,
        head_radius_mm=float(np.clip(random.normal(23.0, 1.2), 21.0, 26.0)),
        neck_shaft_angle_deg=float(np.clip(random.normal(126.0, 3.0), 119.0, 133.0)),
        torsion_deg=float(random.normal(14.0, 6.0)),
        bow_radius_mm=float(random.uniform(800.0, 1200.0)),
    )


def _place(random: np.random.Generator, shape: FemurShape) -> PlacedFemur:
    return PlacedFemur(
        side="right" if random.random() < 0.5 else "left",
        shape=shape,
        adduction_deg=float(random.normal(6.0, 1.5)),
        flexion_deg=float(random.normal(3.0, 2.0)),
        internal_rotation_deg=float(random.normal(0.0, 6.0)),
    )
