"""From a phantom's specification to its volume and its truth: the one entry."""

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.model.volume import CtVolume, PatientFacts, ScanFacts
from canalmorph_phantoms.imaging import image_scene
from canalmorph_phantoms.spec import PhantomScan, Scanner
from canalmorph_phantoms.tissue import bound_femur, flatten_tissue, place_joint
from canalmorph_phantoms.transforms import frame_to_patient, patient_to_scanner
from canalmorph_phantoms.truth import ScanTruth, measure_scan, solve_solid


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PhantomResult:
    """A phantom scan: what it was made from, its voxels and its truth.

    Attributes
    ----------
    spec : PhantomScan
        What it was made from.
    seed : int
        Of the noise.
    volume : CtVolume
        Voxels in scanner LPS.
    truth : ScanTruth
        See there.
    """

    spec: PhantomScan
    seed: int
    volume: CtVolume
    truth: ScanTruth


def name_to_seed(name: str) -> int:
    """Return a repeatable seed for a name.

    Examples
    --------
    >>> name_to_seed("a") == name_to_seed("a") != name_to_seed("b")
    True
    """
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:3], "big")


def make_grid(
    scanner: Scanner,
) -> tuple[tuple[int, int, int], NDArray[np.float64], NDArray[np.float64]]:
    """Return shape (k, j, i), first voxel centre and voxel distance, both as (z, y, x) [mm]."""
    step = np.array([scanner.slice_spacing_mm, scanner.pixel_mm, scanner.pixel_mm])
    ranges = np.array([scanner.z_range_mm, scanner.y_range_mm, scanner.x_range_mm])
    if (ranges[:, 1] <= ranges[:, 0]).any():
        raise ValueError(f"'scanner' ranges must ascend, got {ranges.tolist()}.")
    counts = np.floor((ranges[:, 1] - ranges[:, 0]) / step + 1e-9).astype(int) + 1
    return (int(counts[0]), int(counts[1]), int(counts[2])), ranges[:, 0].copy(), step


def _invert_rigid(matrix: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the upper three rows of the inverse of a rigid map, reflected or not."""
    turn = matrix[:3, :3].T
    return np.column_stack([turn, -turn @ matrix[:3, 3]])


def make_scene(spec: PhantomScan) -> tuple[NDArray[np.float64], ...]:
    """Return the arrays of `canalmorph_phantoms.raster.fill_voxels` for a phantom."""
    solids = [solve_solid(femur.shape)[0] for femur in spec.femora]
    longest = max(len(solid.table) for solid in solids)
    tables: NDArray[np.float64] = np.stack(
        [np.pad(s.table, ((0, longest - len(s.table)), (0, 0)), mode="edge") for s in solids]
    )
    return (
        _invert_rigid(patient_to_scanner(spec)),
        np.stack([_invert_rigid(frame_to_patient(femur)) for femur in spec.femora]),
        np.stack([solid.parameters for solid in solids]),
        tables,
        np.stack([bound_femur(solid) for solid in solids]),
        np.stack([place_joint(femur) for femur in spec.femora]),
        flatten_tissue(spec.tissue, spec.femora),
    )


def rasterise_scan(spec: PhantomScan, *, seed: int) -> CtVolume:
    """Return the voxels of a phantom: k upward, j to the back, i to the left."""
    scanner = spec.scanner
    shape, first, step = make_grid(scanner)
    voxels = image_scene(make_scene(spec), scanner, shape, first, step, seed=seed)
    return wrap_voxels(voxels, first, step, scanner, name=spec.name, seed=seed)


def wrap_voxels(
    voxels_hu: NDArray[np.int16],
    first_mm: NDArray[np.float64],
    step_mm: NDArray[np.float64],
    scanner: Scanner,
    *,
    name: str,
    seed: int,
) -> CtVolume:
    """Return voxels on an upright grid as a volume, with the facts of an invented scanner."""
    affine = np.zeros((4, 4))
    affine[2, 0], affine[1, 1], affine[0, 2] = step_mm
    affine[:3, 3], affine[3, 3] = first_mm[::-1], 1.0
    digest = hashlib.sha256(voxels_hu.tobytes()).hexdigest()
    facts = ScanFacts(
        source=name,
        file_format="dicom",
        series_key=f"phantom-{name}-{seed}",
        input_sha256=digest,
        n_files=len(voxels_hu),
        kernel=scanner.kernel,
        manufacturer="canalmorph phantom",
        kvp=scanner.kvp,
        slice_thickness_mm=scanner.slice_thickness_mm,
    )
    patient = PatientFacts(name="Phantom^Digital", identifier=f"PHANTOM-{name}", sex="O")
    return CtVolume(voxels_hu=voxels_hu, index_to_lps_mm=affine, facts=facts, patient=patient)


def build_scan(spec: PhantomScan, *, seed: int | None = None) -> PhantomResult:
    """Return a phantom's volume and truth.

    Parameters
    ----------
    spec : PhantomScan
        From `canalmorph_phantoms.catalogue`, or your own.
    seed : int, optional
        Of the noise; by default made from the name, so that a name is always the same scan.

    Raises
    ------
    ValueError
        If a shape has no lesser trochanter or a range is empty.
    """
    used = name_to_seed(spec.name) if seed is None else seed
    volume = rasterise_scan(spec, seed=used)
    return PhantomResult(spec=spec, seed=used, volume=volume, truth=measure_scan(spec))
