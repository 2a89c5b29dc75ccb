"""Heads apart from their sockets: narrow, fused and osteophytic joints of known place and size."""

from dataclasses import replace

import numpy as np
import pytest
from calibrations import USUAL
from scipy.special import ndtr

from canalmorph.locate.heads import find_heads
from canalmorph.model.femur import Femur, HeadSphere, Side
from canalmorph.model.volume import CtVolume
from canalmorph.segment.blur import declare_through_plane_blur_mm
from canalmorph.segment.head import refine_head
from canalmorph.segment.head_edges import fit_head_edges
from canalmorph_phantoms.build import rasterise_scan
from canalmorph_phantoms.catalogue import CATALOGUE
from canalmorph_phantoms.spec import PhantomScan, PlacedFemur, Scanner

#: What is promised of a head. [mm]
CENTRE_BAR_MM, DIAMETER_BAR_MM, FUSED_BAR_MM = 0.4, 0.5, 1.5
#: A field of view that holds the hip of a right femur, whose head's centre is at (-88, 0, 0).
HIP = Scanner(
    x_range_mm=(-140.0, -50.0),
    y_range_mm=(-45.0, 45.0),
    z_range_mm=(-44.0, 40.0),
    noise_sd_hu=20.0,
)


def make_hip(slice_mm: float = 1.0, **joint: float) -> tuple[PlacedFemur, CtVolume]:
    """Return a femur with a joint, and the scan of its hip."""
    femur = replace(CATALOGUE["normal_pair"].femora[0], **joint)
    scanner = replace(HIP, slice_spacing_mm=slice_mm, slice_thickness_mm=slice_mm)
    spec = PhantomScan(name="hip", purpose="Hip.", femora=(femur,), scanner=scanner)
    return femur, rasterise_scan(spec, seed=5)


def refine(volume: CtVolume, *, mirrored: bool = False) -> HeadSphere:
    """Return the refined sphere of a scan of one hip, blur and density as they were made."""
    affine = volume.index_to_lps_mm.copy()
    if mirrored:
        affine[0] *= -1.0
    volume = replace(volume, index_to_lps_mm=affine)
    corners = np.array([[0, 0, 0, 1], [*(np.array(volume.voxels_hu.shape) - 1), 1]]) @ affine.T
    # The mirrored grid runs the other way; voting needs only a box that holds it.
    first = find_heads(volume.voxels_hu, affine, corners[:, :3], (16.0, 32.0))[0]
    in_plane = np.sqrt(HIP.blur_in_plane_mm**2 + HIP.pixel_mm**2 * (1 / 12 + 1 / 6))
    calibration = replace(
        USUAL,
        blur_in_plane_mm=float(in_plane),
        blur_through_plane_mm=declare_through_plane_blur_mm(volume),
    )
    femur = Femur(
        side=Side.LEFT if mirrored else Side.RIGHT,
        crop=volume,
        shaft_path_lps_mm=np.zeros((2, 3)),
        head=first,
        shaft_leaves_scan=True,
    )
    sphere = refine_head(femur, calibration)
    assert sphere is not None
    return sphere


def find_errors(femur: PlacedFemur, sphere: HeadSphere) -> tuple[float, float]:
    """Return how far centre and diameter are off [mm]."""
    truth = np.array(
        [-femur.head_lateral_mm, femur.head_posterior_mm, femur.head_superior_mm], dtype=float
    )
    centre = float(np.linalg.norm(sphere.centre_lps_mm - truth))
    return centre, 2 * (sphere.radius_mm - femur.shape.head_radius_mm)


def find_arms(volume: CtVolume) -> np.ndarray:
    """Return where each voxel lies from the head's centre [mm]."""
    index = np.indices(volume.voxels_hu.shape).reshape(3, -1)
    points = (volume.index_to_lps_mm[:3, :3] @ index).T + volume.index_to_lps_mm[:3, 3]
    return points - [-88.0, 0.0, 0.0]


@pytest.mark.parametrize("slice_mm", [0.8, 1.25])
@pytest.mark.parametrize("gap_mm", [1.0, 2.0, 4.0])
def test_a_head_in_its_socket_has_its_place_and_size(gap_mm: float, slice_mm: float) -> None:
    femur, volume = make_hip(slice_mm, joint_gap_mm=gap_mm)
    sphere = refine(volume)
    centre, diameter = find_errors(femur, sphere)
    assert sphere.separated
    assert centre < CENTRE_BAR_MM
    assert abs(diameter) < DIAMETER_BAR_MM
    # Three of the sphere's own uncertainties; the distance in space has three parts.
    assert centre < 3 * np.sqrt(3.0) * sphere.centre_u_mm
    assert abs(diameter) < 3 * 2 * sphere.radius_u_mm
    # The neck takes a quarter of the directions at most.
    assert 0.7 < sphere.inlier_share < 1.0


@pytest.mark.parametrize(
    "joint",
    [
        pytest.param({"joint_gap_mm": 1.5, "fused_deg": 60.0}, id="fused dome"),
        pytest.param({"joint_gap_mm": 1.0, "fused_deg": 85.0}, id="fused all over"),
        pytest.param({"joint_gap_mm": 1.0, "osteophyte_mm": 5.0}, id="osteophytes"),
        pytest.param(
            {"joint_gap_mm": 1.0, "osteophyte_mm": 4.0, "fused_deg": 50.0},
            id="fused, osteophytes",
        ),
        pytest.param({"joint_gap_mm": 0.5}, id="half a millimetre"),
        pytest.param({"joint_gap_mm": 0.0}, id="bone on bone"),
    ],
)
def test_a_fused_joint_is_right_or_flagged(joint: dict[str, float]) -> None:
    femur, volume = make_hip(**joint)
    sphere = refine(volume)
    centre, diameter = find_errors(femur, sphere)
    if sphere.separated:
        assert centre < FUSED_BAR_MM
        assert abs(diameter) < FUSED_BAR_MM
        assert centre < 3 * np.sqrt(3.0) * sphere.centre_u_mm
        assert abs(diameter) < 3 * 2 * sphere.radius_u_mm
        # What is not fused lies on the sphere, however little it is.
        assert sphere.is_round
    else:
        # It still serves to find things, and its uncertainty says how well.
        assert centre < 3 * np.sqrt(3.0) * sphere.centre_u_mm
    if joint["joint_gap_mm"] == 0.0:
        assert not sphere.separated


def test_a_solid_joint_has_no_head_of_its_own() -> None:
    """Bone all around the head: the rays that leave it at the neck alone are too few."""
    _, volume = make_hip(joint_gap_mm=2.0)
    arm = find_arms(volume)
    distance = np.linalg.norm(arm, axis=1).reshape(volume.voxels_hu.shape)
    voxels = volume.voxels_hu.copy()
    # The joint space and all beyond it filled, but for the lower fifth of the sphere.
    height = arm[:, 2].reshape(voxels.shape)
    voxels[(distance > 22.0) & (height > -14.0)] = 900
    sphere = refine(replace(volume, voxels_hu=voxels))
    assert not sphere.separated


@pytest.mark.parametrize("left_mm", [5.0, 10.0])
def test_what_is_left_of_a_collapsed_head_gives_its_sphere(left_mm: float) -> None:
    """The sphere of 23 mm ends so far above its centre: a quarter to two fifths of it are gone."""
    femur, volume = make_hip(joint_gap_mm=2.0)
    arm = find_arms(volume)
    gone = (arm[:, 2] > left_mm) & (np.linalg.norm(arm, axis=1) < femur.shape.head_radius_mm + 1.0)
    voxels = volume.voxels_hu.copy()
    voxels[gone.reshape(voxels.shape)] = 60
    sphere = refine(replace(volume, voxels_hu=voxels))
    centre, diameter = find_errors(femur, sphere)
    # The socket's wall, which rays through the missing part meet, is no edge of the head.
    assert centre < CENTRE_BAR_MM
    assert abs(diameter) < DIAMETER_BAR_MM
    assert sphere.inlier_share < 0.65


@pytest.mark.parametrize(
    "flat_mm", [6.0, *(pytest.param(flat, marks=pytest.mark.slow) for flat in (2.0, 4.0))]
)
def test_a_flattened_head_is_uncertain_or_not_given(flat_mm: float) -> None:
    """The upper half an ellipsoid, lower than the sphere by so much, under a shell of 1.3 mm."""
    femur, volume = make_hip(joint_gap_mm=2.0)
    arm, radius_mm = find_arms(volume), femur.shape.head_radius_mm
    upper = arm[:, 2] > 0
    height = np.linalg.norm(arm * [1.0, 1.0, radius_mm / (radius_mm - flat_mm)], axis=1)
    voxels = volume.voxels_hu.copy().ravel()
    voxels[upper & (height > radius_mm) & (np.linalg.norm(arm, axis=1) < radius_mm + 1.0)] = 60
    voxels[upper & (height <= radius_mm) & (height > radius_mm - 1.3)] = 1400
    sphere = refine(replace(volume, voxels_hu=voxels.reshape(volume.voxels_hu.shape)))
    centre, _ = find_errors(femur, sphere)
    assert not sphere.separated or centre < 3 * np.sqrt(3.0) * sphere.centre_u_mm
    # Such a sphere is a matter of choice by some half of what the head lacks.
    assert sphere.centre_u_mm > 0.1 * flat_mm


@pytest.mark.parametrize(
    ("inside_hu", "outside_hu", "fused", "gone"),
    [
        pytest.param(250.0, 60.0, False, False, id="soft parts behind"),
        pytest.param(250.0, 300.0, True, False, id="head and socket are one wall"),
        pytest.param(60.0, 300.0, False, True, id="the socket alone"),
    ],
)
def test_what_lies_behind_a_wall_tells_whose_it_is(
    inside_hu: float, outside_hu: float, fused: bool, gone: bool
) -> None:
    # A wall of 2 mm that ends 23 mm from the centre, blurred by 0.7 mm.
    places_mm = 14.0 + 0.3 * np.arange(64)
    inner, outer = (ndtr((places_mm - edge) / 0.7) for edge in (21.0, 23.0))
    profile = inside_hu + (1400.0 - inside_hu) * inner + (outside_hu - 1400.0) * outer
    edges = fit_head_edges(
        np.tile(profile, (3, 1)).astype(np.float32),
        14.0,
        0.3,
        np.full(3, 23.2),
        np.full(3, 0.7),
        shell_hu=1400.0,
        noise_hu=15.0,
        kernel=(0.0, 2.5),
    )
    assert (edges.fused.all(), edges.gone.all()) == (fused, gone)
    assert (edges.fused.any(), edges.gone.any()) == (fused, gone)
    if gone:
        assert np.isnan(edges.edge_mm).all()
    else:
        assert edges.edge_mm == pytest.approx(np.full(3, 23.0), abs=0.02)
    # A wall that is both meets the socket at once; the others meet none.
    assert edges.gap_mm.tolist() == [0.0 if fused else np.inf] * 3


def test_left_and_right_are_mirror_images() -> None:
    _, volume = make_hip(joint_gap_mm=1.5)
    ours, other = refine(volume), refine(volume, mirrored=True)
    # The first sphere comes from votes on a grid that runs the other way; what is left of it is
    # the last step of the iteration, 0.01 mm.
    assert other.centre_lps_mm == pytest.approx(ours.centre_lps_mm * [-1.0, 1.0, 1.0], abs=0.02)
    assert other.radius_mm == pytest.approx(ours.radius_mm, abs=0.01)
