"""Settings of the stage that aligns a femur."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignSettings:
    """How landmarks and axes are found.

    Attributes
    ----------
    trochanter_below_head_mm : (float, float)
        The lesser trochanter lies this far below the head's centre along the shaft; published
        means are 43 mm (X-ray), real femora reach 60 mm. [mm]
    trochanter_directions_deg : (float, float)
        It points from medial (0) towards posterior (90) within these. [deg]
    least_prominence_mm : float
        A lower bump is no lesser trochanter. [mm]
    isthmus_margin_mm : float
        The isthmus counts as seen only where this much of the shaft below it is in view and the
        canal is wider again at its end. The isthmus of 204 femora lay at 55 +- 4.8 % of their
        length (20 mm), so that a minimum near the end of a scan proves nothing. [mm]
    """

    trochanter_below_head_mm: tuple[float, float] = (22.0, 95.0)
    trochanter_directions_deg: tuple[float, float] = (15.0, 95.0)
    least_prominence_mm: float = 1.5
    isthmus_margin_mm: float = 40.0

    def __post_init__(self) -> None:
        if not 0 < self.isthmus_margin_mm <= 100:
            raise ValueError(
                f"'isthmus_margin_mm' must be in (0, 100] mm, got {self.isthmus_margin_mm:g}."
            )
