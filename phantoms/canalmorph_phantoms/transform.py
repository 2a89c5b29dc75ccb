"""Move, mirror and re-grid phantoms: specification to specification, or volume to volume.

For metamorphic tests: what must not change in the numbers when the patient or the grid moves.
"""

from dataclasses import replace
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.build import make_grid
from canalmorph_phantoms.spec import PhantomScan, SideName, Vector

PatientPosition = Literal["HFS", "FFS", "HFP", "FFP"]

#: Signs of patient x, y, z along i, j, k for each position of the patient; all right-handed.
POSITION_SIGNS: dict[PatientPosition, tuple[int, int, int]] = {
    "HFS": (1, 1, 1),
    "FFS": (-1, 1, -1),
    "HFP": (-1, -1, 1),
    "FFP": (1, -1, -1),
}
_OTHER_SIDE: dict[SideName, SideName] = {"left": "right", "right": "left"}


def _to_vector(values: np.ndarray) -> Vector:
    x, y, z = (float(value) for value in values)
    return (x, y, z)


def mirror_scan(spec: PhantomScan) -> PhantomScan:
    """Return the mirror image: left and right change places, every number stays.

    The grid is mirrored too, voxel for voxel; only noise and the texture of muscle differ.
    """
    (_, _, columns), _, _ = make_grid(spec.scanner)
    first = spec.scanner.x_range_mm[0]
    last = first + (columns - 1) * spec.scanner.pixel_mm
    rx, ry, rz = spec.patient_rotation_deg
    x, y, z = spec.patient_shift_mm
    return replace(
        spec,
        name=f"{spec.name}_mirrored",
        femora=tuple(replace(femur, side=_OTHER_SIDE[femur.side]) for femur in spec.femora),
        scanner=replace(spec.scanner, x_range_mm=(-last, -first)),
        patient_rotation_deg=(rx, -ry, -rz),
        patient_shift_mm=(-x, y, z),
    )


def shift_patient(spec: PhantomScan, shift_mm: Vector, *, with_grid: bool = False) -> PhantomScan:
    """Return the phantom with the patient moved by `shift_mm` (LPS), with the grid if wanted."""
    moved = replace(
        spec,
        name=f"{spec.name}_shifted",
        patient_shift_mm=_to_vector(np.add(spec.patient_shift_mm, shift_mm)),
    )
    if not with_grid:
        return moved
    x, y, z = (
        (limits[0] + step, limits[1] + step)
        for limits, step in zip(
            (spec.scanner.x_range_mm, spec.scanner.y_range_mm, spec.scanner.z_range_mm),
            shift_mm,
            strict=True,
        )
    )
    return replace(moved, scanner=replace(spec.scanner, x_range_mm=x, y_range_mm=y, z_range_mm=z))


def rotate_patient(
    spec: PhantomScan, axis: Vector, angle_deg: float, *, centre_mm: Vector = (0.0, 0.0, 0.0)
) -> PhantomScan:
    """Return the phantom with the patient turned by `angle_deg` about an axis through a centre.

    The table and the grid stay.
    """
    length = float(np.linalg.norm(axis))
    if length == 0:
        raise ValueError("'axis' must not be zero, got (0, 0, 0).")
    turn = Rotation.from_rotvec(np.radians(angle_deg) * np.array(axis) / length)
    before = Rotation.from_rotvec(np.radians(spec.patient_rotation_deg))
    centre = np.array(centre_mm)
    shift = turn.apply(np.array(spec.patient_shift_mm) - centre) + centre
    return replace(
        spec,
        name=f"{spec.name}_turned",
        patient_rotation_deg=_to_vector(np.degrees((turn * before).as_rotvec())),
        patient_shift_mm=_to_vector(shift),
    )


def regrid_scan(
    spec: PhantomScan,
    *,
    pixel_mm: float | None = None,
    slice_spacing_mm: float | None = None,
    slice_thickness_mm: float | None = None,
) -> PhantomScan:
    """Return the phantom on another voxel size; the slice thickness follows the spacing."""
    spacing = slice_spacing_mm or spec.scanner.slice_spacing_mm
    scanner = replace(
        spec.scanner,
        pixel_mm=pixel_mm or spec.scanner.pixel_mm,
        slice_spacing_mm=spacing,
        slice_thickness_mm=slice_thickness_mm or spacing,
    )
    return replace(spec, name=f"{spec.name}_regridded", scanner=scanner)


def turn_grid(
    volume: CtVolume, *, order: tuple[int, int, int] = (0, 1, 2), flips: tuple[bool, bool, bool]
) -> CtVolume:
    """Return the same anatomy on a grid with its axes in another order or direction.

    Parameters
    ----------
    volume : CtVolume
        Any grid.
    order : (3,) int
        Which old axis becomes k, j and i.
    flips : (3,) bool
        Which of the new axes run backward.

    Raises
    ------
    ValueError
        If `order` is no permutation of 0, 1, 2.
    """
    if sorted(order) != [0, 1, 2]:
        raise ValueError(f"'order' must be a permutation of 0, 1, 2, got {order}.")
    voxels = np.transpose(volume.voxels_hu, order)
    affine = volume.index_to_lps_mm[:, [*order, 3]].copy()
    for axis, flip in enumerate(flips):
        if flip:
            affine[:3, 3] += affine[:3, axis] * (voxels.shape[axis] - 1)
            affine[:3, axis] *= -1
            voxels = np.flip(voxels, axis)
    return replace(volume, voxels_hu=np.ascontiguousarray(voxels), index_to_lps_mm=affine)


def position_patient(volume: CtVolume, position: PatientPosition) -> CtVolume:
    """Return an upright volume (HFS) on the grid that a patient lying as `position` would give."""
    x, y, z = POSITION_SIGNS[position]
    return turn_grid(volume, flips=(z < 0, y < 0, x < 0))


def reverse_slices(volume: CtVolume) -> CtVolume:
    """Return the volume with its slices in the other order; the index system turns left-handed."""
    return turn_grid(volume, flips=(True, False, False))
