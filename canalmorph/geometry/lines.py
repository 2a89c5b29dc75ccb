"""Lines, spheres and directions fitted to points."""

import numpy as np
from numpy.typing import NDArray


def normalise(vector: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the unit vector along `vector`."""
    return np.asarray(vector / np.linalg.norm(vector))


def find_angle_deg(first: NDArray[np.float64], second: NDArray[np.float64]) -> float:
    """Return the angle between two unit vectors [deg].

    Examples
    --------
    >>> round(find_angle_deg(np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])), 6)
    90.0
    """
    return float(np.degrees(np.arccos(np.clip(first @ second, -1.0, 1.0))))


def fit_line(points_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return a point on, and the unit direction of, the least-squares line through points.

    The direction points the way the points run, from the first to the last.

    Parameters
    ----------
    points_mm : (n, 3) float array
        At least two points. [mm]
    """
    centre = points_mm.mean(0)
    direction = np.linalg.svd(points_mm - centre, full_matrices=False)[2][0]
    if direction @ (points_mm[-1] - points_mm[0]) < 0:
        direction = -direction
    return centre, direction


def fit_sphere(points_mm: NDArray[np.float64]) -> tuple[NDArray[np.float64], float]:
    """Return centre and radius of the algebraic least-squares sphere through points [mm]."""
    offset = points_mm.mean(0)
    local = points_mm - offset
    matrix = np.c_[2 * local, np.ones(len(local))]
    solution = np.linalg.lstsq(matrix, (local**2).sum(1), rcond=None)[0]
    return solution[:3] + offset, float(np.sqrt(solution[3] + solution[:3] @ solution[:3]))


def spread_directions(n: int) -> NDArray[np.float64]:
    """Return `n` unit vectors spread evenly over the sphere (a Fibonacci lattice), (n, 3)."""
    number = np.arange(n) + 0.5
    polar = np.arccos(1 - 2 * number / n)
    azimuth = np.pi * (1 + 5**0.5) * number
    return np.stack(
        [np.cos(azimuth) * np.sin(polar), np.sin(azimuth) * np.sin(polar), np.cos(polar)], axis=1
    )


def spread_to_both_sides(n: int) -> NDArray[np.float64]:
    """Return unit vectors whose mirror images in x are among them, so that sides are alike.

    About `n` of them, spread as by `spread_directions`, (about n, 3).
    """
    lattice = spread_directions(n)
    half = lattice[lattice[:, 0] > 0]
    return np.concatenate([half, half * [-1.0, 1.0, 1.0]])


def perpendicular_axes(
    direction: NDArray[np.float64], towards: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return two unit vectors perpendicular to `direction`, the first as near `towards` as can be.

    The three, in the order first, second, direction, are right-handed.
    """
    first = normalise(towards - (towards @ direction) * direction)
    return first, np.cross(direction, first)
