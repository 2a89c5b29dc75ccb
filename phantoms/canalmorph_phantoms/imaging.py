"""What a scanner makes of a scene: blur, pixels and correlated noise.

The blur comes before the pixels, as it does in a scanner: the scene is rasterised finer than the
pixels, blurred by a Gaussian or an edge-enhancing kernel, averaged over pixels, and noise of a
stated SD is added.
"""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray
from scipy.optimize import brentq

from canalmorph_phantoms.raster import fill_voxels
from canalmorph_phantoms.spec import Scanner


def image_scene(
    scene: tuple[NDArray[np.float64], ...],
    scanner: Scanner,
    shape: tuple[int, int, int],
    first_mm: NDArray[np.float64],
    step_mm: NDArray[np.float64],
    *,
    seed: int,
) -> NDArray[np.int16]:
    """Return the voxels of a scene as a scanner shows it, shape (k, j, i) [HU].

    Parameters
    ----------
    scene : tuple of arrays
        As `canalmorph_phantoms.raster.fill_voxels` takes it.
    scanner : Scanner
        Slice thickness, blur, kernel and noise.
    shape : tuple of int
        Slices, rows, columns.
    first_mm, step_mm : (3,) float array
        Centre of the first voxel and distance of the centres, as (z, y, x). [mm]
    seed : int
        Of the noise.
    """
    finer = count_finer_pixels(scanner)
    fine_mm = step_mm / [1, finer, finer]
    shift_mm = 0.5 * (step_mm - fine_mm)
    image = fill_voxels(
        (shape[0], finer * shape[1], finer * shape[2]),
        first_mm - shift_mm,
        fine_mm,
        np.array([scanner.slice_thickness_mm, fine_mm[1], fine_mm[2]]),
        scene,
        block=finer,
    )
    image = blur_image(
        image,
        scanner.blur_z_mm / step_mm[0],
        scanner.blur_in_plane_mm / fine_mm[1],
        enhancement=scanner.edge_enhancement,
        enhancement_width=scanner.enhancement_width,
    )
    image = image.reshape(shape[0], shape[1], finer, shape[2], finer).mean(axis=(2, 4))
    if scanner.noise_sd_hu > 0:
        correlation = scanner.noise_correlation_mm / scanner.pixel_mm
        image += draw_noise(shape, scanner.noise_sd_hu, correlation, seed)
    return round_hu(image)


def count_finer_pixels(scanner: Scanner) -> int:
    """Return how many times finer than its pixels a scan is made, so that blur comes before them.

    Detector and kernel blur what the pixels sample. Blurred after it, on pixels that are coarse
    for the blur, edges would ripple with their place between pixels, by 0.06 mm at 1 mm.
    """
    if scanner.blur_in_plane_mm <= 0:
        return 1
    return int(np.clip(np.ceil(scanner.pixel_mm / scanner.blur_in_plane_mm), 1, 3))


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
