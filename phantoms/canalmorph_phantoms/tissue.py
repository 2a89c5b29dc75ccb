"""Hounsfield units at a point of the patient: bone, cartilage, pelvis, soft parts, table; compiled.

Every material is constant or smoothly textured inside its border, so that a voxel away from all
borders needs one sample only. Textures live in the femur's own frame and in patient space.
"""

from math import sqrt

import numpy as np
from numba import njit
from numpy.typing import NDArray

from canalmorph_phantoms.femur import FemurSolid
from canalmorph_phantoms.solid import (
    P_DISTAL,
    P_HEAD_R,
    P_HEAD_S,
    P_HEAD_U,
    P_HEAD_V,
    P_NECK_COS,
    P_NECK_SIN,
    blend_union,
    evaluate_femur,
)
from canalmorph_phantoms.spec import PlacedFemur, Tissue

AIR_HU = -1000.0
_TABLE_HU, _FOAM_HU = -150.0, -920.0
_PELVIS_CORTEX_HU = 900.0
PELVIS_CORTEX_MM = 1.8

# Places in the flat tissue array.
(
    T_CORTEX,
    T_CANCELLOUS,
    T_MARROW,
    T_MUSCLE,
    T_FAT,
    T_SKIN,
    T_CARTILAGE,
    T_PELVIS,
    T_CANCELLOUS_SD,
    T_MUSCLE_SD,
    T_TEXTURE,
    T_THIGH_R,
    T_FAT_MM,
    T_SKIN_MM,
    T_ACETABULUM,
    T_TABLE,
    T_THIGH_X,
    T_HIP_Y,
    T_HIP_Z,
    T_TABLE_Y,
    T_POROUS_SHARE,
    T_POROUS_DROP,
    T_CORTEX_SD,
    T_CORTEX_TEXTURE,
) = range(24)
N_TISSUE = 24
#: Numbers that `place_joint` gives of a joint.
JOINT_SIZE = 7
_FAR_MM = 1e3
#: Osteophytes sit this share of the head's radius below its centre, towards the neck.
_COLLAR_BELOW = 0.5
#: Length of the vector that points to the joint's dome.
_DOME_LENGTH = sqrt(0.30**2 + 0.10**2 + 0.95**2)
_BOX_MARGIN_MM = 6.0


def flatten_tissue(tissue: Tissue, femora: tuple[PlacedFemur, ...]) -> NDArray[np.float64]:
    """Return the tissue as the flat array that the compiled functions take, shape (24,)."""
    values = [
        tissue.cortex_hu,
        tissue.cancellous_hu,
        tissue.marrow_hu,
        tissue.muscle_hu,
        tissue.fat_hu,
        tissue.skin_hu,
        tissue.cartilage_hu,
        tissue.pelvis_hu,
        tissue.cancellous_sd_hu,
        tissue.muscle_sd_hu,
        tissue.texture_mm,
        tissue.thigh_radius_mm,
        tissue.fat_mm,
        tissue.skin_mm,
        float(tissue.acetabulum),
        float(tissue.table),
        float(np.mean([femur.head_lateral_mm for femur in femora])) + 10.0,
        float(np.mean([femur.head_posterior_mm for femur in femora])),
        float(np.mean([femur.head_superior_mm for femur in femora])),
    ]
    table_y = values[17] + 10.0 + tissue.thigh_radius_mm + 14.0
    cortex = [tissue.porous_share, tissue.porous_drop_hu, tissue.cortex_sd_hu]
    return np.array([*values, table_y, *cortex, tissue.cortex_texture_mm])


def bound_femur(solid: FemurSolid) -> NDArray[np.float64]:
    """Return low and high bounds of a femur in its own frame, shape (2, 3) [mm]."""
    shape, p, table = solid.shape, solid.parameters, solid.table
    levels = p[0] + np.arange(len(table)) * p[1]
    rows = table[(levels > p[P_DISTAL]) & (levels < 25)]
    knee = shape.condyle_spacing_mm / 2 + shape.condyle_radius_mm
    low = [
        min(float((rows[:, 0] - rows[:, 2]).min()) - 8, -knee),
        min(float((rows[:, 1] - rows[:, 3]).min()) - 12, -shape.head_radius_mm - 4)
        - shape.condyle_radius_mm,
        p[P_DISTAL],
    ]
    high = [
        max(shape.head_medial_mm + shape.head_radius_mm, knee + 8),
        float((rows[:, 1] + rows[:, 3]).max()) + shape.condyle_radius_mm + 12,
        shape.head_height_mm + max(shape.head_radius_mm, shape.trochanter_tip_mm + 4),
    ]
    margin = _BOX_MARGIN_MM
    return np.array([[x - margin for x in low], [x + margin for x in high]])


@njit(cache=True)
def _hash_lattice(i: int, j: int, k: int) -> float:
    """Return a repeatable number in [-1, 1) for a lattice point."""
    h = np.uint64(i + 4096) * np.uint64(0x9E3779B97F4A7C15)
    h ^= np.uint64(j + 4096) * np.uint64(0xC2B2AE3D27D4EB4F)
    h ^= np.uint64(k + 4096) * np.uint64(0x165667B19E3779F9)
    h ^= h >> np.uint64(29)
    h *= np.uint64(0xBF58476D1CE4E5B9)
    h ^= h >> np.uint64(32)
    return float(h & np.uint64(0xFFFFFF)) / 8388608.0 - 1.0


@njit(cache=True)
def sample_texture(x: float, y: float, z: float, cell: float) -> float:
    """Return a smooth random field of about unit standard deviation."""
    x, y, z = x / cell, y / cell, z / cell
    i, j, k = int(np.floor(x)), int(np.floor(y)), int(np.floor(z))
    fx, fy, fz = x - i, y - j, z - k
    total = 0.0
    for a in range(2):
        wa = fx if a else 1.0 - fx
        for b in range(2):
            wb = fy if b else 1.0 - fy
            for c in range(2):
                wc = fz if c else 1.0 - fz
                total += wa * wb * wc * _hash_lattice(i + a, j + b, k + c)
    return 3.2 * total


@njit(cache=True)
def sample_interior(
    u: float, v: float, s: float, p: NDArray[np.float64], t: NDArray[np.float64]
) -> float:
    """Return the density inside the canal: marrow in the shaft, cancellous bone at its ends."""
    share = min(max((s + 45.0) / 60.0, 0.0), 1.0)
    knee = min(max((p[P_DISTAL] + 95.0 - s) / 60.0, 0.0), 1.0)
    share = max(share * share * (3 - 2 * share), knee * knee * (3 - 2 * knee))
    if share <= 0.0:
        return float(t[T_MARROW])
    du, dv, ds = u - p[P_HEAD_U], v - p[P_HEAD_V], s - p[P_HEAD_S]
    to_head = sqrt(du * du + dv * dv + ds * ds) / (2.0 * p[P_HEAD_R])
    dense = t[T_CANCELLOUS] * (1.0 + 0.5 * min(max(1.5 - to_head, 0.0), 1.0))
    grain = t[T_CANCELLOUS_SD] * sample_texture(u, v, s, t[T_TEXTURE])
    return float(t[T_MARROW] + share * (dense - t[T_MARROW] + grain))


@njit(cache=True)
def _find_pelvis(
    x: float, y: float, z: float, medial: float, radius: float, gap: float
) -> tuple[float, float]:
    """Return the values of acetabulum and joint space, coordinates from the head centre."""
    r = sqrt(x * x + y * y + z * z)
    cap = 1.0 - (0.30 * medial * x + 0.10 * y + 0.95 * z)
    space = max(r - radius - gap, cap)
    mx, my, mz = medial * x - 16.0, y - 6.0, z - 20.0
    block = (sqrt((mx / 34.0) ** 2 + (my / 30.0) ** 2 + (mz / 42.0) ** 2) - 1.0) * 30.0
    bone = max(max(min(block, r - radius - gap - 5.0), radius + gap - r), cap)
    return bone, space


@njit(cache=True)
def _add_osteophytes(
    outer: float, u: float, v: float, s: float, p: NDArray[np.float64], thick: float
) -> float:
    """Return the union of the femur with a collar around the head's border to the neck."""
    du, dv, ds = u - p[P_HEAD_U], v - p[P_HEAD_V], s - p[P_HEAD_S]
    along = du * p[P_NECK_SIN] + ds * p[P_NECK_COS]
    aside = sqrt(max(du * du + dv * dv + ds * ds - along * along, 0.0))
    below = _COLLAR_BELOW * p[P_HEAD_R]
    ring = sqrt(p[P_HEAD_R] ** 2 - below * below)
    collar = sqrt((along + below) ** 2 + (aside - ring) ** 2) - thick
    return float(blend_union(outer, collar, 1.0))


@njit(cache=True)
def _find_fusion(
    x: float, y: float, z: float, medial: float, reach: float, half_deg: float
) -> float:
    """Return the value of the cone, about the dome, in which head and socket are one bone."""
    r = sqrt(x * x + y * y + z * z)
    along = (0.30 * medial * x + 0.10 * y + 0.95 * z) / _DOME_LENGTH
    aside = sqrt(max(r * r - along * along, 0.0))
    half = half_deg * np.pi / 180.0
    return float(max(aside * np.cos(half) - along * np.sin(half), abs(r - reach) - 6.0))


@njit(cache=True)
def _find_body(x: float, y: float, z: float, t: NDArray[np.float64]) -> float:
    """Return the distance to the skin: two tapering thighs under a torso."""
    down = max(t[T_HIP_Z] - 30.0 - z, 0.0)
    radius = t[T_THIGH_R] - 0.06 * down
    dx = abs(x) - (t[T_THIGH_X] - 0.05 * down)
    dy = y - t[T_HIP_Y] - 10.0
    thigh = sqrt(dx * dx + dy * dy) - radius
    half_x, half_y = t[T_THIGH_X] + t[T_THIGH_R] + 4.0, t[T_THIGH_R] + 16.0
    dy += 8.0
    torso = (sqrt((x / half_x) ** 2 + (dy / half_y) ** 2) - 1.0) * half_y
    crotch = t[T_HIP_Z] - 75.0 + 0.2 * abs(x) - z
    return float(min(thigh, max(torso, crotch)))


@njit(cache=True)
def sample_soft(x: float, y: float, z: float, t: NDArray[np.float64]) -> tuple[float, float]:
    """Return density and distance to the nearest soft border."""
    body = _find_body(x, y, z, t)
    fat, muscle = body + t[T_SKIN_MM], body + t[T_SKIN_MM] + t[T_FAT_MM]
    border = min(abs(body), min(abs(fat), abs(muscle)))
    if muscle < 0.0:
        hu = t[T_MUSCLE]
        if t[T_MUSCLE_SD] > 0.0:
            hu += t[T_MUSCLE_SD] * sample_texture(x, y, z, 6.0)
        return hu, border
    if fat < 0.0:
        return t[T_FAT], border
    if body < 0.0:
        return t[T_SKIN], border
    return AIR_HU, border


@njit(cache=True)
def sample_table(x: float, y: float, t: NDArray[np.float64]) -> tuple[float, float]:
    """Return density and border distance of the table, in scanner space, or of air."""
    depth = y - t[T_TABLE_Y] + x * x / 1200.0
    bottom = 42.0 - depth
    inside = min(depth, bottom)
    if t[T_TABLE] == 0.0 or inside < -4.0:
        return AIR_HU, _FAR_MM if t[T_TABLE] == 0.0 else abs(inside)
    border = min(abs(inside), abs(inside - 2.5))
    if inside < 0.0:
        return AIR_HU, border
    return (_TABLE_HU if inside < 2.5 else _FOAM_HU), border


@njit(cache=True)
def find_fields(
    x: float,
    y: float,
    z: float,
    n: int,
    to_frame: NDArray[np.float64],
    parameters: NDArray[np.float64],
    tables: NDArray[np.float64],
    boxes: NDArray[np.float64],
    joints: NDArray[np.float64],
    t: NDArray[np.float64],
) -> tuple[float, float, float, float]:
    """Return outer bone, canal, pelvis and joint space of femur `n` at a patient point [mm].

    Parameters
    ----------
    x, y, z : float
        Patient LPS. [mm]
    n : int
        Which femur.
    to_frame : (n, 3, 4) float array
        Patient to each femur's frame.
    parameters, tables : (n, ...) float arrays
        Of each femur; see `canalmorph_phantoms.solid`.
    boxes : (n, 2, 3) float array
        Bounds of each femur in its frame.
    joints : (n, 7) float array
        Head centre in the patient, sign of x toward medial, joint gap, half angle of fusion,
        thickness of osteophytes.
    t : (N_TISSUE,) float array
        Tissue.
    """
    outer, canal, bone, space = _FAR_MM, _FAR_MM, _FAR_MM, _FAR_MM
    m = to_frame[n]
    u = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
    v = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
    s = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
    low, high = boxes[n, 0], boxes[n, 1]
    if low[0] < u < high[0] and low[1] < v < high[1] and low[2] < s < high[2]:
        outer, canal = evaluate_femur(u, v, s, parameters[n], tables[n])
        if joints[n, 6] > 0.0:
            outer = _add_osteophytes(outer, u, v, s, parameters[n], joints[n, 6])
    if t[T_ACETABULUM] > 0.0:
        dx, dy, dz = x - joints[n, 0], y - joints[n, 1], z - joints[n, 2]
        if dx * dx + dy * dy + dz * dz < 75.0 * 75.0:
            bone, space = _find_pelvis(
                dx, dy, dz, joints[n, 3], parameters[n, P_HEAD_R], joints[n, 4]
            )
            if joints[n, 5] > 0.0:
                radius = parameters[n, P_HEAD_R]
                fused = _find_fusion(dx, dy, dz, joints[n, 3], radius, joints[n, 5])
                canal = min(canal, fused)
    return outer, canal, bone, space


@njit(cache=True)
def find_material(outer: float, canal: float, bone: float, space: float) -> int:
    """Return 0 canal, 1 cortex, 2 pelvis inside, 3 pelvis cortex, 4 cartilage, 5 soft parts."""
    if canal < 0.0:
        return 0
    if outer < 0.0:
        return 1
    if bone < -PELVIS_CORTEX_MM:
        return 2
    if bone < 0.0:
        return 3
    if space < 0.0:
        return 4
    return 5


@njit(cache=True)
def get_porous_field(outer: float, canal: float, share: float) -> float:
    """Return a value below 0 in the inner `share` of the cortex's thickness."""
    return (1.0 - share) * canal + share * outer


@njit(cache=True)
def sample_material(
    material: int,
    x: float,
    y: float,
    z: float,
    to_frame: NDArray[np.float64],
    p: NDArray[np.float64],
    t: NDArray[np.float64],
) -> float:
    """Return the density of a hard material at a patient point; `to_frame` of one femur [HU]."""
    if material == 0 or material == 2 or (material == 1 and t[T_CORTEX_SD] > 0.0):
        m = to_frame
        u = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
        v = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
        s = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
        if material == 0:
            return sample_interior(u, v, s, p, t)
        if material == 1:
            grain = sample_texture(u, v, s, t[T_CORTEX_TEXTURE])
            return float(t[T_CORTEX] + t[T_CORTEX_SD] * grain)
        return float(t[T_PELVIS] + t[T_CANCELLOUS_SD] * sample_texture(u, v, s, t[T_TEXTURE]))
    if material == 1:
        return float(t[T_CORTEX])
    if material == 3:
        return _PELVIS_CORTEX_HU
    return float(t[T_CARTILAGE])


def place_joint(femur: PlacedFemur) -> NDArray[np.float64]:
    """Return head centre, sign of x toward medial, gap, fusion and osteophytes, shape (7,)."""
    medial_x = 1.0 if femur.side == "right" else -1.0
    return np.array(
        [
            -medial_x * femur.head_lateral_mm,
            femur.head_posterior_mm,
            femur.head_superior_mm,
            medial_x,
            femur.joint_gap_mm,
            femur.fused_deg,
            femur.osteophyte_mm,
        ]
    )
