"""Families of femoral shapes: a few widths in, a whole `FemurShape` out."""

from dataclasses import dataclass, replace
from typing import Any

from canalmorph_phantoms.spec import FemurShape, Knots

#: Canal ML width by level above the lesser trochanter, mean of 508 Caucasian femora measured on
#: CT; the publication counts from 20 mm above the lesser trochanter. [mm]
PUBLISHED_CANAL_ML_MM: Knots = (
    (-80.0, 13.5),
    (-50.0, 15.7),
    (-40.0, 16.7),
    (-20.0, 20.6),
    (-10.0, 24.0),
    (0.0, 28.7),
    (10.0, 35.0),
    (20.0, 43.7),
)
#: The same of 141 Chinese femora of the same study. [mm]
PUBLISHED_CHINESE_CANAL_ML_MM: Knots = (
    (-80.0, 14.4),
    (-50.0, 16.2),
    (-40.0, 17.0),
    (-20.0, 20.6),
    (-10.0, 23.8),
    (0.0, 28.5),
    (10.0, 34.6),
    (20.0, 43.1),
)
#: How steeply the canal opens from the isthmus to LT-20: fits the published profile.
_OPENING_POWER = 2.4


@dataclass(frozen=True, slots=True, kw_only=True)
class CanalDesign:
    """The canal and cortex of a femur by a few numbers.

    Attributes
    ----------
    isthmus_mm, isthmus_level_mm : float
        Canal ML width at the isthmus and its level. [mm]
    at_minus20_mm, at_lt_mm, tube_top_mm : float
        Canal ML width at LT-20 and LT, and of the shaft's own canal at LT+20, where neck and
        trochanter widen it further. [mm]
    wall_mm : float
        ML cortical thickness at the isthmus. [mm]
    shell_mm : float
        Thickness of the shell of head, neck and trochanters. [mm]
    length_mm : float
        Of the femur. [mm]
    """

    isthmus_mm: float = 12.0
    isthmus_level_mm: float = -115.0
    at_minus20_mm: float = 20.5
    at_lt_mm: float = 28.0
    tube_top_mm: float = 37.0
    wall_mm: float = 9.0
    shell_mm: float = 1.3
    length_mm: float = 430.0


def design_canal(design: CanalDesign, *, distal_mm: float) -> tuple[Knots, Knots]:
    """Return the knots of canal ML width and of ML cortical thickness.

    Parameters
    ----------
    design : CanalDesign
        The numbers.
    distal_mm : float
        Level of the femur's distal end. [mm]
    """
    low, level = design.isthmus_mm, design.isthmus_level_mm

    def open_canal(s: float) -> float:
        share = max(s - level, 0.0) / (-20.0 - level)
        return float(low + (design.at_minus20_mm - low) * share**_OPENING_POWER)

    canal = [
        (distal_mm, max(2.6 * low, 34.0)),
        (distal_mm + 50, max(1.9 * low, 24.0)),
        (distal_mm + 100, max(1.35 * low, 1.1 * low + 2)),
        (level - 60.0, 1.08 * low),
        (level, low),
        *[(s, open_canal(s)) for s in (-80.0, -60.0, -40.0) if s > level + 8],
        (-20.0, design.at_minus20_mm),
        (-10.0, 0.47 * (design.at_minus20_mm + design.at_lt_mm) + 0.6),
        (0.0, design.at_lt_mm),
        (10.0, 0.44 * design.at_lt_mm + 0.56 * design.tube_top_mm),
        (20.0, design.tube_top_mm),
    ]
    wall = [
        (distal_mm, min(1.2, design.wall_mm)),
        (distal_mm + 50, min(1.6, design.wall_mm)),
        (distal_mm + 100, 0.6 * design.wall_mm),
        (level - 60.0, 0.84 * design.wall_mm),
        (level, design.wall_mm),
        (-60.0, 1.03 * design.wall_mm),
        (-20.0, 0.82 * design.wall_mm + 0.1),
        (0.0, 0.45 * design.wall_mm + 0.5 * design.shell_mm),
        (20.0, design.shell_mm),
    ]
    return tuple(canal), tuple(wall)


def make_shape(design: CanalDesign | None = None, **parts: Any) -> FemurShape:
    """Return a femur with the canal of a design; `parts` are fields of `FemurShape`."""
    design = design or CanalDesign()
    head_top = parts.get("head_height_mm", 50.0) + parts.get("head_radius_mm", 23.0)
    canal, wall = design_canal(design, distal_mm=head_top - design.length_mm)
    return FemurShape(
        canal_ml_knots=canal,
        wall_ml_knots=wall,
        shell_mm=design.shell_mm,
        length_mm=design.length_mm,
        **parts,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class PublishedProfile:
    """A population's published mean profile, and the femur that has it.

    Attributes
    ----------
    canal_ml_mm : knots
        Canal ML width by level above the lesser trochanter, as published. [mm]
    isthmus_mm : float
        Canal ML width at the isthmus, which is not published: the profile goes on narrowing. [mm]
    tube_mm : knots
        Canal of the shaft's own tube at LT+10 and LT+20; like the next two solved so that the
        finished solid, with neck and trochanter, has the published widths there. [mm]
    trochanter_lateral_mm, head_medial_mm : float
        See `FemurShape`. [mm]
    """

    canal_ml_mm: Knots
    isthmus_mm: float
    tube_mm: Knots
    trochanter_lateral_mm: float = -4.0
    head_medial_mm: float = 42.0


CAUCASIAN = PublishedProfile(
    canal_ml_mm=PUBLISHED_CANAL_ML_MM, isthmus_mm=12.3, tube_mm=((10.0, 32.5), (20.0, 31.0))
)
CHINESE = PublishedProfile(
    canal_ml_mm=PUBLISHED_CHINESE_CANAL_ML_MM,
    isthmus_mm=13.1,
    tube_mm=((10.0, 32.1), (20.0, 30.6)),
    head_medial_mm=41.55,
)


def make_published_shape(profile: PublishedProfile = CAUCASIAN, **parts: Any) -> FemurShape:
    """Return a femur whose canal ML widths from LT+20 to LT-80 follow the published means.

    They agree within 0.1 mm at every published level; see the tests. `parts` are other fields of
    `FemurShape`.
    """
    shape = make_shape(
        CanalDesign(isthmus_mm=profile.isthmus_mm, isthmus_level_mm=-113.0),
        head_medial_mm=profile.head_medial_mm,
        trochanter_lateral_mm=profile.trochanter_lateral_mm,
        **parts,
    )
    kept = [knot for knot in shape.canal_ml_knots if knot[0] < -85.0]
    body = [knot for knot in profile.canal_ml_mm if knot[0] <= 0.0]
    return replace(shape, canal_ml_knots=(*kept, *body, *profile.tube_mm))
