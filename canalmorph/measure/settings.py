"""Settings of the stage that measures sections."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """Which sections are measured.

    Attributes
    ----------
    top_level_mm : float
        Highest section over the lesser trochanter. [mm]
    lowest_level_mm : float
        Lowest section, where the shaft in view reaches so far; below it lies the flare of the
        knee. [mm]
    level_step_mm : float
        Distance of the sections. [mm]
    axial : bool
        Whether the scanner's own slices are measured too.
    """

    top_level_mm: float = 40.0
    lowest_level_mm: float = -260.0
    level_step_mm: float = 2.0
    axial: bool = False

    def __post_init__(self) -> None:
        if not 0 < self.level_step_mm <= 2:
            raise ValueError(f"'level_step_mm' must be in (0, 2] mm, got {self.level_step_mm:g}.")
        if self.lowest_level_mm >= self.top_level_mm:
            raise ValueError(
                f"'lowest_level_mm' must lie below 'top_level_mm', got {self.lowest_level_mm:g}."
            )
