"""Settings of the stage that finds the femora."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class LocateSettings:
    """How femora are found; every default is chosen on the phantom catalogue unless it says else.

    Attributes
    ----------
    block_mm : float
        Edge length of the coarse grid on which shafts are looked for. [mm]
    bone_hu : float
        What counts as bone on the coarse grid: above muscle, contrast and cancellous bone's
        neighbours, below a thin wall that is averaged over a block. [HU]
    shaft_area_mm2 : (float, float)
        Filled area of a femoral shaft's section; 20 to 50 mm across. [mm2]
    shortest_shaft_mm : float
        A shorter chain of round sections is no shaft. [mm]
    metal_hu : float
        Values above it are metal or clipped: 12 bits end at 3071 or 3095, and cortex stays below
        2500. Physics, from memory. [HU]
    least_metal_mm3 : float
        Less of it in one place is noise: a wire of 1 mm has this in 13 mm. [mm3]
    head_radius_mm : (float, float)
        Radii that a femoral head can have; wider than the published 38 to 56 mm of diameter. [mm]
    least_head_inliers : float
        Share of all directions that must show a bone edge on the sphere. Fused joints show
        about 0.5, the neck takes 0.25.
    """

    block_mm: float = 2.5
    bone_hu: float = 250.0
    shaft_area_mm2: tuple[float, float] = (300.0, 2000.0)
    shortest_shaft_mm: float = 25.0
    metal_hu: float = 2900.0
    least_metal_mm3: float = 10.0
    head_radius_mm: tuple[float, float] = (16.0, 32.0)
    least_head_inliers: float = 0.4

    def __post_init__(self) -> None:
        if not 1.0 <= self.block_mm <= 5.0:
            raise ValueError(f"'block_mm' must be in [1, 5] mm, got {self.block_mm:g}.")
        if not 0 < self.least_head_inliers < 1:
            raise ValueError(
                f"'least_head_inliers' must be in (0, 1), got {self.least_head_inliers:g}."
            )
