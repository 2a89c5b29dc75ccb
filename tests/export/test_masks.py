"""Label images of a tube with a closed form, on grids of several orientations."""

from collections.abc import Callable
from math import pi
from pathlib import Path

import nibabel
import numpy as np
import pytest
from calibrations import USUAL
from numpy.typing import NDArray

from canalmorph.export.masks import make_masks, write_masks
from canalmorph.model.femur import (
    AlignedFemur,
    Cortex,
    Femur,
    FemurFrame,
    LesserTrochanter,
    Plane,
    Side,
)
from canalmorph.model.volume import CtVolume, ScanFacts

OUTER_MM, CANAL_MM, LENGTH_MM = 14.0, 7.0, 60.0
AXIS = np.array([0.1, -0.08, 1.0]) / np.linalg.norm([0.1, -0.08, 1.0])
SPACING_MM = np.array([1.5, 0.8, 0.8])
#: Rows: the patient direction of the k, j and i axes.
GRIDS = {
    "supine": np.array([[0, 0, 1.0], [0, 1, 0], [1, 0, 0]]),
    "prone_feet_first": np.array([[0, 0, -1.0], [0, -1, 0], [1, 0, 0]]),
    "coronal": np.array([[0, 1.0, 0], [0, 0, -1], [-1, 0, 0]]),
    "oblique": np.linalg.qr(np.array([[0.1, 0.2, 1.0], [0.0, 1.0, -0.2], [1.0, 0.1, 0.0]]).T)[0].T,
}


def _make_volume(grid: NDArray[np.float64]) -> CtVolume:
    shape = tuple(int(n) for n in np.ceil(np.array([100.0, 100.0, 100.0]) / SPACING_MM))
    affine = np.eye(4)
    affine[:3, :3] = (grid * SPACING_MM[:, None]).T
    affine[:3, 3] = -affine[:3, :3] @ (np.array(shape) - 1) / 2
    facts = ScanFacts(source="x", file_format="nifti", series_key="x", input_sha256="0")
    return CtVolume(voxels_hu=np.zeros(shape, dtype=np.int16), index_to_lps_mm=affine, facts=facts)


def _make_ring(radius_mm: float, n_points: int) -> NDArray[np.float64]:
    """Return a polygon that has the circle's own area."""
    reach = radius_mm * np.sqrt(2 * pi / n_points / np.sin(2 * pi / n_points))
    angles = np.linspace(0, 2 * pi, n_points, endpoint=False)
    first = np.cross(AXIS, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(AXIS, first)
    return np.asarray(reach * (np.cos(angles)[:, None] * first + np.sin(angles)[:, None] * second))


@pytest.fixture
def make_tube() -> Callable[..., AlignedFemur]:
    def make(volume: CtVolume, *, side: Side = Side.LEFT, flare: float = 0.0) -> AlignedFemur:
        heights = np.arange(-LENGTH_MM / 2, LENGTH_MM / 2 + 0.1, 2.0)
        centres = heights[:, None, None] * AXIS
        growth = (1 + flare * heights / LENGTH_MM)[:, None, None]
        outer = centres + growth * _make_ring(OUTER_MM, 90)
        canal = centres + growth * _make_ring(CANAL_MM, 90)
        femur = Femur(
            side=side,
            crop=volume,
            shaft_path_lps_mm=centres[:, 0],
            head=None,
            shaft_leaves_scan=True,
        )
        cortex = Cortex(
            femur=femur,
            heights_mm=heights,
            axis_point_lps_mm=np.zeros(3),
            axis_direction=AXIS,
            outer_lps_mm=outer,
            canal_lps_mm=canal,
            dense_lps_mm=np.full(canal.shape, np.nan),
            outer_u_mm=np.zeros(outer.shape[:2]),
            canal_u_mm=np.zeros(outer.shape[:2]),
            outer_shared_u_mm=np.zeros(outer.shape[:2]),
            canal_shared_u_mm=np.zeros(outer.shape[:2]),
            quality=np.zeros(len(heights), dtype=np.int64),
            calibration=USUAL,
        )
        frame = FemurFrame(
            origin_lps_mm=np.zeros(3),
            medial=np.array([1.0, 0.0, 0.0]),
            posterior=np.array([0.0, 1.0, 0.0]),
            proximal=AXIS,
            plane=Plane.SCANNER,
        )
        apex = LesserTrochanter(
            apex_lps_mm=np.zeros(3),
            level_u_mm=1.0,
            prominence_mm=5.0,
            direction_deg=40.0,
            second_prominence_mm=0.0,
            confidence=1.0,
        )
        return AlignedFemur(
            cortex=cortex,
            frame=frame,
            lesser_trochanter=apex,
            neck=None,
            axis_u_deg=0.1,
            isthmus_in_view=False,
        )

    return make


def _bound_mm3(radius_mm: float, length_mm: float) -> float:
    """Return three standard deviations of a volume that is counted by voxel centres.

    The voxels that the surface cuts, its area over the area of a voxel's mean face, each err by at
    most half a voxel with a uniform law (standard deviation 1 / sqrt(12)), nearly independently.
    """
    voxel_mm3 = float(SPACING_MM.prod())
    face_mm2 = voxel_mm3 ** (2 / 3)
    surface_mm2 = 2 * pi * radius_mm * length_mm + 2 * pi * radius_mm**2
    return float(3 * voxel_mm3 * np.sqrt(surface_mm2 / face_mm2 / 12))


@pytest.mark.parametrize("name", GRIDS)
def test_volumes_of_cortex_and_canal(name: str, make_tube: Callable[..., AlignedFemur]) -> None:
    volume = _make_volume(GRIDS[name])
    labels = make_masks(volume, [make_tube(volume)])
    voxel_mm3 = float(SPACING_MM.prod())
    canal = np.count_nonzero(labels == 4) * voxel_mm3
    tube = np.count_nonzero(labels) * voxel_mm3
    assert canal == pytest.approx(pi * CANAL_MM**2 * LENGTH_MM, abs=_bound_mm3(CANAL_MM, LENGTH_MM))
    assert tube == pytest.approx(pi * OUTER_MM**2 * LENGTH_MM, abs=_bound_mm3(OUTER_MM, LENGTH_MM))
    assert set(np.unique(labels)) == {0, 3, 4}


@pytest.mark.parametrize("name", GRIDS)
def test_every_voxel_lies_where_the_closed_form_says(
    name: str, make_tube: Callable[..., AlignedFemur]
) -> None:
    volume = _make_volume(GRIDS[name])
    flare = 0.6
    labels = make_masks(volume, [make_tube(volume, side=Side.RIGHT, flare=flare)])
    index = np.moveaxis(np.indices(labels.shape), 0, -1)
    points = index @ volume.index_to_lps_mm[:3, :3].T + volume.index_to_lps_mm[:3, 3]
    height = points @ AXIS
    radius = np.linalg.norm(points - height[..., None] * AXIS, axis=-1)
    radius /= 1 + flare * height / LENGTH_MM
    # A polygon of 90 points that has the circle's area leaves the circle by less than
    # R * (1 - cos(pi / 90)) = 0.06 % of R, 0.009 mm: voxels nearer to a surface are not judged.
    sure = np.abs(np.abs(height) - LENGTH_MM / 2) > 1e-6
    for edge in (OUTER_MM, CANAL_MM):
        sure &= np.abs(radius - edge) > 0.02
    inside = np.abs(height) < LENGTH_MM / 2
    expected = np.where(inside & (radius < OUTER_MM), 1, 0) + (inside & (radius < CANAL_MM))
    np.testing.assert_array_equal(labels[sure], expected[sure])


def test_the_file_lies_on_the_scans_grid(
    make_tube: Callable[..., AlignedFemur], tmp_path: Path
) -> None:
    volume = _make_volume(GRIDS["oblique"])
    aligned = [make_tube(volume)]
    write_masks(tmp_path / "masks.nii.gz", volume, aligned)
    image = nibabel.nifti1.Nifti1Image.from_filename(tmp_path / "masks.nii.gz")
    data = np.asanyarray(image.dataobj)
    assert data.dtype == np.uint8
    np.testing.assert_array_equal(data.transpose(2, 1, 0), make_masks(volume, aligned))
    # The centre of voxel (k, j, i) = (5, 20, 31) in patient space is that of (31, 20, 5) in the
    # file, with x and y turned round; the header stores the affine in single precision.
    lps = volume.index_to_lps_mm @ [5, 20, 31, 1]
    ras = image.affine @ [31, 20, 5, 1]
    np.testing.assert_allclose(ras, lps * [-1, -1, 1, 1], atol=1e-3)
    first = (tmp_path / "masks.nii.gz").read_bytes()
    write_masks(tmp_path / "masks.nii.gz", volume, aligned)
    assert (tmp_path / "masks.nii.gz").read_bytes() == first


def test_a_broken_ring_leaves_its_slab_empty(make_tube: Callable[..., AlignedFemur]) -> None:
    volume = _make_volume(GRIDS["supine"])
    femur = make_tube(volume)
    whole = make_masks(volume, [femur])
    femur.cortex.canal_lps_mm[10, 3] = np.nan
    broken = make_masks(volume, [femur])
    index = np.moveaxis(np.indices(broken.shape), 0, -1)
    points = index @ volume.index_to_lps_mm[:3, :3].T + volume.index_to_lps_mm[:3, 3]
    gone = np.abs(points @ AXIS - femur.cortex.heights_mm[10]) < 2.0
    assert not broken[gone].any()
    np.testing.assert_array_equal(broken[~gone], whole[~gone])


def test_both_sides_keep_their_labels(make_tube: Callable[..., AlignedFemur]) -> None:
    volume = _make_volume(GRIDS["supine"])
    assert set(np.unique(make_masks(volume, [make_tube(volume, side=Side.RIGHT)]))) == {0, 1, 2}
    assert not make_masks(volume, []).any()
