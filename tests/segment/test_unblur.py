"""Blurred corners and bends: their half level is worked out on images, and undone."""

import numpy as np
import pytest
from scipy import ndimage
from scipy.spatial.transform import Rotation

from canalmorph.segment.unblur import undo_blur

AXIS = np.array([0.0, 0.0, 1.0])
N_RAYS = 120
ANGLES = 2 * np.pi * np.arange(N_RAYS) / N_RAYS
RADIAL = np.stack([np.cos(ANGLES), np.sin(ANGLES)], axis=1)
NO_KERNEL = (0.0, 2.5)
#: A sharp kernel's enhancement, and how many times wider its blur is.
SHARP = (0.3, 2.5)
#: Pixels of the images on which blur is worked out: shares by 4 x 4 points. [mm]
PIXEL_MM, SAMPLES = 0.05, 4


def make_rounded_square(points: np.ndarray, half_mm: float, corner_mm: float) -> np.ndarray:
    """Return the distance of points (..., 2) to a square with round corners, inside negative."""
    q = np.abs(points) - (half_mm - corner_mm)
    outside = np.hypot(np.maximum(q[..., 0], 0), np.maximum(q[..., 1], 0))
    return outside + np.minimum(q.max(axis=-1), 0) - corner_mm


def find_half_levels(
    half_mm: float,
    corner_mm: float,
    blur_mm: float | tuple[float, float],
    kernel: tuple[float, float],
) -> np.ndarray:
    """Return where the blurred shape's image falls to one half along each radius, (m,) [mm]."""
    reach = half_mm + 6 * np.max(blur_mm)
    n = 2 * int(np.ceil(reach / PIXEL_MM)) + 1
    centres = (np.arange(n) - n // 2) * PIXEL_MM
    image = np.zeros((n, n))
    offsets = ((np.arange(SAMPLES) + 0.5) / SAMPLES - 0.5) * PIXEL_MM
    for dx in offsets:
        for dy in offsets:
            points = np.stack(np.meshgrid(centres + dx, centres + dy, indexing="ij"), axis=-1)
            image += make_rounded_square(points, half_mm, corner_mm) < 0
    image /= SAMPLES**2

    def blur(width_mm: float | tuple[float, float]) -> np.ndarray:
        sigma = np.asarray(width_mm) / PIXEL_MM
        return ndimage.gaussian_filter(image, sigma, truncate=6.0, mode="nearest")

    enhancement, width = kernel
    blurred = (1 + enhancement) * blur(blur_mm)
    if enhancement > 0:
        blurred -= enhancement * blur(width * blur_mm)
    radii = np.arange(max(0.0, corner_mm - 3 * np.max(blur_mm)), 1.45 * half_mm, 0.01)
    at = radii[None, :, None] * RADIAL[:, None] / PIXEL_MM + n // 2
    values = ndimage.map_coordinates(blurred, np.moveaxis(at, -1, 0), order=1, mode="nearest")
    last = values.shape[1] - 1 - np.argmax(values[:, ::-1] >= 0.5, axis=1)
    rows = np.arange(N_RAYS)
    high, low = values[rows, last], values[rows, last + 1]
    return radii[last] + 0.01 * (high - 0.5) / (high - low)


def make_ring(radii: np.ndarray | float) -> np.ndarray:
    """Return one ring (1, m, 3) at height 0."""
    ring = np.zeros((1, N_RAYS, 3))
    ring[0, :, :2] = np.broadcast_to(radii, N_RAYS)[:, None] * RADIAL
    return ring


def find_outwards(ring: np.ndarray) -> np.ndarray:
    """Return unit vectors across a ring that runs counter-clockwise, within its plane."""
    ahead = np.roll(ring, -1, axis=1) - np.roll(ring, 1, axis=1)
    across = np.cross(ahead, AXIS)
    return across / np.linalg.norm(across, axis=-1, keepdims=True)


def sharpen(
    ring: np.ndarray, outwards: np.ndarray, blur_mm: float, kernel: tuple[float, float] = NO_KERNEL
) -> tuple[np.ndarray, np.ndarray]:
    return undo_blur(ring, outwards, np.full(ring.shape[:2], blur_mm), kernel, AXIS)


@pytest.mark.parametrize("blur_mm", [0.4, 0.6, 0.8])
@pytest.mark.parametrize("radius_mm", [3.0, 5.0, 8.0, 15.0])
def test_a_blurred_disc_gets_its_radius_back(radius_mm: float, blur_mm: float) -> None:
    measured = find_half_levels(radius_mm, radius_mm, blur_mm, NO_KERNEL)
    lost = radius_mm - measured.mean()
    # First order: sigma^2 / 2R; the next one is (sigma / R)^2 of it, 7 % at most here.
    assert lost == pytest.approx(blur_mm**2 / (2 * radius_mm), rel=0.1, abs=5e-4)
    ring = make_ring(measured)
    points, shift = sharpen(ring, find_outwards(ring), blur_mm)
    radii = np.linalg.norm(points[0, :, :2], axis=1)
    assert np.abs(radii - radius_mm).max() < 0.01
    assert shift[0] == pytest.approx(np.full(N_RAYS, lost), abs=0.01)


def test_blur_along_the_outline_is_what_moves_a_disc() -> None:
    """Where pixels are not square: the wide side's blur moves the sides that run along it."""
    radius_mm, wide_mm, narrow_mm = 7.0, 1.1, 0.6
    measured = find_half_levels(radius_mm, radius_mm, (wide_mm, narrow_mm), NO_KERNEL)
    ring = make_ring(measured)
    across, along = (
        np.hypot(wide_mm * one, narrow_mm * other)[None]
        for one, other in (RADIAL.T, RADIAL.T[::-1])
    )
    points, shift = undo_blur(ring, find_outwards(ring), across, NO_KERNEL, AXIS, along)
    assert shift[0, [0, N_RAYS // 4]] == pytest.approx(
        [narrow_mm**2 / (2 * radius_mm), wide_mm**2 / (2 * radius_mm)], rel=0.1
    )
    # In between the blur leans to the outline, which the two widths do not say.
    assert np.abs(np.linalg.norm(points[0, :, :2], axis=1) - radius_mm).max() < 0.03


@pytest.mark.parametrize("radius_mm", [4.5, 7.0, 13.0])
def test_a_sharp_kernel_moves_a_disc_less(radius_mm: float) -> None:
    """Each part of the kernel lowers the level at the edge by its own width over 2R sqrt(2 pi),
    and the edge's slope is the sum of one over each width: sigma^2 / 2R times
    (1 + e - e w) / (1 + e - e / w), to first order.
    """
    measured = find_half_levels(radius_mm, radius_mm, 0.4, SHARP)
    e, w = SHARP
    share = (1 + e - e * w) / (1 + e - e / w)
    lost = radius_mm - measured.mean()
    assert lost == pytest.approx(share * 0.4**2 / (2 * radius_mm), rel=0.1, abs=5e-4)
    ring = make_ring(measured)
    points, _ = sharpen(ring, find_outwards(ring), 0.4, SHARP)
    radii = np.linalg.norm(points[0, :, :2], axis=1)
    assert np.abs(radii - radius_mm).max() < 0.01


@pytest.mark.parametrize("blur_mm", [0.4, 0.6, 0.8])
@pytest.mark.parametrize(("half_mm", "corner_mm"), [(6.0, 2.0), (9.0, 3.0)])
def test_blurred_corners_get_their_tips_back(
    half_mm: float, corner_mm: float, blur_mm: float
) -> None:
    measured = make_ring(find_half_levels(half_mm, corner_mm, blur_mm, NO_KERNEL))
    before = make_rounded_square(measured[0, :, :2], half_mm, corner_mm)
    points, _ = sharpen(measured, find_outwards(measured), blur_mm)
    after = make_rounded_square(points[0, :, :2], half_mm, corner_mm)
    # Points lie 0.5 mm apart where straight turns into round: a polygon's sagitta of 0.02 mm.
    assert np.abs(after).max() < 0.03
    assert np.abs(before).max() > np.abs(after).max()
    if blur_mm > 0.5:
        assert np.abs(before).max() > 0.06 > 2 * np.abs(after).max()


def make_lobed_ring() -> np.ndarray:
    return make_ring(8.0 + 0.8 * np.cos(3 * ANGLES + 0.4) + 0.3 * np.sin(5 * ANGLES))


@pytest.mark.parametrize("steps", [1, 17, 60])
def test_it_does_not_matter_where_a_ring_begins(steps: int) -> None:
    ring = make_lobed_ring()
    _, shift = sharpen(ring, find_outwards(ring), 0.6)
    _, other = sharpen(
        np.roll(ring, steps, axis=1), np.roll(find_outwards(ring), steps, axis=1), 0.6
    )
    assert np.roll(shift, steps, axis=1) == pytest.approx(other, abs=1e-9)


def test_it_does_not_matter_how_a_ring_lies_in_space() -> None:
    ring = make_lobed_ring()
    outwards = find_outwards(ring)
    blur = np.full(ring.shape[:2], 0.6)
    _, shift = undo_blur(ring, outwards, blur, NO_KERNEL, AXIS)
    turn = Rotation.from_rotvec([0.7, -0.4, 1.9])
    turned, turned_outwards = (turn.apply(each[0])[None] for each in (ring, outwards))
    _, other = undo_blur(turned + 40.0, turned_outwards, blur, NO_KERNEL, turn.apply(AXIS))
    # Bisection within two blurs ends at 4 sigma / 2^14: 1.5e-4 mm, and thrice that in the rounds.
    assert other == pytest.approx(shift, abs=5e-4)


def make_folded_ring() -> np.ndarray:
    """Return a ring like one under a neck: long, and its outline turns back beside the tip."""
    return make_ring(6.0 + 14.0 * np.exp(-(((ANGLES - 1.0) / 0.35) ** 2)) + np.cos(ANGLES))


@pytest.mark.parametrize(
    ("ring", "blur_mm"),
    [(make_lobed_ring(), 0.6), (make_folded_ring(), 0.6), (make_folded_ring(), 2.2)],
    ids=["lobed", "folded", "folded, oblique to the slices"],
)
def test_a_mirror_image_is_sharpened_alike(ring: np.ndarray, blur_mm: float) -> None:
    flip = np.array([-1.0, 1.0, 1.0])
    _, shift = sharpen(ring, find_outwards(ring), blur_mm)
    # Rings of a left femur run the other way round.
    for way in (1, -1):
        _, other = sharpen((flip * ring)[:, ::way], (flip * find_outwards(ring))[:, ::way], blur_mm)
        assert other[:, ::way] == pytest.approx(shift, abs=1e-3 * blur_mm)


def test_a_hole_is_sharpened_as_its_filling() -> None:
    """Half level is half way from either side: the canal's marrow is moved as a rod would be."""
    ring = make_lobed_ring()
    _, shift = sharpen(ring, find_outwards(ring), 0.6)
    _, other = sharpen(ring, -find_outwards(ring), 0.6)
    assert other == pytest.approx(-shift, abs=5e-4)


def test_beside_an_unknown_stretch_nothing_is_moved() -> None:
    ring = make_ring(6.0)
    broken = ring.copy()
    broken[0, 30:45] = np.nan
    points, shift = undo_blur(
        broken, find_outwards(ring), np.full(ring.shape[:2], 0.6), NO_KERNEL, AXIS
    )
    assert (shift[0, 30:45] == 0).all()
    assert np.isnan(points[0, 30:45]).all()
    # 1.5 blurs of 0.6 mm must be known to each side: three points of 0.31 mm.
    assert (shift[0, [28, 29, 45, 46]] == 0).all()
    assert np.isfinite(points[0, [28, 29, 45, 46]]).all()
    far = np.r_[0:20, 55:N_RAYS]
    assert shift[0, far] == pytest.approx(0.6**2 / 12, abs=0.005)


def test_an_unknown_blur_moves_nothing() -> None:
    ring = make_ring(6.0)
    points, shift = undo_blur(
        ring, find_outwards(ring), np.full(ring.shape[:2], np.nan), NO_KERNEL, AXIS
    )
    assert (shift == 0).all()
    assert np.array_equal(points, ring)


def test_moves_stay_within_one_blur() -> None:
    ring = make_ring(8.0)
    ring[0, 40, :2] *= 1.5  # a stray point 4 mm outside
    _, shift = sharpen(ring, find_outwards(ring), 0.6)
    assert np.abs(shift).max() <= 0.6
