"""Sensitivity and convergence: one thing about a femur or its scan is varied, the rest stays.

Each study has one femur of the same shape; what varies is said by the study's axis.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from math import radians, sin

from canalmorph_cli.acceptance.scans import ONE_FEMUR
from canalmorph_phantoms.shapes import CanalDesign, make_shape
from canalmorph_phantoms.spec import PhantomScan, PlacedFemur, Scanner, Tissue

#: How far below the head the shaft is followed: what a tilt moves sideways. [mm]
SHAFT_REACH_MM = 270.0
#: The canal of the study of thickness: wide, as canals with thin walls are.
WIDE_CANAL = CanalDesign(
    isthmus_mm=15.0, isthmus_level_mm=-105.0, at_minus20_mm=21.5, at_lt_mm=28.0
)
_RIGHT = PlacedFemur(side="right", shape=make_shape())


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyPoint:
    """One setting of what is varied, and the scan that has it."""

    value: float
    spec: PhantomScan


@dataclass(frozen=True, slots=True, kw_only=True)
class Study:
    """One thing, varied.

    Attributes
    ----------
    key, title, axis : str
        Short name; heading; what stands under the axis, with its unit.
    note : str
        What is held, and what to see.
    points : tuple of StudyPoint
        Ascending.
    log_axis : bool
        Whether equal ratios are equally far apart in the figure.
    """

    key: str
    title: str
    axis: str
    note: str
    points: tuple[StudyPoint, ...]
    log_axis: bool = False


def _make_spec(
    name: str, *, femur: PlacedFemur = _RIGHT, scanner: Scanner = ONE_FEMUR
) -> PhantomScan:
    return PhantomScan(
        name=name,
        purpose="A point of a study.",
        femora=(femur,),
        scanner=scanner,
        tissue=Tissue(table=False),
        within_promise=False,
    )


def _vary(
    key: str,
    title: str,
    axis: str,
    note: str,
    values: Sequence[float],
    make: Callable[[str, float], PhantomScan],
    *,
    log_axis: bool = False,
) -> Study:
    points = [
        StudyPoint(value=value, spec=make(f"study_{key}_{number}", value))
        for number, value in enumerate(values, start=1)
    ]
    return Study(
        key=key, title=title, axis=axis, note=note, points=tuple(points), log_axis=log_axis
    )


def _make_wall(name: str, wall_mm: float) -> PhantomScan:
    shape = make_shape(replace(WIDE_CANAL, wall_mm=wall_mm))
    return _make_spec(name, femur=PlacedFemur(side="right", shape=shape))


def _make_pixel(name: str, pixel_mm: float) -> PhantomScan:
    return _make_spec(name, scanner=replace(ONE_FEMUR, pixel_mm=pixel_mm))


def _make_slices(name: str, slice_mm: float) -> PhantomScan:
    return _make_spec(
        name,
        scanner=replace(ONE_FEMUR, slice_spacing_mm=slice_mm, slice_thickness_mm=slice_mm),
    )


def _make_noise(name: str, noise_hu: float) -> PhantomScan:
    return _make_spec(name, scanner=replace(ONE_FEMUR, noise_sd_hu=noise_hu))


def _make_blur(name: str, blur_mm: float) -> PhantomScan:
    return _make_spec(name, scanner=replace(ONE_FEMUR, blur_in_plane_mm=blur_mm))


def _make_sharp(name: str, edge_enhancement: float) -> PhantomScan:
    return _make_spec(name, scanner=replace(ONE_FEMUR, edge_enhancement=edge_enhancement))


def _make_tilt(name: str, tilt_deg: float) -> PhantomScan:
    low, high = ONE_FEMUR.x_range_mm
    reach = SHAFT_REACH_MM * sin(radians(tilt_deg))
    return _make_spec(
        name,
        femur=replace(_RIGHT, adduction_deg=tilt_deg, flexion_deg=0.0),
        scanner=replace(ONE_FEMUR, x_range_mm=(low, high + reach)),
    )


#: All studies, in the order of the page.
STUDIES: tuple[Study, ...] = (
    _vary(
        "wall",
        "Thickness of the cortex",
        "wall at the isthmus [mm]",
        "Pixels of 0.8 mm, slices of 1 mm, noise of 15 HU. The wall in front is a fifth thinner, "
        "the one behind a third thicker than the axis says.",
        (0.5, 0.75, 1.0, 1.5, 2.5, 4.0, 8.0),
        _make_wall,
        log_axis=True,
    ),
    _vary(
        "pixel",
        "Size of the pixels",
        "pixel [mm]",
        "Slices of 1 mm, noise of 15 HU, the same blur of 0.5 mm.",
        (0.4, 0.6, 0.8, 1.0, 1.25),
        _make_pixel,
    ),
    _vary(
        "slices",
        "Distance of the slices",
        "slice distance and thickness [mm]",
        "Pixels of 0.8 mm, noise of 15 HU.",
        (0.6, 1.0, 1.5, 2.0, 3.0),
        _make_slices,
    ),
    _vary(
        "noise",
        "Noise",
        "noise, standard deviation [HU]",
        "Pixels of 0.8 mm, slices of 1 mm.",
        (0.0, 15.0, 30.0, 60.0, 90.0),
        _make_noise,
    ),
    _vary(
        "blur",
        "Blur of the kernel",
        "blur in plane, standard width [mm]",
        "Pixels of 0.8 mm, slices of 1 mm, noise of 15 HU.",
        (0.35, 0.5, 0.65, 0.8, 1.0),
        _make_blur,
    ),
    _vary(
        "enhancement",
        "Edge enhancement of the kernel",
        "edge enhancement [-]",
        "The share of a wider blur that the kernel takes away again; edges then overshoot.",
        (0.0, 0.15, 0.3, 0.45, 0.6),
        _make_sharp,
    ),
    _vary(
        "tilt",
        "Tilt of the femur",
        "tilt of the shaft against the slices' normal [degrees]",
        "Adduction of the femur; pixels of 0.8 mm, slices of 1 mm, noise of 15 HU.",
        (0.0, 5.0, 10.0, 15.0, 20.0),
        _make_tilt,
    ),
)
