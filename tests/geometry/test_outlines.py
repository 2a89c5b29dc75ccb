"""Areas, centroids, inscribed circles and distances of outlines against closed forms."""

import numpy as np
import pytest
from scipy import ndimage
from skimage.draw import polygon2mask

from canalmorph.geometry.outlines import (
    find_area,
    find_centroids,
    find_distances,
    find_inscribed_diameter,
)

N_POINTS = 180


def make_ellipse(
    a_mm: float, b_mm: float, *, centre: tuple[float, float] = (0.0, 0.0), n: int = N_POINTS
) -> np.ndarray:
    t = 2 * np.pi * np.arange(n) / n
    return np.array(centre) + np.stack([a_mm * np.cos(t), b_mm * np.sin(t)], axis=1)


def make_lobes(n: int = N_POINTS) -> np.ndarray:
    """Return a canal with a fin, as above the isthmus: no ellipse, one large part."""
    t = 2 * np.pi * np.arange(n) / n
    radius = 8.0 + 1.5 * np.cos(2 * t + 0.4) + 2.5 * np.exp(-(((t - 1.2) / 0.25) ** 2))
    return np.stack([radius * np.cos(t), radius * np.sin(t)], axis=1)


@pytest.mark.parametrize(("a_mm", "b_mm"), [(6.0, 6.0), (9.0, 7.5), (20.0, 14.0)])
def test_area_and_centroid_of_a_polygon_in_an_ellipse(a_mm: float, b_mm: float) -> None:
    centre = (-13.0, 21.0)
    area, centroid = find_area(make_ellipse(a_mm, b_mm, centre=centre))
    # The inscribed polygon of n points has n/2 sin(2 pi / n) a b, exactly.
    exact = N_POINTS / 2 * np.sin(2 * np.pi / N_POINTS) * a_mm * b_mm
    assert area == pytest.approx(exact, rel=1e-12)
    assert area == pytest.approx(np.pi * a_mm * b_mm, rel=2.1e-4)
    assert centroid == pytest.approx(centre, abs=1e-10)


def test_area_does_not_depend_on_direction_or_start() -> None:
    outline = make_lobes()
    area, centroid = find_area(outline)
    for other in (outline[::-1], np.roll(outline, 37, axis=0), -outline):
        found, middle = find_area(other)
        assert found == pytest.approx(area, rel=1e-12)
    assert middle == pytest.approx(-centroid, abs=1e-10)


@pytest.mark.parametrize(("a_mm", "b_mm"), [(6.0, 6.0), (4.5, 4.5), (9.0, 7.5), (14.0, 9.0)])
def test_inscribed_circle_of_an_ellipse_has_its_smaller_axis(a_mm: float, b_mm: float) -> None:
    sagitta = b_mm * (1 - np.cos(np.pi / N_POINTS))
    found = find_inscribed_diameter(make_ellipse(a_mm, b_mm, centre=(31.0, -8.0)))
    # The polygon lies up to its sagitta inside the ellipse; its sides are known at four points.
    assert 2 * b_mm - 2 * sagitta - 0.004 <= found <= 2 * b_mm + 1e-9


@pytest.mark.parametrize("n", [60, 90, 120, 180])
def test_inscribed_circle_of_points_on_one_circle_or_a_stretched_one(n: int) -> None:
    """All their cells meet in one place, or nearly: a case of its own for the library."""
    angles = 2 * np.pi * np.arange(n) / n
    for turned_deg in range(0, 60, 3):
        longer = 1 / np.cos(np.radians(turned_deg))
        outline = 7.0 * np.stack([longer * np.cos(angles), np.sin(angles)], axis=1)
        # Sides of a polygon run inside of its circle, by the radius times 1 - cos(pi / n).
        inside = 14.0 * (1 - np.cos(np.pi / n)) + 0.002
        assert 14.0 - inside <= find_inscribed_diameter(outline) <= 14.0 + 1e-9


def test_inscribed_circle_of_a_triangle_has_its_closed_form() -> None:
    # Twice the area over the perimeter: 1 for the sides 3, 4 and 5. Along a narrow corner every
    # small step is no gain, so that a search of steps ends early.
    corners = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]])
    share = np.linspace(0.0, 1.0, 40, endpoint=False)[:, None]
    sides = zip(corners, np.roll(corners, -1, axis=0), strict=True)
    outline = np.concatenate([a + share * (b - a) for a, b in sides])
    # Points at most 0.032 mm apart: 0.032^2 / 4.
    assert find_inscribed_diameter(outline) == pytest.approx(2.0, abs=3e-4)
    assert find_inscribed_diameter(outline + 500.0) == pytest.approx(2.0, abs=3e-4)


@pytest.mark.parametrize("turn_deg", [0.0, 33.0, 71.0])
def test_inscribed_circle_of_an_irregular_canal_against_a_distance_map(turn_deg: float) -> None:
    angle = np.radians(turn_deg)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    outline = make_lobes() @ turn.T
    pixel = 0.04
    mask = polygon2mask((700, 700), outline / pixel + 350.0)
    # The distance map knows centres of pixels: it errs by at most a pixel's diagonal a radius.
    expected = 2 * pixel * float(ndimage.distance_transform_edt(mask).max())
    assert find_inscribed_diameter(outline) == pytest.approx(expected, abs=2 * pixel * np.sqrt(2))


def test_inscribed_circle_is_at_most_the_equivalent_one() -> None:
    for outline in (make_lobes(), make_ellipse(9.0, 7.0), make_ellipse(5.0, 5.0)):
        area, _ = find_area(outline)
        assert find_inscribed_diameter(outline) <= 2 * np.sqrt(area / np.pi)


def test_distances_to_a_square() -> None:
    square = np.array([[0.0, 0.0], [10.0, 0.0], [10.0, 10.0], [0.0, 10.0]])
    points = np.array([[5.0, 5.0], [1.0, 7.0], [5.0, 0.0], [13.0, 14.0], [-2.0, 5.0], [5.0, 12.5]])
    assert find_distances(points, square) == pytest.approx([5.0, 1.0, 0.0, 5.0, 2.0, 2.5])


def test_distances_between_two_circles_are_their_wall() -> None:
    outer = make_ellipse(14.0, 14.0, n=720)
    canal = make_ellipse(7.0, 7.0, centre=(1.5, 0.0))
    arms = np.hypot(*canal.T)
    sagitta = 14.0 * (1 - np.cos(np.pi / 720))
    assert find_distances(canal, outer) == pytest.approx(14.0 - arms, abs=sagitta + 1e-12)


def test_centroids_of_tilted_rings_in_space() -> None:
    rings, centres = [], []
    for tilt in (0.0, 0.2, 0.9):
        first = np.array([np.cos(tilt), 0.0, np.sin(tilt)])
        second = np.array([0.0, 1.0, 0.0])
        flat = make_lobes(90)
        middle = find_area(flat)[1]
        origin = np.array([3.0, -70.0, 200.0 + tilt])
        rings.append(origin + flat[:, :1] * first + flat[:, 1:] * second)
        centres.append(origin + middle[0] * first + middle[1] * second)
    found = find_centroids(np.array(rings))
    assert found == pytest.approx(np.array(centres), abs=1e-9)
    broken = np.array(rings)
    broken[1, 7] = np.nan
    found = find_centroids(broken)
    assert np.isnan(found[1]).all()
    assert found[[0, 2]] == pytest.approx(np.array(centres)[[0, 2]], abs=1e-9)


def test_centroids_do_not_follow_uneven_points() -> None:
    """Points crowd where the wall is curved: a mean of points would go there, an area not."""
    t = 2 * np.pi * (np.arange(360) / 360) ** 1.5
    ring = np.stack([8 * np.cos(t), 6 * np.sin(t), np.full(360, 5.0)], axis=1)[None]
    assert np.hypot(*ring[0].mean(0)[:2]) > 0.5
    # The widest chord, over 1.5 degrees, cuts off a sliver of 1e-4 of the area.
    assert find_centroids(ring)[0] == pytest.approx([0.0, 0.0, 5.0], abs=0.01)
