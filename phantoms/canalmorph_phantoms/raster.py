"""From materials in space to voxels: super-sampling near borders, blur, correlated noise.

A voxel is the mean over its box (pixel by pixel by slice thickness). In voxels near a border of
bone the solids are evaluated on a lattice and the materials counted along many lines between,
near a soft border at a few points, elsewhere at one; then the image is blurred by a Gaussian and
noise of a stated SD is added. No edge model: the borders are found by sampling.
"""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.optimize import brentq

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
                px = m[0, 0] * sx + m[0, 1] * sy + m[0, 2] * sz + m[0, 3]
                py = m[1, 0] * sx + m[1, 1] * sy + m[1, 2] * sz + m[1, 3]
                pz = m[2, 0] * sx + m[2, 1] * sy + m[2, 2] * sz + m[2, 3]
                hu = sample_soft(px, py, pz, t)[0]
                total += hu if hu > -1000.0 else sample_table(sx, sy, t)[0]
    return total / 18.0


@njit(cache=True, parallel=True)
def _fill_voxels(
    shape: tuple[int, int, int],
    first: NDArray[np.float64],
    step: NDArray[np.float64],
    box: NDArray[np.float64],
    cells: NDArray[np.int64],
    m: NDArray[np.float64],
    to_frame: NDArray[np.float64],
    parameters: NDArray[np.float64],
    tables: NDArray[np.float64],
    boxes: NDArray[np.float64],
    joints: NDArray[np.float64],
    t: NDArray[np.float64],
) -> NDArray[np.float32]:
    image = np.empty(shape, dtype=np.float32)
    near = _SAFETY * 0.5 * (box[0] ** 2 + box[1] ** 2 + box[2] ** 2) ** 0.5
    nz, ny, nx = cells[0], cells[1], cells[2]
    porous = t[T_POROUS_SHARE]
    for k in prange(shape[0]):
        z = first[0] + k * step[0]
        f = np.empty((4, nz + 1, ny + 1, nx + 1))
        counts, work = np.empty(7), np.empty((3, 9))
        for j in range(shape[1]):
            y = first[1] + j * step[1]
            for i in range(shape[2]):
                x = first[2] + i * step[2]
                px = m[0, 0] * x + m[0, 1] * y + m[0, 2] * z + m[0, 3]
                py = m[1, 0] * x + m[1, 1] * y + m[1, 2] * z + m[1, 3]
                pz = m[2, 0] * x + m[2, 1] * y + m[2, 2] * z + m[2, 3]
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
                if hard >= near and material == 1 and porous > 0.0:
                    hard = min(hard, abs(dense))
                if hard >= near and material < 5:
                    image[k, j, i] = sample_material(
                        material, px, py, pz, to_frame[femur], parameters[femur], t
                    )
                    if material == 1 and porous > 0.0 and dense < 0.0:
                        image[k, j, i] -= t[T_POROUS_DROP]
                    continue
                soft_hu, soft = sample_soft(px, py, pz, t)
                table_hu, table_border = sample_table(x, y, t)
                if soft < near or (soft_hu <= -1000.0 and table_border < near):
                    soft_hu = _average_soft(z, y, x, box, m, t)
                elif soft_hu <= -1000.0:
                    soft_hu = table_hu
                if hard >= near:
                    image[k, j, i] = soft_hu
                    continue
                for c in range(nz + 1):
                    sz = z + box[0] * (c / nz - 0.5)
                    for b in range(ny + 1):
                        sy = y + box[1] * (b / ny - 0.5)
                        for a in range(nx + 1):
                            sx = x + box[2] * (a / nx - 0.5)
                            f[0, c, b, a], f[1, c, b, a], f[2, c, b, a], f[3, c, b, a] = (
                                find_fields(
                                    m[0, 0] * sx + m[0, 1] * sy + m[0, 2] * sz + m[0, 3],
                                    m[1, 0] * sx + m[1, 1] * sy + m[1, 2] * sz + m[1, 3],
                                    m[2, 0] * sx + m[2, 1] * sy + m[2, 2] * sz + m[2, 3],
                                    femur,
                                    to_frame,
                                    parameters,
                                    tables,
                                    boxes,
                                    joints,
                                    t,
                                )
                            )
                counts[:] = 0.0
                for c in range(nz):
                    for b in range(ny):
                        for a in range(nx):
                            _count_cell(f, c, b, a, porous, work, counts)
                total = counts[5] * soft_hu
                counts[1] += counts[6]
                total -= counts[6] * t[T_POROUS_DROP]
                for material in range(5):
                    if counts[material] > 0.0:
                        total += counts[material] * sample_material(
                            material, px, py, pz, to_frame[femur], parameters[femur], t
                        )
                image[k, j, i] = total / (nz * ny * nx)
    return image


def fill_voxels(
    shape: tuple[int, int, int],
    first_mm: NDArray[np.float64],
    step_mm: NDArray[np.float64],
    box_mm: NDArray[np.float64],
    scene: tuple[NDArray[np.float64], ...],
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
    """
    cells = np.maximum(np.ceil(box_mm / _LATTICE_MM), 1).astype(np.int64)
    image: NDArray[np.float32] = _fill_voxels(shape, first_mm, step_mm, box_mm, cells, *scene)
    return image


def make_blur_weights(sigma_voxels: float) -> NDArray[np.float64]:
    """Return symmetric weights whose discrete variance is exactly ``sigma_voxels`` squared.

    Sampling a narrow Gaussian at voxel distance makes it too narrow; the width that is sampled is
    therefore solved for.

    Examples
    --------
    >>> w = make_blur_weights(0.5)
    >>> offsets = np.arange(len(w)) - len(w) // 2
    >>> round(float((w * offsets**2).sum()), 6)
    0.25
    """
    if sigma_voxels <= 0:
        return np.ones(1)
    reach = max(2, int(np.ceil(4.5 * sigma_voxels + 1)))
    offsets = np.arange(-reach, reach + 1)

    def weigh(width: float) -> NDArray[np.float64]:
        w = np.exp(-0.5 * (offsets / width) ** 2)
        return np.asarray(w / w.sum())

    def excess(width: float) -> float:
        return float((weigh(width) * offsets**2).sum() - sigma_voxels**2)

    return weigh(brentq(excess, 0.05, sigma_voxels + 1.0))


@njit(cache=True, parallel=True)
def _blur_slices(
    image: NDArray[np.float32], wy: NDArray[np.float64], wx: NDArray[np.float64]
) -> NDArray[np.float32]:
    out = np.empty_like(image)
    nk, nj, ni = image.shape
    ry, rx = wy.size // 2, wx.size // 2
    for k in prange(nk):
        rows = np.empty((nj, ni), dtype=np.float32)
        for j in range(nj):
            for i in range(ni):
                total = 0.0
                for a in range(-rx, rx + 1):
                    total += wx[a + rx] * image[k, j, min(max(i + a, 0), ni - 1)]
                rows[j, i] = total
        for j in range(nj):
            for i in range(ni):
                out[k, j, i] = 0.0
            for b in range(-ry, ry + 1):
                source = min(max(j + b, 0), nj - 1)
                w = np.float32(wy[b + ry])
                for i in range(ni):
                    out[k, j, i] += w * rows[source, i]
    return out


@njit(cache=True, parallel=True)
def _blur_along_z(image: NDArray[np.float32], wz: NDArray[np.float64]) -> NDArray[np.float32]:
    out = np.zeros_like(image)
    nk, nj, ni = image.shape
    rz = wz.size // 2
    for k in prange(nk):
        for c in range(-rz, rz + 1):
            source = min(max(k + c, 0), nk - 1)
            w = np.float32(wz[c + rz])
            for j in range(nj):
                for i in range(ni):
                    out[k, j, i] += w * image[source, j, i]
    return out


def blur_image(
    image: NDArray[np.float32],
    sigma_z_voxels: float,
    sigma_in_plane_voxels: float,
    *,
    enhancement: float = 0.0,
    enhancement_width: float = 2.5,
) -> NDArray[np.float32]:
    """Return the image convolved with a Gaussian; the border voxels are repeated outward.

    With `enhancement`, ``1 + enhancement`` times that, less `enhancement` times a Gaussian
    `enhancement_width` times as wide, in plane: a sharp kernel, whose edges overshoot.
    """
    in_plane = make_blur_weights(sigma_in_plane_voxels)
    along = make_blur_weights(sigma_z_voxels)
    flat: NDArray[np.float32] = _blur_slices(image, in_plane, in_plane)
    if enhancement > 0:
        wide = make_blur_weights(enhancement_width * sigma_in_plane_voxels)
        flat *= np.float32(1 + enhancement)
        flat -= np.float32(enhancement) * _blur_slices(image, wide, wide)
    blurred: NDArray[np.float32] = flat if along.size == 1 else _blur_along_z(flat, along)
    return blurred


@njit(cache=True, parallel=True)
def _draw_noise(shape: tuple[int, int, int], seed: int) -> NDArray[np.float32]:
    out = np.empty(shape, dtype=np.float32)
    for k in prange(shape[0]):
        np.random.seed((seed * 7919 + k * 104729 + 17) % 2147483647)  # noqa: NPY002 (compiled)
        for j in range(shape[1]):
            for i in range(shape[2]):
                out[k, j, i] = np.random.standard_normal()  # noqa: NPY002 (compiled)
    return out


def draw_noise(
    shape: tuple[int, int, int], sd_hu: float, correlation_voxels: float, seed: int
) -> NDArray[np.float32]:
    """Return Gaussian noise of SD `sd_hu`, correlated in plane; the same for the same seed."""
    weights = make_blur_weights(correlation_voxels)
    noise: NDArray[np.float32] = _draw_noise(shape, seed)
    if weights.size > 1:
        noise = _blur_slices(noise, weights, weights)
    # White noise of unit SD leaves the two passes with the SD of the summed squares.
    return noise * np.float32(sd_hu / float((weights**2).sum()))


def round_hu(image: NDArray[np.float32]) -> NDArray[np.int16]:
    """Return whole Hounsfield units within the range of common scanners, -1024 to 3071."""
    return np.clip(np.rint(image), -1024, 3071).astype(np.int16)
