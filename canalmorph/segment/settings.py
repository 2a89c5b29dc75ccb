"""Settings of the stage that finds the cortex."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class SegmentSettings:
    """How both surfaces of the cortex are found; defaults chosen on the phantom catalogue.

    Attributes
    ----------
    ring_step_mm : float
        Distance of the rings along the rough axis. [mm]
    rays_per_ring : int
        Points of each ring: 3 degrees, so that a caliper of the polygon reads at most 0.01 mm
        small on a circle of 30 mm.
    lowest_below_head_mm : float
        Rings end this far below the head's centre: below lies the flare of the knee. [mm]
    outline_hu : float
        First outline of the bone, from which the edges are looked for; nothing is measured at it.
        Above contrast-filled vessels, below the blurred peak of a 0.5 mm wall. [HU]
    cortex_prior_hu : float
        Spread of cortical density from ray to ray around the scan's own value. It keeps thick
        porous walls honest and thin ones from being free. [HU]
    smooth_along_mm, smooth_across_mm : float
        Half widths of the window over which edges are fitted by a quadratic surface, along the
        shaft and around it. Canals have corners around and few along. [mm]
    """

    ring_step_mm: float = 1.0
    rays_per_ring: int = 120
    lowest_below_head_mm: float = 310.0
    outline_hu: float = 350.0
    cortex_prior_hu: float = 75.0
    smooth_along_mm: float = 3.0
    smooth_across_mm: float = 1.5

    def __post_init__(self) -> None:
        if not 0.25 <= self.ring_step_mm <= 2.0:
            raise ValueError(f"'ring_step_mm' must be in [0.25, 2] mm, got {self.ring_step_mm:g}.")
        for name in ("smooth_along_mm", "smooth_across_mm"):
            if not 0 < getattr(self, name) <= 6:
                raise ValueError(f"'{name}' must be in (0, 6] mm, got {getattr(self, name):g}.")
        if self.rays_per_ring < 60 or self.rays_per_ring % 4:
            raise ValueError(
                f"'rays_per_ring' must be a multiple of 4 from 60, got {self.rays_per_ring}."
            )
