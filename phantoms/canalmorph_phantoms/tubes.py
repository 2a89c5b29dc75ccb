"""Tubes with closed-form truth, voxelised by the same super-sampling as the femora.

A straight tube of elliptical section with an eccentric elliptical canal, upright or oblique; the
canal may be a cone. The tube is longer than any grid.
"""

from dataclasses import dataclass
from math import pi, radians, tan

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from canalmorph.model.volume import CtVolume
from canalmorph_phantoms import solid as sd
from canalmorph_phantoms import tissue as ts
from canalmorph_phantoms.build import make_grid, wrap_voxels
from canalmorph_phantoms.imaging import image_scene
from canalmorph_phantoms.spec import Scanner, Vector

#: The tube lies this far down in the frame of the solids, away from every other part. [mm]
_OFFSET_MM = 5000.0
_HALF_LENGTH_MM = 1000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Tube:
    """A tube about an axis through the origin; ML is x, AP is y where the axis is upright.

    Attributes
    ----------
    outer_ml_mm, outer_ap_mm, canal_ml_mm, canal_ap_mm : float
        Full widths at level 0. [mm]
    canal_left_mm, canal_posterior_mm : float
        Centre of the canal against that of the tube. [mm]
    canal_half_angle_deg : float
        Each side of the canal's ML width opens upward by this angle; its AP width in proportion.
    axis_tilt_deg : (3,) float
        Rotation vector that turns the upright tube into place. [deg]
    wall_hu, canal_hu, outside_hu : float
        Densities. [HU]
    """

    outer_ml_mm: float = 28.0
    outer_ap_mm: float = 28.0
    canal_ml_mm: float = 14.0
    canal_ap_mm: float = 14.0
    canal_left_mm: float = 0.0
    canal_posterior_mm: float = 0.0
    canal_half_angle_deg: float = 0.0
    axis_tilt_deg: Vector = (0.0, 0.0, 0.0)
    wall_hu: float = 1650.0
    canal_hu: float = -50.0
    outside_hu: float = 55.0

    def __post_init__(self) -> None:
        for name in ("outer_ml_mm", "outer_ap_mm", "canal_ml_mm", "canal_ap_mm"):
            if getattr(self, name) <= 0:
                raise ValueError(f"'{name}' must be positive, got {getattr(self, name):g}.")
        if min(self.wall_left_mm(), self.wall_right_mm()) <= 0:
            raise ValueError("'canal_ml_mm' must leave a wall on both sides.")
        if min(self.wall_anterior_mm(), self.wall_posterior_mm()) <= 0:
            raise ValueError("'canal_ap_mm' must leave a wall on both sides.")

    def canal_ml_at(self, level_mm: float) -> float:
        """Return the canal's exact ML width at a level along the axis [mm]."""
        return self.canal_ml_mm + 2 * level_mm * tan(radians(self.canal_half_angle_deg))

    def canal_ap_at(self, level_mm: float) -> float:
        """Return the canal's exact AP width at a level along the axis [mm]."""
        return self.canal_ap_mm * self.canal_ml_at(level_mm) / self.canal_ml_mm

    def canal_area_at(self, level_mm: float) -> float:
        """Return the canal's exact area at a level along the axis [mm2]."""
        return pi / 4 * self.canal_ml_at(level_mm) * self.canal_ap_at(level_mm)

    def wall_left_mm(self) -> float:
        """Return the wall's thickness on the ML line at level 0, left [mm]."""
        return (self.outer_ml_mm - self.canal_ml_mm) / 2 - self.canal_left_mm

    def wall_right_mm(self) -> float:
        """Return the wall's thickness on the ML line at level 0, right [mm]."""
        return (self.outer_ml_mm - self.canal_ml_mm) / 2 + self.canal_left_mm

    def wall_posterior_mm(self) -> float:
        """Return the wall's thickness on the AP line at level 0, posterior [mm]."""
        return (self.outer_ap_mm - self.canal_ap_mm) / 2 - self.canal_posterior_mm

    def wall_anterior_mm(self) -> float:
        """Return the wall's thickness on the AP line at level 0, anterior [mm]."""
        return (self.outer_ap_mm - self.canal_ap_mm) / 2 + self.canal_posterior_mm

    def axis(self) -> NDArray[np.float64]:
        """Return the unit direction of the axis in LPS, shape (3,)."""
        turn = Rotation.from_rotvec(np.radians(self.axis_tilt_deg))
        return np.asarray(turn.apply([0.0, 0.0, 1.0]))


def _make_sections(tube: Tube) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return parameters and table of the solid: linear in the level, so that it is exact."""
    slope = tan(radians(tube.canal_half_angle_deg))
    # A cone's canal stops before its apex and before it breaks through the wall.
    narrow = 0.05 * tube.canal_ml_mm
    wide = min(tube.outer_ml_mm, tube.outer_ap_mm * tube.canal_ml_mm / tube.canal_ap_mm)
    levels = np.arange(-_HALF_LENGTH_MM, _HALF_LENGTH_MM + 1.0)
    ml = np.clip(tube.canal_ml_mm + 2 * levels * slope, narrow, 0.98 * wide)
    table = np.zeros((len(levels), sd.N_COLUMNS))
    table[:, sd.OUTER_A], table[:, sd.OUTER_B] = tube.outer_ml_mm / 2, tube.outer_ap_mm / 2
    table[:, sd.CANAL_U], table[:, sd.CANAL_V] = tube.canal_left_mm, tube.canal_posterior_mm
    table[:, sd.CANAL_A] = ml / 2
    table[:, sd.CANAL_B] = ml / 2 * tube.canal_ap_mm / tube.canal_ml_mm
    table[:, sd.SHELL] = 1e4
    p = np.zeros(sd.N_PARAMETERS)
    p[sd.P_S0], p[sd.P_DS] = -_OFFSET_MM - _HALF_LENGTH_MM, 1.0
    p[sd.P_TOP], p[sd.P_CUT_DISTAL], p[sd.P_DISTAL] = 1e6, -1e6, -1e6
    return p, table


def _make_scene(tube: Tube) -> tuple[NDArray[np.float64], ...]:
    parameters, table = _make_sections(tube)
    turn = Rotation.from_rotvec(np.radians(tube.axis_tilt_deg)).as_matrix()
    to_frame = np.column_stack([turn.T, [0.0, 0.0, -_OFFSET_MM]])
    tissue = np.zeros(ts.N_TISSUE)
    tissue[ts.T_CORTEX], tissue[ts.T_MARROW] = tube.wall_hu, tube.canal_hu
    tissue[ts.T_MUSCLE] = tube.outside_hu
    tissue[ts.T_TEXTURE], tissue[ts.T_THIGH_R] = 1.0, 1e5
    box = np.array([[-1e6] * 3, [1e6] * 3])
    return (
        np.eye(4)[:3].copy(),
        to_frame[None].copy(),
        parameters[None].copy(),
        table[None].copy(),
        box[None].copy(),
        np.zeros((1, ts.JOINT_SIZE)),
        tissue,
    )


def build_tube(tube: Tube, scanner: Scanner, *, seed: int = 1) -> CtVolume:
    """Return a tube as a volume on the scanner's grid, with its blur and noise.

    Parameters
    ----------
    tube : Tube
        Shape and densities.
    scanner : Scanner
        Its ranges should be symmetric about the origin and narrow; the tube has no end.
    seed : int
        Of the noise.
    """
    shape, first, step = make_grid(scanner)
    voxels = image_scene(_make_scene(tube), scanner, shape, first, step, seed=seed)
    return wrap_voxels(voxels, first, step, scanner, name="tube", seed=seed)
