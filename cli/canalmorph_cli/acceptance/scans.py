"""Which scans are measured for acceptance: the catalogue, and walls and kernels it lacks."""

from collections.abc import Mapping
from dataclasses import replace

from canalmorph_phantoms.catalogue import CATALOGUE, SMALL
from canalmorph_phantoms.shapes import CanalDesign, make_shape
from canalmorph_phantoms.spec import PhantomScan, PlacedFemur, Scanner, Tissue

#: Shows no shaft and is refused by design, so that there is nothing to compare.
REFUSED_BY_DESIGN = "hip_only"
#: Field of view of one right femur, from the head to below the isthmus.
ONE_FEMUR = Scanner(x_range_mm=(-165.0, -25.0), y_range_mm=(-60.0, 65.0), z_range_mm=(-225.0, 42.0))
#: A canal that is wide enough to go with a thin wall.
_WIDE = CanalDesign(
    isthmus_mm=16.5, isthmus_level_mm=-105.0, at_minus20_mm=22.5, at_lt_mm=28.5, shell_mm=0.9
)


def _make_thin(name: str, wall_mm: float, isthmus_mm: float) -> PhantomScan:
    design = replace(_WIDE, wall_mm=wall_mm, isthmus_mm=isthmus_mm)
    return PhantomScan(
        name=name,
        purpose=f"Cortex of the shaft around {wall_mm:g} mm.",
        femora=(PlacedFemur(side="right", shape=make_shape(design)),),
        scanner=ONE_FEMUR,
        tissue=Tissue(table=False),
        within_promise=False,
    )


def _make_sharp(name: str, edge_enhancement: float) -> PhantomScan:
    return PhantomScan(
        name=name,
        purpose="Sharp kernel with overshoot at edges.",
        femora=(PlacedFemur(side="right", shape=make_shape()),),
        scanner=replace(
            ONE_FEMUR,
            blur_in_plane_mm=0.45,
            edge_enhancement=edge_enhancement,
            noise_sd_hu=30.0,
            noise_correlation_mm=0.4,
            kernel="Br59",
        ),
        tissue=Tissue(table=False),
        within_promise=False,
    )


#: Scans of acceptance that are not in the catalogue, by name.
OWN_SCANS: Mapping[str, PhantomScan] = {
    scan.name: scan
    for scan in (
        _make_thin("cortex_0_7", 0.7, 17.5),
        _make_thin("cortex_0_9", 0.9, 17.0),
        _make_thin("cortex_1_2", 1.2, 16.5),
        _make_sharp("kernel_sharp_3", 0.3),
        _make_sharp("kernel_sharp_5", 0.5),
    )
}

#: The quick acceptance: a few scans with one femur each.
QUICK: Mapping[str, PhantomScan] = {
    scan.name: scan
    for scan in (
        CATALOGUE["left_only"],
        CATALOGUE["noiseless_fine"],
        OWN_SCANS["cortex_0_9"],
        OWN_SCANS["kernel_sharp_3"],
        SMALL["small_left_flute"],
        SMALL["small_right_stovepipe"],
    )
}
#: The whole acceptance.
WHOLE: Mapping[str, PhantomScan] = {
    name: scan for name, scan in {**CATALOGUE, **OWN_SCANS}.items() if name != REFUSED_BY_DESIGN
}
