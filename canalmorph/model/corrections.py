"""What a person set right in a measured case: marks in patient space, so that they outlive levels.

A mark is a place on the bone, not a number of a table: where the case is measured anew, by another
version or with other marks beside it, it is set on the new surfaces, or shown as one that no
longer fits.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Any

from canalmorph.model.femur import Plane, Side

Point = tuple[float, float, float]
#: A mark this near to what was found confirms it. [mm]
CONFIRMED_MM = 0.05


class CorrectionKind(StrEnum):
    """What is set right."""

    LESSER_TROCHANTER = "lesser_trochanter"
    ISTHMUS = "isthmus"
    HEAD = "head"
    NECK = "neck"
    PLANE = "plane"
    OUTER_OUTLINE = "outer_outline"
    CANAL_OUTLINE = "canal_outline"
    METAL = "metal"
    FRACTURE = "fracture"
    NECK_FRACTURE = "neck_fracture"
    DROP_SIDE = "drop_side"
    SWAP_SIDES = "swap_sides"


#: Fewest and most points of each kind.
POINT_COUNTS = {
    CorrectionKind.LESSER_TROCHANTER: (1, 1),
    CorrectionKind.ISTHMUS: (1, 1),
    CorrectionKind.HEAD: (1, 1),
    CorrectionKind.NECK: (1, 1),
    CorrectionKind.PLANE: (0, 2),
    CorrectionKind.OUTER_OUTLINE: (8, 400),
    CorrectionKind.CANAL_OUTLINE: (8, 400),
    CorrectionKind.METAL: (1, 1),
    CorrectionKind.FRACTURE: (1, 1),
    CorrectionKind.NECK_FRACTURE: (1, 1),
    CorrectionKind.DROP_SIDE: (0, 0),
    CorrectionKind.SWAP_SIDES: (0, 0),
}
#: Kinds of which a femur may have several, told apart by their place.
SEVERAL = (CorrectionKind.OUTER_OUTLINE, CorrectionKind.CANAL_OUTLINE, CorrectionKind.METAL)
#: No scanner reaches farther from its middle. [mm]
FARTHEST_MM = 5000.0
#: A head's radius lies between these: children's to the largest in print. [mm]
HEAD_RADII_MM = (10.0, 40.0)
#: The name of a mark's place, of which there may be several, is no longer. [characters]
LONGEST_PLACE = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One mark of a person.

    Attributes
    ----------
    kind : CorrectionKind
        What it says.
    side : Side or None
        Of which femur; None where the sides are exchanged.
    place : str
        Tells apart several of a kind on one femur, such as outlines at two levels.
    points_lps_mm : tuple of points
        Apex of the lesser trochanter, a point at the isthmus, the head's centre, the neck's
        middle, a line towards medial (2 points), an outline, a point in metal or of a break. [mm]
    radius_mm : float or None
        Of the head. [mm]
    plane : Plane or None
        Where the plane is chosen; ``hand`` goes with a line towards medial.

    Raises
    ------
    ValueError
        If a part is missing, too many, or no place in a scanner.
    """

    kind: CorrectionKind
    side: Side | None
    place: str = ""
    points_lps_mm: tuple[Point, ...] = ()
    radius_mm: float | None = None
    plane: Plane | None = None

    def __post_init__(self) -> None:
        low, high = POINT_COUNTS[self.kind]
        if not low <= len(self.points_lps_mm) <= high:
            raise ValueError(
                f"'points_lps_mm' of a mark {self.kind} must be {low} to {high} points, "
                f"got {len(self.points_lps_mm)}."
            )
        numbers = [number for point in self.points_lps_mm for number in point]
        if not all(isfinite(number) and abs(number) < FARTHEST_MM for number in numbers):
            raise ValueError(f"'points_lps_mm' must lie within {FARTHEST_MM:g} mm.")
        if (self.side is None) != (self.kind is CorrectionKind.SWAP_SIDES):
            raise ValueError(f"'side' does not go with a mark {self.kind}.")
        if len(self.place) > LONGEST_PLACE or (self.place != "") != (self.kind in SEVERAL):
            raise ValueError(f"'place' does not go with a mark {self.kind}, or is too long.")
        self._check_head()
        self._check_plane()

    def _check_head(self) -> None:
        if (self.radius_mm is None) != (self.kind is not CorrectionKind.HEAD):
            raise ValueError("'radius_mm' goes with a head, and a head with it.")
        low, high = HEAD_RADII_MM
        if self.radius_mm is not None and not low <= self.radius_mm <= high:
            raise ValueError(f"'radius_mm' must be {low:g} to {high:g} mm, got {self.radius_mm:g}.")

    def _check_plane(self) -> None:
        if (self.plane is None) != (self.kind is not CorrectionKind.PLANE):
            raise ValueError("'plane' goes with a plane, and a plane with it.")
        if self.plane is not None and (
            len(self.points_lps_mm) != (2 if self.plane is Plane.HAND else 0)
        ):
            raise ValueError("A plane set by hand has 2 points, a chosen one none.")

    @property
    def slot(self) -> tuple[str, str, str]:
        """What a later mark of the same kind takes the place of."""
        return self.kind.value, "" if self.side is None else self.side.value, self.place

    def to_plain(self) -> dict[str, Any]:
        """Return plain JSON data."""
        return {
            "kind": self.kind.value,
            "side": None if self.side is None else self.side.value,
            "place": self.place,
            "points_lps_mm": [list(point) for point in self.points_lps_mm],
            "radius_mm": self.radius_mm,
            "plane": None if self.plane is None else self.plane.value,
        }


def decode_correction(plain: Mapping[str, Any]) -> Correction:
    """Return the mark of `Correction.to_plain`.

    Raises
    ------
    ValueError
        If the data are of another kind.

    Examples
    --------
    >>> mark = Correction(kind=CorrectionKind.DROP_SIDE, side=Side.LEFT)
    >>> decode_correction(mark.to_plain()) == mark
    True
    """
    try:
        side, radius, plane = (plain.get(name) for name in ("side", "radius_mm", "plane"))
        return Correction(
            kind=CorrectionKind(plain["kind"]),
            side=None if side is None else Side(side),
            place=str(plain.get("place", "")),
            points_lps_mm=tuple(_decode_point(one) for one in plain.get("points_lps_mm", ())),
            radius_mm=None if radius is None else float(radius),
            plane=None if plane is None else Plane(plane),
        )
    except (KeyError, TypeError, AttributeError, OverflowError) as error:
        raise ValueError("'plain' is no mark.") from error


def _decode_point(plain: Sequence[Any]) -> Point:
    x, y, z = (float(number) for number in plain)
    return x, y, z


@dataclass(frozen=True, slots=True, kw_only=True)
class Unfit:
    """A mark that does not fit the femur as it is now, and why, in a sentence."""

    mark: Correction
    reason: str


class ReviewState(StrEnum):
    """How far a person is with a case."""

    TO_SEE = "to_see"
    CORRECTED = "corrected"
    SIGNED = "signed"
    REJECTED = "rejected"


@dataclass(frozen=True, slots=True, kw_only=True)
class Review:
    """What persons said of one case so far.

    Attributes
    ----------
    case_id : str
        The case.
    version : int
        Counts what was said; 0 where nothing was.
    state : ReviewState
        What holds.
    corrections : tuple of Correction
        The marks that hold, in the order in which they were set.
    by, at : str
        Who signed or rejected, as typed, and when (ISO 8601); empty otherwise.
    measured_with : str
        What the numbers were made with that were signed; empty where nothing is signed.
    marked_by : str
        Who changed the marks last, as typed.
    """

    case_id: str
    version: int = 0
    state: ReviewState = ReviewState.TO_SEE
    corrections: tuple[Correction, ...] = ()
    by: str = ""
    at: str = ""
    measured_with: str = ""
    marked_by: str = ""

    @property
    def swaps_sides(self) -> bool:
        """Whether a person exchanged left and right; marks keep the side that the scan says."""
        return any(mark.kind is CorrectionKind.SWAP_SIDES for mark in self.corrections)

    @property
    def in_table(self) -> str:
        """What ``reviewed_by_hand`` says: codes joined by ``;``, empty where nobody said anything.

        Examples
        --------
        >>> Review(case_id="a", state=ReviewState.SIGNED).in_table
        'signed'
        """
        corrected = [ReviewState.CORRECTED.value] if self.corrections else []
        last = (
            [self.state.value] if self.state in (ReviewState.SIGNED, ReviewState.REJECTED) else []
        )
        return ";".join([*corrected, *last])
