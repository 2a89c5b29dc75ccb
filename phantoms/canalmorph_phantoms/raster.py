"""From materials in space to voxels: super-sampling near borders.

A voxel is the mean over its box (pixel by pixel by slice thickness). In voxels near a border of
bone the solids are evaluated on a lattice and the materials counted along many lines between,
near a soft border at a few points, elsewhere at one. No edge model: the borders are found by
sampling.
"""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from canalmorph_phantoms.tissue import (
    PELVIS_CORTEX_MM,
    T_POROUS_DROP,
    T_POROUS_SHARE,
    find_fields,
    find_material,
    get_porous_field,
    sample_material,
    sample_soft,
    sample_table,
)

#: The solids' values are taken on a lattice this fine within a voxel, and joined linearly between
#: (the error is the lattice squared over eight radii of curvature: below 0.006 mm). [mm]
_LATTICE_MM = 0.5
#: Lines across a cell of that lattice, along y and along z; along a line the shares are exact.
_CELL_LINES = 3
#: Borders can lie this much farther from a voxel's centre than its half diagonal says, because
#: the solids' values are distances to first order only.
_SAFETY = 1.3
_FAR_MM = 1e3


@njit(cache=True)
def _mix(f: NDArray[np.float64], c: int, b: int, a: int, z: float, y: float) -> float:
    """Return the bilinear value on the face ``x = a`` of a cell."""
    low = f[c, b, a] + y * (f[c, b + 1, a] - f[c, b, a])
    high = f[c + 1, b, a] + y * (f[c + 1, b + 1, a] - f[c + 1, b, a])
    return float(low + z * (high - low))


@njit(cache=True)
def _classify(outer: float, canal: float, bone: float, space: float, share: float) -> int:
    """Return the material, 6 for the porous inner `share` of the cortex."""
    material = find_material(outer, canal, bone, space)
    if material == 1 and share > 0.0 and get_porous_field(outer, canal, share) < 0.0:
        return 6
    return int(material)


@njit(cache=True)
def _is_uniform(f: NDArray[np.float64], c: int, b: int, a: int, porous: float) -> int:
    """Return the material of all eight corners of a cell, or -1 where they differ."""
    first = -1
    for i in range(8):
        cc, bb, aa = c + (i & 1), b + ((i >> 1) & 1), a + ((i >> 2) & 1)
        found = _classify(
            f[0, cc, bb, aa], f[1, cc, bb, aa], f[2, cc, bb, aa], f[3, cc, bb, aa], porous
        )
        if first >= 0 and found != first:
            return -1
        first = found
    return first


@njit(cache=True)
def _count_line(
    low: NDArray[np.float64],
    high: NDArray[np.float64],
    share: float,
    porous: float,
    breaks: NDArray[np.float64],
    counts: NDArray[np.float64],
) -> None:
    """Add the materials' shares of one line across a cell, from the values at its ends."""
    n = 1
    breaks[0] = 0.0
    for i in range(6):
        # The fifth value is the inner face of the pelvic cortex, the sixth that of dense cortex.
        if i < 4:
            start, end = low[i], high[i]
        elif i == 4:
            start, end = low[2] + PELVIS_CORTEX_MM, high[2] + PELVIS_CORTEX_MM
        else:
            start = get_porous_field(low[0], low[1], porous)
            end = get_porous_field(high[0], high[1], porous)
        if (start < 0.0) != (end < 0.0):
            at = start / (start - end)
            j = n
            while breaks[j - 1] > at:
                breaks[j] = breaks[j - 1]
                j -= 1
            breaks[j] = at
            n += 1
    breaks[n] = 1.0
    for i in range(n):
        x = 0.5 * (breaks[i] + breaks[i + 1])
        material = _classify(
            low[0] + x * (high[0] - low[0]),
            low[1] + x * (high[1] - low[1]),
            low[2] + x * (high[2] - low[2]),
            low[3] + x * (high[3] - low[3]),
            porous,
        )
        counts[material] += share * (breaks[i + 1] - breaks[i])


@njit(cache=True)
def _count_cell(
    f: NDArray[np.float64],
    c: int,
    b: int,
    a: int,
    porous: float,
    work: NDArray[np.float64],
    counts: NDArray[np.float64],
) -> None:
    """Add one cell's shares of the seven materials to `counts`."""
    uniform = _is_uniform(f, c, b, a, porous)
    if uniform >= 0:
        counts[uniform] += 1.0
        return
    share = 1.0 / _CELL_LINES**2
    for k in range(_CELL_LINES):
        z = (k + 0.5) / _CELL_LINES
        for j in range(_CELL_LINES):
            y = (j + 0.5) / _CELL_LINES
            for i in range(4):
                work[0, i] = _mix(f[i], c, b, a, z, y)
                work[1, i] = _mix(f[i], c, b, a + 1, z, y)
            _count_line(work[0], work[1], share, porous, work[2], counts)


@njit(cache=True)
def _move_point(m: NDArray[np.float64], x: float, y: float, z: float) -> tuple[float, float, float]:
    """Return a point of the scanner in the patient, by the rows of a rigid map."""
    return (
        m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3],
        m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3],
        m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3],
    )


@njit(cache=True)
def _average_soft(
    z: float,
    y: float,
    x: float,
    box: NDArray[np.float64],
    m: NDArray[np.float64],
    t: NDArray[np.float64],
) -> float:
    """Return the mean of 3 x 3 x 2 samples of the soft parts and the table in a voxel."""
    total = 0.0
    for c in range(2):
        sz = z + box[0] * (0.5 * c - 0.25)
        for b in range(3):
            sy = y + box[1] * (b - 1) / 3.0
            for a in range(3):
                sx = x + box[2] * (a - 1) / 3.0
                px, py, pz = _move_point(m, sx, sy, sz)
                hu = sample_soft(px, py, pz, t)[0]
                total += hu if hu > -1000.0 else sample_table(sx, sy, t)[0]
    return total / 18.0


@njit(cache=True)
def _sample_point(
    z: float,
    y: float,
    x: float,
    m: NDArray[np.float64],
    to_frame: NDArray[np.float64],
    parameters: NDArray[np.float64],
    tables: NDArray[np.float64],
    boxes: NDArray[np.float64],
    joints: NDArray[np.float64],
    t: NDArray[np.float64],
) -> tuple[float, float, float, int]:
    """Return density, distances to the nearest hard and soft border, and which femur is near.

    A soft border does not matter within hard tissue: it is far there.
    """
    px, py, pz = _move_point(m, x, y, z)
    porous = t[T_POROUS_SHARE]
    material, femur, hard, dense = 5, 0, _FAR_MM, _FAR_MM
    for n in range(to_frame.shape[0]):
        outer, canal, bone, space = find_fields(
            px, py, pz, n, to_frame, parameters, tables, boxes, joints, t
        )
        here = min(
            min(abs(outer), abs(canal)),
            min(min(abs(bone), abs(bone + PELVIS_CORTEX_MM)), abs(space)),
        )
        if here < hard:
            hard, femur = here, n
            material = find_material(outer, canal, bone, space)
            dense = get_porous_field(outer, canal, porous)
    if material < 5:
        hu = sample_material(material, px, py, pz, to_frame[femur], parameters[femur], t)
        if material == 1 and porous > 0.0:
            hard = min(hard, abs(dense))
            if dense < 0.0:
                hu -= t[T_POROUS_DROP]
        return hu, hard, _FAR_MM, femur
    hu, soft = sample_soft(px, py, pz, t)
    if hu <= -1000.0:
        hu, border = sample_table(x, y, t)
        soft = min(soft, border)
    return hu, hard, soft, femur


@njit(cache=True)
def _average_voxel(
    z: float,
    y: float,
    x: float,
    soft_hu: float,
    femur: int,
    box: NDArray[np.float64],
    f: NDArray[np.float64],
    work: NDArray[np.float64],
    counts: NDArray[np.float64],
    m: NDArray[np.float64],
    to_frame: NDArray[np.float64],
    parameters: NDArray[np.float64],
    tables: NDArray[np.float64],
    boxes: NDArray[np.float64],
    joints: NDArray[np.float64],
    t: NDArray[np.float64],
) -> float:
    """Return the mean of a voxel that a border of bone crosses, by its materials' shares."""
    nz, ny, nx = f.shape[1] - 1, f.shape[2] - 1, f.shape[3] - 1
    for c in range(nz + 1):
        sz = z + box[0] * (c / nz - 0.5)
        for b in range(ny + 1):
            sy = y + box[1] * (b / ny - 0.5)
            for a in range(nx + 1):
                sx = x + box[2] * (a / nx - 0.5)
                px, py, pz = _move_point(m, sx, sy, sz)
                f[0, c, b, a], f[1, c, b, a], f[2, c, b, a], f[3, c, b, a] = find_fields(
                    px,
                    py,
                    pz,
                    femur,
                    to_frame,
                    parameters,
                    tables,
                    boxes,
                    joints,
                    t,
                )
    counts[:] = 0.0
    for c in range(nz):
        for b in range(ny):
            for a in range(nx):
                _count_cell(f, c, b, a, t[T_POROUS_SHARE], work, counts)
    px, py, pz = _move_point(m, x, y, z)
    total = counts[5] * soft_hu
    counts[1] += counts[6]
    total -= counts[6] * t[T_POROUS_DROP]
    for material in range(5):
        if counts[material] > 0.0:
            total += counts[material] * sample_material(
                material, px, py, pz, to_frame[femur], parameters[femur], t
            )
    return float(total / (nz * ny * nx))


@njit(cache=True)
def _fill_voxel(
    z: float,
    y: float,
    x: float,
    near: float,
    box: NDArray[np.float64],
    f: NDArray[np.float64],
    work: NDArray[np.float64],
    counts: NDArray[np.float64],
    m: NDArray[np.float64],
    to_frame: NDArray[np.float64],
    parameters: NDArray[np.float64],
    tables: NDArray[np.float64],
    boxes: NDArray[np.float64],
    joints: NDArray[np.float64],
    t: NDArray[np.float64],
) -> float:
    """Return the mean of one voxel: one sample where no border is near, else as many as needed."""
    hu, hard, soft, femur = _sample_point(
        z, y, x, m, to_frame, parameters, tables, boxes, joints, t
    )
    if hard >= near and soft >= near:
        return hu
    soft_hu = hu
    if soft == _FAR_MM:  # a sample within bone says nothing of what is beside it
        px, py, pz = _move_point(m, x, y, z)
        soft_hu, soft = sample_soft(px, py, pz, t)
    if soft < near:
        soft_hu = _average_soft(z, y, x, box, m, t)
    if hard >= near:
        return soft_hu
    return _average_voxel(
        z,
        y,
        x,
        soft_hu,
        femur,
        box,
        f,
        work,
        counts,
        m,
        to_frame,
        parameters,
        tables,
        boxes,
        joints,
        t,
    )


@njit(cache=True, parallel=True)
def _fill_voxels(
    shape: tuple[int, int, int],
    first: NDArray[np.float64],
    step: NDArray[np.float64],
    box: NDArray[np.float64],
    cells: NDArray[np.int64],
    block: int,
    m: NDArray[np.float64],
    to_frame: NDArray[np.float64],
    parameters: NDArray[np.float64],
    tables: NDArray[np.float64],
    boxes: NDArray[np.float64],
    joints: NDArray[np.float64],
    t: NDArray[np.float64],
) -> NDArray[np.float32]:
    # Long: compiled, so that the scene's arrays are handed on one by one.
    image = np.empty(shape, dtype=np.float32)
    in_plane = box[1] ** 2 + box[2] ** 2
    near = _SAFETY * 0.5 * (box[0] ** 2 + in_plane) ** 0.5
    near_block = _SAFETY * 0.5 * (box[0] ** 2 + block**2 * in_plane) ** 0.5
    for k in prange(shape[0]):
        z = first[0] + k * step[0]
        f = np.empty((4, cells[0] + 1, cells[1] + 1, cells[2] + 1))
        counts, work = np.empty(7), np.empty((3, 9))
        for j in range(0, shape[1], block):
            for i in range(0, shape[2], block):
                # Where no border is near, one sample stands for the whole block.
                half = 0.5 * (block - 1)
                hu, hard, soft, _ = _sample_point(
                    z,
                    first[1] + (j + half) * step[1],
                    first[2] + (i + half) * step[2],
                    m,
                    to_frame,
                    parameters,
                    tables,
                    boxes,
                    joints,
                    t,
                )
                clear = hard >= near_block and soft >= near_block
                for b in range(j, min(j + block, shape[1])):
                    for a in range(i, min(i + block, shape[2])):
                        image[k, b, a] = (
                            hu
                            if clear
                            else _fill_voxel(
                                z,
                                first[1] + b * step[1],
                                first[2] + a * step[2],
                                near,
                                box,
                                f,
                                work,
                                counts,
                                m,
                                to_frame,
                                parameters,
                                tables,
                                boxes,
                                joints,
                                t,
                            )
                        )
    return image


def fill_voxels(
    shape: tuple[int, int, int],
    first_mm: NDArray[np.float64],
    step_mm: NDArray[np.float64],
    box_mm: NDArray[np.float64],
    scene: tuple[NDArray[np.float64], ...],
    *,
    block: int = 1,
) -> NDArray[np.float32]:
    """Return the mean density of each voxel's box, shape (k, j, i) [HU].

    Parameters
    ----------
    shape : tuple of int
        Slices, rows, columns.
    first_mm, step_mm, box_mm : (3,) float array
        Centre of the first voxel, distance of the centres and the box to average over, in the
        order (z, y, x) of scanner space. [mm]
    scene : tuple of arrays
        Scanner to patient (3, 4), then what `canalmorph_phantoms.tissue.find_fields` takes.
    block : int
        So many voxels by as many in plane share one sample where no border is near.
    """
    cells = np.maximum(np.ceil(box_mm / _LATTICE_MM), 1).astype(np.int64)
    image: NDArray[np.float32] = _fill_voxels(
        shape, first_mm, step_mm, box_mm, cells, block, *scene
    )
    return image
