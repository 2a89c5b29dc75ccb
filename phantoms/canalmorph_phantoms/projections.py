"""Phantom scans by a second physics: projections, photons and filtered back-projection.

The same femora and tissues as in `canalmorph_phantoms.build`, but no Gaussian blur and no added
noise: a polychromatic fan beam passes the slice, quanta are drawn from a Poisson distribution,
the water correction of every scanner leaves the hardening that bone causes, and a clinical kernel
reconstructs a small field around the hip. Of the specification's scanner, grid, slice thickness
and tube voltage are used; its blur and noise are not.

Left out: scattered radiation, detector cross-talk, the helical path and its interpolation along
z, tube current modulation.
"""

from collections.abc import Mapping
from dataclasses import replace
from functools import lru_cache
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.volume import CtVolume
from canalmorph_phantoms.backprojection import (
    KERNELS,
    KernelName,
    back_project,
    filter_projections,
)
from canalmorph_phantoms.build import (
    PhantomResult,
    make_grid,
    make_scene,
    name_to_seed,
    wrap_voxels,
)
from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.imaging import round_hu
from canalmorph_phantoms.projector import Gantry, project_squares
from canalmorph_phantoms.spec import PhantomScan, Scanner
from canalmorph_phantoms.spectrum import Beam, make_beam
from canalmorph_phantoms.squares import list_squares
from canalmorph_phantoms.truth import measure_scan

#: Quanta behind the body by element and view, for about 18 HU of noise with the smooth kernel.
PHOTONS = 3.6e3
GANTRY = Gantry()

#: A hip and the shaft to 50 mm below the isthmus in slices of 1 mm.
_HIP = Scanner(
    pixel_mm=0.75,
    x_range_mm=(-180.0, -20.0),
    y_range_mm=(-85.0, 85.0),
    z_range_mm=(-222.0, 28.0),
)


def _take_right(name: str, source: str, purpose: str, scanner: Scanner) -> PhantomScan:
    """Return the right femur of a scan of the catalogue alone, without table."""
    scan = CATALOGUE[source]
    (femur,) = (femur for femur in scan.femora if femur.side == "right")
    return PhantomScan(
        name=name,
        purpose=purpose,
        femora=(femur,),
        tissue=replace(scan.tissue, table=False),
        scanner=scanner,
        within_promise=scan.within_promise,
    )


#: Scans to be made by `project_scan`, by name.
PROJECTED: Mapping[str, PhantomScan] = MappingProxyType(
    {
        scan.name: scan
        for scan in (
            _take_right(
                "projected_normal", "normal_pair", "An ordinary femur, from projections.", _HIP
            ),
            _take_right(
                "projected_stovepipe",
                "stovepipe_pair",
                "A wide canal with little flare, from projections.",
                replace(_HIP, pixel_mm=0.8),
            ),
            _take_right(
                "projected_flute",
                "flute_pair",
                "A narrow canal with much flare in thick cortex, from projections.",
                replace(_HIP, pixel_mm=0.7),
            ),
            _take_right(
                "projected_thin",
                "thin_cortex",
                "Cortex of 1.4 mm, from projections.",
                _HIP,
            ),
        )
    }
)


@lru_cache(maxsize=4)
def _get_beam(kvp: float) -> Beam:
    return make_beam(kvp=kvp)


def count_photons(
    signal: NDArray[np.float64], photons: float, generator: np.random.Generator
) -> NDArray[np.float64]:
    """Return the share of the signal as counted, from Poisson numbers; at least one quantum.

    The tube's current follows the body, as in a scanner: the noise of all slices is about alike.

    Parameters
    ----------
    signal : (views, elements) float array
        Expected share.
    photons : float
        Quanta behind the body by element and view, the harmonic mean over all rays that lose half
        their signal or more; infinite for no noise.
    generator : numpy.random.Generator
        Source of randomness.
    """
    if np.isinf(photons):
        return signal
    behind = signal[signal < 0.5]
    emitted = photons * (float(np.mean(1.0 / behind)) if behind.size else 1.0)
    return np.asarray(np.maximum(generator.poisson(emitted * signal), 1) / emitted)


def project_kernels(
    spec: PhantomScan,
    *,
    kernels: tuple[KernelName, ...] = ("smooth", "sharp"),
    seed: int | None = None,
    photons: float = PHOTONS,
) -> dict[KernelName, PhantomResult]:
    """Return one scan of a phantom, reconstructed with several kernels.

    Parameters
    ----------
    spec : PhantomScan
        From `PROJECTED`, or your own without a table.
    kernels : tuple of {'smooth', 'sharp'}
        Which.
    seed : int, optional
        Of the photons; by default made from the name.
    photons : float
        Quanta behind the body by detector element and view; see `count_photons`.

    Raises
    ------
    ValueError
        If the body leaves the field, the grid leaves the circle that every projection sees, or
        the number of photons is not positive.
    """
    if not photons > 0:
        raise ValueError(f"'photons' must be positive, got {photons:g}.")
    used = name_to_seed(spec.name) if seed is None else seed
    shape, first, step = make_grid(spec.scanner)
    scene, beam = make_scene(spec), _get_beam(spec.scanner.kvp)
    voxels = {kernel: np.empty(shape, dtype=np.int16) for kernel in kernels}
    for k in range(shape[0]):
        z = float(first[0] + k * step[0])
        squares = list_squares(z, spec.scanner.slice_thickness_mm, scene, beam.bone_hu)
        signal = project_squares(*squares, GANTRY, beam)
        signal = count_photons(signal, photons, np.random.default_rng([used, k]))
        water = beam.correct_for_water(-np.log(signal))
        for kernel, image in voxels.items():
            filtered = filter_projections(water, GANTRY, KERNELS[kernel])
            density = back_project(filtered, GANTRY, first[1:], float(step[1]), shape[1:])
            image[k] = round_hu(1000.0 * (density - 1.0))
    # No Gaussian was applied and no noise of a stated SD added: those are not known.
    unknown = float("nan")
    truth = replace(
        measure_scan(spec), noise_sd_hu=unknown, blur_in_plane_mm=unknown, blur_z_mm=unknown
    )
    return {
        kernel: PhantomResult(
            spec=spec,
            seed=used,
            volume=_wrap(image, spec, first, step, kernel, used),
            truth=truth,
        )
        for kernel, image in voxels.items()
    }


def _wrap(
    voxels: NDArray[np.int16],
    spec: PhantomScan,
    first: NDArray[np.float64],
    step: NDArray[np.float64],
    kernel: KernelName,
    seed: int,
) -> CtVolume:
    scanner = replace(spec.scanner, kernel=kernel)
    return wrap_voxels(voxels, first, step, scanner, name=f"{spec.name}_{kernel}", seed=seed)


def project_scan(
    spec: PhantomScan, *, kernel: KernelName, seed: int | None = None, photons: float = PHOTONS
) -> PhantomResult:
    """Return one scan of a phantom with one kernel; see `project_kernels`."""
    return project_kernels(spec, kernels=(kernel,), seed=seed, photons=photons)[kernel]
