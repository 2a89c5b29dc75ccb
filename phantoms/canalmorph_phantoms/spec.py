"""What a phantom is made of: frozen parameters, no shape and no voxel.

The femur's own frame: ``u`` medial, ``v`` posterior, ``s`` up along the proximal shaft axis,
``s = 0`` at the nominal lesser trochanter. Patient space is LPS before the patient is moved.
"""

from dataclasses import dataclass, field
from typing import Literal

SideName = Literal["left", "right"]
Knots = tuple[tuple[float, float], ...]
Harmonics = tuple[tuple[int, float, float, float], ...]
Vector = tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class LesserTrochanterShape:
    """The lesser trochanter: a broad, triangular, oblique ridge that runs up into the neck.

    Attributes
    ----------
    proud_mm : float
        How far the apex stands out from the shaft's surface. [mm]
    direction_deg : float
        Direction of the apex, from medial toward posterior. [deg]
    above_mm, below_mm : float
        Extent of the ridge above and below the apex. [mm]
    tip_radius_mm : float
        Roundness of the apex. [mm]
    oblique_deg : float
        By how much the ridge turns toward posterior from its upper to its lower end. [deg]
    blend_mm : float
        Width of the smooth union with the shaft. [mm]
    hump_proud_mm, hump_above_mm, hump_turn_deg, hump_radius_mm : float
        A second hump: how far it stands out from the shaft's surface (0: there is none), how far
        above the apex (below where negative), how far toward posterior from the apex's direction,
        and its roundness. [mm, mm, deg, mm]
    spur_proud_mm, spur_above_mm, spur_turn_deg, spur_radius_mm : float
        An osteophyte, likewise: a spike from within the bump that narrows to its tip.
    """

    proud_mm: float = 8.0
    direction_deg: float = 52.0
    above_mm: float = 15.0
    below_mm: float = 17.0
    tip_radius_mm: float = 6.0
    oblique_deg: float = 14.0
    blend_mm: float = 9.0
    hump_proud_mm: float = 0.0
    hump_above_mm: float = 12.0
    hump_turn_deg: float = 0.0
    hump_radius_mm: float = 5.0
    spur_proud_mm: float = 0.0
    spur_above_mm: float = 0.0
    spur_turn_deg: float = 0.0
    spur_radius_mm: float = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class FemurShape:
    """One femur, without its place.

    Attributes
    ----------
    canal_ml_knots, wall_ml_knots, canal_ap_ratio_knots : tuple of (level, value)
        Canal ML width [mm], ML cortical thickness [mm] and canal AP over ML width by level above
        the nominal lesser trochanter, ascending; joined by monotone cubic pieces.
    wall_anterior_factor, wall_posterior_factor, wall_medial_factor, wall_lateral_factor : float
        Wall thickness of the shaft over the ML thickness; medial and lateral average 1.
    head_radius_mm, head_height_mm, head_medial_mm, neck_posterior_mm : float
        Head sphere, the height of its centre above the nominal lesser trochanter, its distance
        medial to and posterior to the shaft axis. [mm]
    neck_shaft_angle_deg : float
        Between neck axis and the shaft axis pointing down. [deg]
    neck_radius_mm, neck_height_ratio : float
        AP half-width of the narrowest neck [mm]; its height over its AP width.
    shell_mm : float
        Thickness of the shell of head, neck and trochanters. [mm]
    trochanter_tip_mm, trochanter_lateral_mm : float
        Height of the greater trochanter's tip over the head centre; how much farther lateral
        than usual it stands. [mm]
    canal_harmonics, outer_harmonics : tuple of (order, share, phase_deg, turn_deg_per_mm)
        Up to three waves around the shaft's ellipses, so that they are none: each radius grows by
        ``share * cos(order * angle + phase + turn * s)``, the angle that of the ellipse.
    bow_radius_mm : float
        Radius of the anterior bow. [mm]
    torsion_deg : float
        Neck axis against the posterior condylar line, anteversion positive. [deg]
    length_mm : float
        From the head's top to the condyles along the shaft axis. [mm]
    condyle_radius_mm, condyle_spacing_mm : float
        The two condyles and the distance of their centres. [mm]
    epicondyle_proud_mm, epicondyle_turn_deg : float
        How far the two epicondyles stand out beyond the condyles (0: there are none), and how far
        the line through the bumps is turned from the posterior condylar line, so that the torsion
        against it is smaller; the exact truth is sampled on the solid. [mm, deg]
    lesser_trochanter : LesserTrochanterShape
        See there.
    """

    canal_ml_knots: Knots
    wall_ml_knots: Knots
    canal_ap_ratio_knots: Knots = (
        (-250.0, 1.0),
        (-160.0, 1.08),
        (-100.0, 1.08),
        (-60.0, 1.02),
        (-20.0, 0.98),
        (0.0, 0.92),
        (20.0, 0.82),
    )
    wall_anterior_factor: float = 0.8
    wall_posterior_factor: float = 1.3
    wall_medial_factor: float = 1.03
    wall_lateral_factor: float = 0.97
    head_radius_mm: float = 23.0
    head_height_mm: float = 50.0
    head_medial_mm: float = 42.0
    neck_posterior_mm: float = -1.0
    neck_shaft_angle_deg: float = 126.0
    neck_radius_mm: float = 13.0
    neck_height_ratio: float = 1.2
    shell_mm: float = 1.3
    trochanter_tip_mm: float = 4.0
    trochanter_lateral_mm: float = 0.0
    canal_harmonics: Harmonics = ()
    outer_harmonics: Harmonics = ()
    bow_radius_mm: float = 900.0
    torsion_deg: float = 14.0
    length_mm: float = 430.0
    condyle_radius_mm: float = 21.0
    condyle_spacing_mm: float = 48.0
    epicondyle_proud_mm: float = 0.0
    epicondyle_turn_deg: float = 3.0
    lesser_trochanter: LesserTrochanterShape = field(default_factory=LesserTrochanterShape)

    def __post_init__(self) -> None:
        for name in ("canal_ml_knots", "wall_ml_knots", "canal_ap_ratio_knots"):
            knots = getattr(self, name)
            levels = [level for level, _ in knots]
            if len(knots) < 2 or levels != sorted(set(levels)):
                raise ValueError(f"'{name}' must have ascending levels, got {levels}.")
            if min(value for _, value in knots) <= 0:
                raise ValueError(f"'{name}' must be positive, got {knots}.")
        if not 95 < self.neck_shaft_angle_deg < 165:
            raise ValueError(
                f"'neck_shaft_angle_deg' must be in (95, 165), got {self.neck_shaft_angle_deg:g}."
            )
        for name in ("canal_harmonics", "outer_harmonics"):
            waves = getattr(self, name)
            if len(waves) > 3 or sum(abs(share) for _, share, _, _ in waves) > 0.2:
                raise ValueError(f"'{name}' must be up to 3 waves of 0.2 in all, got {waves}.")
        if not -60 <= self.torsion_deg <= 60:
            raise ValueError(f"'torsion_deg' must be in [-60, 60], got {self.torsion_deg:g}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class PlacedFemur:
    """A femur in the patient.

    Attributes
    ----------
    side : {'left', 'right'}
        Body side; a left femur is the mirror image of a right one.
    shape : FemurShape
        Its shape.
    head_lateral_mm, head_posterior_mm, head_superior_mm : float
        Head centre from the mid-sagittal plane and in patient space. [mm]
    adduction_deg, flexion_deg, internal_rotation_deg : float
        Knee toward the midline; knee toward the front; toes inward from the pose in which the
        condylar line is coronal. [deg]
    joint_gap_mm : float
        Between head and acetabulum. [mm]
    fused_deg : float
        Half angle, around the joint's dome, within which head and acetabulum are one bone: no
        joint space, no shell, cancellous bone throughout; 0 for none. [deg]
    osteophyte_mm : float
        Thickness of a collar of osteophytes around the head's border to the neck; 0 for none. [mm]
    """

    side: SideName
    shape: FemurShape
    head_lateral_mm: float = 88.0
    head_posterior_mm: float = 0.0
    head_superior_mm: float = 0.0
    adduction_deg: float = 6.0
    flexion_deg: float = 3.0
    internal_rotation_deg: float = 0.0
    joint_gap_mm: float = 3.0
    fused_deg: float = 0.0
    osteophyte_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.joint_gap_mm <= 10:
            raise ValueError(f"'joint_gap_mm' must be in [0, 10] mm, got {self.joint_gap_mm:g}.")
        if not 0 <= self.fused_deg <= 90:
            raise ValueError(f"'fused_deg' must be in [0, 90], got {self.fused_deg:g}.")
        if not 0 <= self.osteophyte_mm <= 6:
            raise ValueError(f"'osteophyte_mm' must be in [0, 6] mm, got {self.osteophyte_mm:g}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Tissue:
    """Densities and the soft parts.

    Attributes
    ----------
    cortex_hu, cancellous_hu, marrow_hu, muscle_hu, fat_hu, skin_hu, cartilage_hu, pelvis_hu : float
        Mean densities; `cancellous_hu` at the metaphysis, half as much again in the head. [HU]
    cancellous_sd_hu, muscle_sd_hu : float
        Texture. [HU]
    cortex_sd_hu, cortex_texture_mm : float
        How much the cortex's density varies, and over which length. [HU, mm]
    porous_share, porous_drop_hu : float
        Inner share of the cortex's thickness that is porous, and how much less dense it is. [HU]
    texture_mm : float
        Correlation length of the cancellous texture. [mm]
    thigh_radius_mm, fat_mm, skin_mm : float
        Thigh at the hip, fat layer, skin. [mm]
    acetabulum, table : bool
        Whether they are there.
    """

    cortex_hu: float = 1650.0
    cancellous_hu: float = 170.0
    marrow_hu: float = -50.0
    muscle_hu: float = 55.0
    fat_hu: float = -100.0
    skin_hu: float = 20.0
    cartilage_hu: float = 100.0
    pelvis_hu: float = 250.0
    cancellous_sd_hu: float = 55.0
    muscle_sd_hu: float = 8.0
    cortex_sd_hu: float = 0.0
    cortex_texture_mm: float = 15.0
    porous_share: float = 0.0
    porous_drop_hu: float = 400.0
    texture_mm: float = 2.5
    thigh_radius_mm: float = 84.0
    fat_mm: float = 12.0
    skin_mm: float = 2.0
    acetabulum: bool = True
    table: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Scanner:
    """The grid and the blur.

    Attributes
    ----------
    pixel_mm, slice_spacing_mm, slice_thickness_mm : float
        In plane; between slices; box along z over which a slice averages. [mm]
    x_range_mm, y_range_mm, z_range_mm : (2,) float
        Field of view in scanner space, outermost voxel centres at or inside the range. [mm]
    blur_in_plane_mm, blur_z_mm : float
        Standard deviations of the Gaussian applied after averaging over the voxel. [mm]
    edge_enhancement, enhancement_width : float
        A sharp kernel: ``1 + edge_enhancement`` times the in-plane Gaussian, less
        `edge_enhancement` times one `enhancement_width` times as wide.
    noise_sd_hu, noise_correlation_mm : float
        Noise and its correlation in plane. [HU, mm]
    kernel : str
        Name written to the file.
    kvp : float
        Tube voltage written to the file. [kV]
    """

    pixel_mm: float = 0.8
    slice_spacing_mm: float = 1.0
    slice_thickness_mm: float = 1.0
    x_range_mm: tuple[float, float] = (-190.0, 190.0)
    y_range_mm: tuple[float, float] = (-125.0, 135.0)
    z_range_mm: tuple[float, float] = (-255.0, 45.0)
    blur_in_plane_mm: float = 0.5
    blur_z_mm: float = 0.4
    edge_enhancement: float = 0.0
    enhancement_width: float = 2.5
    noise_sd_hu: float = 15.0
    noise_correlation_mm: float = 0.6
    kernel: str = "Bm36"
    kvp: float = 120.0

    def __post_init__(self) -> None:
        for name in ("pixel_mm", "slice_spacing_mm", "slice_thickness_mm"):
            if not 0.05 <= getattr(self, name) <= 20:
                raise ValueError(f"'{name}' must be in [0.05, 20] mm, got {getattr(self, name):g}.")
        for name in (
            "blur_in_plane_mm",
            "blur_z_mm",
            "edge_enhancement",
            "noise_sd_hu",
            "noise_correlation_mm",
        ):
            if getattr(self, name) < 0:
                raise ValueError(f"'{name}' must not be negative, got {getattr(self, name):g}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class PhantomScan:
    """One phantom: femora, tissue, scanner, and how the patient lies in it.

    Attributes
    ----------
    name, purpose : str
        Unique name (lower case, underscores) and what it is good for.
    femora : tuple of PlacedFemur
        One or two, one a side.
    tissue, scanner
        See there.
    patient_rotation_deg : (3,) float
        Rotation vector (axis times angle) that turns patient into scanner space, about the
        origin, before the shift. The table stays. [deg]
    patient_shift_mm : (3,) float
        [mm]
    within_promise : bool
        Slices up to 1 mm, noise up to 30 HU, cortex of the shaft at least 2 mm.
    with_rods : bool
        Whether the truth holds the widest straight rods in the canals: some 15 s a femur.
    """

    name: str
    purpose: str
    femora: tuple[PlacedFemur, ...]
    tissue: Tissue = field(default_factory=Tissue)
    scanner: Scanner = field(default_factory=Scanner)
    patient_rotation_deg: Vector = (0.0, 0.0, 0.0)
    patient_shift_mm: Vector = (0.0, 0.0, 0.0)
    within_promise: bool = True
    with_rods: bool = False

    def __post_init__(self) -> None:
        sides = [femur.side for femur in self.femora]
        if not sides or len(set(sides)) != len(sides):
            raise ValueError(f"'femora' must hold one or two femora, one a side, got {sides}.")
