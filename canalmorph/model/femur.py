"""A femur found in a scan, its cortex, and its own frame of reference."""

from dataclasses import dataclass, field
from enum import StrEnum
from math import hypot

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.volume import CtVolume


class Side(StrEnum):
    """Body side, from patient coordinates alone."""

    LEFT = "left"
    RIGHT = "right"

    @property
    def medial_x_sign(self) -> int:
        """Sign of the patient x axis (+x is the patient's left) that points medially."""
        return -1 if self is Side.LEFT else 1

    @property
    def other(self) -> "Side":
        """The side that a person means who exchanges the two."""
        return Side.RIGHT if self is Side.LEFT else Side.LEFT


class Plane(StrEnum):
    """Which directions ML and AP mean."""

    NECK = "neck"
    CONDYLAR = "condylar"
    SCANNER = "scanner"
    #: Set by a person.
    HAND = "hand"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HeadSphere:
    """The sphere of the femoral head.

    Attributes
    ----------
    centre_lps_mm : (3,) float array
        Patient coordinates. [mm]
    radius_mm, centre_u_mm, radius_u_mm : float
        Radius and the standard uncertainties of centre (per axis) and radius. [mm]
    inlier_share : float
        Share of the directions whose bone edge lies on the sphere, 0 to 1.
    separated : bool
        False where the head could not be told from its socket: the sphere is then good for
        finding things only.
    near_metal : bool
        True where it was not told for the reason that metal lies beside it or in it.
    slices_missing : bool
        True where that is because slices are missing through the head or the neck.
    broken : bool
        True where a person marked a fracture of the neck or the head: where it lies says nothing
        of the shaft.
    is_round : bool
        False where too little of the surface lies on one sphere: the sphere is then that of the
        whole articular surface, and less certain.
    """

    centre_lps_mm: NDArray[np.float64]
    radius_mm: float
    centre_u_mm: float
    radius_u_mm: float
    inlier_share: float
    separated: bool = True
    near_metal: bool = False
    slices_missing: bool = False
    is_round: bool = True
    broken: bool = False


#: Numbers nearer than this to metal are blank: its streaks and its blur reach so far. Common
#: practice, no source. [mm]
METAL_REACH_MM = 20.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class KneeView:
    """The neighbourhood of a femur's lower end.

    Attributes
    ----------
    crop : CtVolume
        On the scan's grid, k upwards; from the shaft's lowest round section down.
    seed_lps_mm : (3,) float array
        A point within that section. [mm]
    second_block : bool
        True where it was scanned apart from the hip, in the same frame of reference.
    """

    crop: CtVolume
    seed_lps_mm: NDArray[np.float64]
    second_block: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Femur:
    """One located femur.

    Attributes
    ----------
    side : Side
        From coordinates.
    crop : CtVolume
        The femur's neighbourhood on the scan's grid, axes turned so that k runs up, j to the
        back and i to the left as nearly as the grid allows.
    shaft_path_lps_mm : (n, 3) float array
        Rough centres of the shaft's sections, distal to proximal. [mm]
    head : HeadSphere or None
        None where no head was found.
    shaft_leaves_scan : bool
        True where the shaft runs out of the scan at its lower end, so that the bone goes on.
    knee : KneeView or None
        Where the condyles may be seen; None where the scan ends above them.
    metal_lps_mm : (n, 3) float array
        Points in whatever metal the scan shows, of this femur or not. [mm]
    warnings : tuple of str
        Codes.
    """

    side: Side
    crop: CtVolume
    shaft_path_lps_mm: NDArray[np.float64]
    head: HeadSphere | None
    shaft_leaves_scan: bool
    knee: KneeView | None = None
    metal_lps_mm: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 3)))
    warnings: tuple[str, ...] = ()


#: The blur of a kernel's edge enhancement is this many times the kernel's own.
ENHANCEMENT_WIDTH = 2.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """What the scan itself tells of cortical density, blur and noise.

    Attributes
    ----------
    cortex_hu, cortex_u_hu : float
        Density of thick cortex and its spread. [HU]
    shared_u_hu : float
        Standard uncertainty of that density where it is used for all walls. [HU]
    blur_in_plane_mm, blur_through_plane_mm : float
        Standard widths of the blur, interpolation included. [mm]
    blur_u_mm, blur_through_plane_u_mm : float
        Standard uncertainties of the two. [mm]
    blur_uneven_mm : float
        What pixels that are not square add along their wide side; 0 where they are square. [mm]
    enhancement, enhancement_u : float
        Strength of the kernel's edge enhancement, 0 for none, and its standard uncertainty.
    noise_hu : float
        Standard deviation of the noise. [HU]
    n_rays : int
        How many rays the density rests on; 0 where the scan does not tell it.
    """

    cortex_hu: float
    cortex_u_hu: float
    shared_u_hu: float
    blur_in_plane_mm: float
    blur_through_plane_mm: float
    blur_u_mm: float
    blur_through_plane_u_mm: float
    enhancement: float
    enhancement_u: float
    noise_hu: float
    n_rays: int
    blur_uneven_mm: float = 0.0

    @property
    def largest_blur_mm(self) -> float:
        """The blur in the direction that has most of it [mm]."""
        return max(hypot(self.blur_in_plane_mm, self.blur_uneven_mm), self.blur_through_plane_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cortex:
    """Both surfaces of the cortex as a tube of rings around a rough axis.

    Attributes
    ----------
    femur : Femur
        The femur they were found on.
    heights_mm : (n,) float array
        Height of each ring along the rough axis, ascending. [mm]
    axis_point_lps_mm, axis_direction : (3,) float arrays
        The rough axis; the direction points proximally.
    outer_lps_mm, canal_lps_mm : (n, m, 3) float arrays
        Periosteal and endosteal points of each ring; point ``m`` of neighbouring rings lie beside
        each other. NaN where no edge could be found. [mm]
    dense_lps_mm : (n, m, 3) float array
        On rings with a porous inner cortex the canal's points are where the marrow begins, and
        these bound as much dense cortex as would hold the wall's mineral; NaN elsewhere. [mm]
    outer_u_mm, canal_u_mm : (n, m) float arrays
        Standard uncertainty of each point along its ray: noise, shape, and how density varies from
        place to place. [mm]
    outer_shared_u_mm, canal_shared_u_mm : (n, m) float arrays
        What the scan-wide density, blur and kernel add: it moves all points the same way. [mm]
    quality : (n,) int array
        `canalmorph.flags.Quality` bits of each ring.
    calibration : Calibration
        Density, blur and noise that the fit used.
    """

    femur: Femur
    heights_mm: NDArray[np.float64]
    axis_point_lps_mm: NDArray[np.float64]
    axis_direction: NDArray[np.float64]
    outer_lps_mm: NDArray[np.float64]
    canal_lps_mm: NDArray[np.float64]
    dense_lps_mm: NDArray[np.float64]
    outer_u_mm: NDArray[np.float64]
    canal_u_mm: NDArray[np.float64]
    outer_shared_u_mm: NDArray[np.float64]
    canal_shared_u_mm: NDArray[np.float64]
    quality: NDArray[np.int64]
    calibration: Calibration


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FemurFrame:
    """The femur's frame: origin at level 0 on the shaft axis, three unit vectors in patient space.

    Attributes
    ----------
    origin_lps_mm : (3,) float array
        Apex of the lesser trochanter projected on the proximal shaft axis. [mm]
    medial, posterior, proximal : (3,) float arrays
        Unit vectors: ML, AP and the shaft axis. On a left femur the three are left-handed.
    plane : Plane
        What the ML direction was taken from.
    """

    origin_lps_mm: NDArray[np.float64]
    medial: NDArray[np.float64]
    posterior: NDArray[np.float64]
    proximal: NDArray[np.float64]
    plane: Plane

    def lps_to_frame_mm(self, points_lps_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (..., 3) coordinates (medial, posterior, level) of patient points [mm]."""
        axes = np.stack([self.medial, self.posterior, self.proximal], axis=1)
        return np.asarray((points_lps_mm - self.origin_lps_mm) @ axes)

    def frame_to_lps_mm(self, points_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return (..., 3) patient coordinates of points in the frame [mm]."""
        axes = np.stack([self.medial, self.posterior, self.proximal], axis=0)
        return np.asarray(points_mm @ axes + self.origin_lps_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LesserTrochanter:
    """Where the lesser trochanter is, and how surely.

    Attributes
    ----------
    apex_lps_mm : (3,) float array
        Mean of the bump's top (its highest 1 mm). [mm]
    level_u_mm : float
        Standard uncertainty of its level. [mm]
    prominence_mm : float
        Height of the bump over the higher of its two neighbouring saddles. [mm]
    direction_deg : float
        Direction in which it stands out, from medial (0) towards posterior (90). [deg]
    second_prominence_mm : float
        Prominence of the next best candidate at another level; 0 where there is none. [mm]
    confidence : float
        Share of the prominence in that of both: 1 where there is no second candidate, 0.5 where
        it is as prominent.
    """

    apex_lps_mm: NDArray[np.float64]
    level_u_mm: float
    prominence_mm: float
    direction_deg: float
    second_prominence_mm: float
    confidence: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeckAxis:
    """The axis of the femoral neck, from its narrowest section to the head's centre.

    Attributes
    ----------
    centre_lps_mm : (3,) float array
        Centre of the neck's section. [mm]
    direction : (3,) float array
        Unit vector towards the head.
    direction_u_deg : float
        Standard uncertainty of the direction. [deg]
    """

    centre_lps_mm: NDArray[np.float64]
    direction: NDArray[np.float64]
    direction_u_deg: float


#: Between which axes torsion stands, and along which axis it is seen.
TORSION_METHOD = "neck_axis_to_posterior_condylar_line_about_proximal_shaft_axis"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Condyles:
    """Landmarks of the femur's lower end.

    Attributes
    ----------
    medial_posterior_lps_mm, lateral_posterior_lps_mm : (3,) float arrays
        Where the line that touches both condyles from behind, seen along the proximal shaft axis,
        rests. [mm]
    medial : (3,) float array
        Unit vector of that posterior condylar line towards medial, perpendicular to the axis.
    medial_u_deg : float
        Its standard uncertainty. [deg]
    medial_epicondyle_lps_mm, lateral_epicondyle_lps_mm : (3,) float arrays or None
        Middle of the top 1 mm of the epicondyle: what stands out farthest along the condylar line.
        [mm]
    epicondyle_u_mm : float
        Standard uncertainty of each along and across the condylar line. [mm]
    lowest_lps_mm : (3,) float array or None
        Farthest point along the proximal shaft axis; None where the scan ends above it. [mm]
    lowest_u_mm : float
        Standard uncertainty of its height. [mm]
    second_block : bool
        Whether they were scanned apart from the hip.
    """

    medial_posterior_lps_mm: NDArray[np.float64]
    lateral_posterior_lps_mm: NDArray[np.float64]
    medial: NDArray[np.float64]
    medial_u_deg: float
    medial_epicondyle_lps_mm: NDArray[np.float64] | None
    lateral_epicondyle_lps_mm: NDArray[np.float64] | None
    epicondyle_u_mm: float
    lowest_lps_mm: NDArray[np.float64] | None
    lowest_u_mm: float
    second_block: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrochanterTip:
    """The tip of the greater trochanter.

    Attributes
    ----------
    tip_lps_mm : (3,) float array
        Highest along the shaft axis; across it, the middle of the surface within 1 mm of that. [mm]
    level_u_mm, across_u_mm : float
        Standard uncertainties along the shaft axis, and across it per direction. [mm]
    """

    tip_lps_mm: NDArray[np.float64]
    level_u_mm: float
    across_u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AlignedFemur:
    """A femur with its cortex, landmarks and frame: all that measuring needs.

    Attributes
    ----------
    cortex : Cortex
        Surfaces in patient space.
    frame : FemurFrame
        The femur's own frame.
    lesser_trochanter : LesserTrochanter
        Level 0.
    neck : NeckAxis or None
        None where no neck could be found; the plane is then ``condylar`` or ``scanner``.
    neck_by_sphere : NeckAxis or None
        The neck's axis by the enlarged head sphere, to compare.
    trochanter_tip : TrochanterTip or None
        Of the greater trochanter; None where it is not whole in view.
    shaft_in_view : bool
        False where the scan ends under the hip: the frame is then the scanner's, for pictures
        only, and nothing is measured against it.
    axis_u_deg : float
        Standard uncertainty of the shaft axis. [deg]
    isthmus_in_view : bool
        False where the canal is still narrowing at the lower end of the scan.
    condyles : Condyles or None
        None where they are not in view.
    warnings : tuple of str
        Codes.
    marked_isthmus_lps_mm : (3,) float array or None
        Where a person says that the isthmus is; None where it is to be found. [mm]
    """

    cortex: Cortex
    frame: FemurFrame
    lesser_trochanter: LesserTrochanter
    neck: NeckAxis | None
    axis_u_deg: float
    isthmus_in_view: bool
    condyles: Condyles | None = None
    neck_by_sphere: NeckAxis | None = None
    trochanter_tip: TrochanterTip | None = None
    shaft_in_view: bool = True
    warnings: tuple[str, ...] = ()
    marked_isthmus_lps_mm: NDArray[np.float64] | None = None
