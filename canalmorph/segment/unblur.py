"""What blur does to a curved edge, undone: the half level of a blurred corner lies inside it.

A ray's model takes the wall for flat. Where the ring bends, the image at the true edge is no
longer half way: blurring a disc of radius R moves its half level inwards by sigma squared over two
R, and a corner loses its tip. Here the ring itself is blurred, by quadrature along its own outline,
and moved until the half level of its blurred image lies where the edge was measured. Along the
shaft a wall is flat at the scale of the blur, so that the ring's plane is enough.
"""

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

#: Rounds of moving the ring: each leaves a third of what the one before left.
ROUNDS = 3
#: The outline is followed this many blurs to each side.
REACH_BLURS = 3.2
#: A move beyond this many blurs is no corner's: the outline is wrong there.
LARGEST_BLURS = 1.0
#: The half level is looked for so closely, in so many steps at most. [blurs, 1]
CLOSE_BLURS, MOST_STEPS = 1e-4, 20
_ROOT2 = math.sqrt(2.0)
_ROOT2PI = math.sqrt(2.0 * math.pi)


@njit(cache=True, nogil=True)
def _weigh(along, count, sigma, weights):  # type: ignore[no-untyped-def]  # compiled
    """Set each point's share of the blurred image over the tangent's foot."""
    total = 0.0
    for n in range(count):  # the points lie on the outline, chords between them do not
        step = 0.5 * (along[min(n + 1, count - 1)] - along[max(n - 1, 0)])
        weights[n] = step * math.exp(-0.5 * (along[n] / sigma) ** 2)
        total += weights[n]
    for n in range(count):
        weights[n] /= total


@njit(cache=True, nogil=True)
def _level_at(t, height, weights, count, sigma):  # type: ignore[no-untyped-def]  # compiled
    """Return the blurred indicator at `t` over the tangent, and its slope."""
    level = 0.0
    slope = 0.0
    for n in range(count):
        a = (height[n] - t) / sigma
        level += weights[n] * 0.5 * (1.0 + math.erf(a / _ROOT2))
        slope -= weights[n] * math.exp(-0.5 * a * a)
    return level, slope / (sigma * _ROOT2PI)


@njit(cache=True, nogil=True)
def _find_half_level(along, height, count, sigma, sigma_along, enhancement, width, weights):  # type: ignore[no-untyped-def]  # compiled
    """Return where the blurred indicator is one half: Newton's steps within two blurs."""
    _weigh(along, count, sigma_along, weights[0])
    if enhancement > 0.0:
        _weigh(along, count, width * sigma_along, weights[1])
    low, high = -2.0 * sigma, 2.0 * sigma
    t = 0.0
    for _ in range(MOST_STEPS):
        level, slope = _level_at(t, height, weights[0], count, sigma)
        if enhancement > 0.0:
            wide, wide_slope = _level_at(t, height, weights[1], count, width * sigma)
            level += enhancement * (level - wide)
            slope += enhancement * (slope - wide_slope)
        if level > 0.5:
            low = t
        else:
            high = t
        before = t
        t = before - (level - 0.5) / slope if slope < 0.0 else low
        if not low < t < high:
            t = 0.5 * (low + high)
        if abs(t - before) < CLOSE_BLURS * sigma:
            break
    return t


@njit(cache=True, nogil=True)
def _follow(ring_points, tangent, outward, ray, side, reach, along, height):  # type: ignore[no-untyped-def]  # compiled
    """Follow the outline from a ray to one side; return how many points lie within reach.

    It ends at an unknown point, and where the outline turns back: beyond, it is no function of
    the tangent.
    """
    m = ring_points.shape[0]
    count = 0
    last = 0.0
    for step in range(1, m // 3):
        at = (ray + side * step) % m
        x = 0.0
        h = 0.0
        for axis in range(3):
            offset = ring_points[at, axis] - ring_points[ray, axis]
            x += offset * tangent[axis]
            h += offset * outward[axis]
        if not side * x >= side * last:
            break
        along[count] = x
        height[count] = h
        count += 1
        last = x
        if side * x > reach:
            break
    return count


@njit(parallel=True, cache=True, nogil=True)
def _find_moves(rings, tangents, outwards, sigmas, sigmas_along, enhancement, width, moves):  # type: ignore[no-untyped-def]  # compiled
    n, m = rings.shape[0], rings.shape[1]
    for ring in prange(n):
        behind = np.empty((2, m))
        ahead = np.empty((2, m))
        along = np.empty(2 * m)
        height = np.empty(2 * m)
        weights = np.empty((2, 2 * m))
        for ray in range(m):
            sigma = sigmas[ring, ray]
            sigma_along = sigmas_along[ring, ray]
            reach = REACH_BLURS * sigma_along
            if enhancement > 0.0:
                reach *= width
            if not (math.isfinite(sigma) and math.isfinite(rings[ring, ray, 0])):
                continue
            tangent, outward = tangents[ring, ray], outwards[ring, ray]
            if not math.isfinite(tangent[0]):
                continue  # beside a gap the outline's direction is not known
            n_behind = _follow(rings[ring], tangent, outward, ray, -1, reach, behind[0], behind[1])
            n_ahead = _follow(rings[ring], tangent, outward, ray, 1, reach, ahead[0], ahead[1])
            if n_behind == 0 or n_ahead == 0:
                continue
            if behind[0, n_behind - 1] > -1.5 * sigma_along:
                continue
            if ahead[0, n_ahead - 1] < 1.5 * sigma_along:
                continue
            count = n_behind + 1 + n_ahead
            for k in range(n_behind):
                along[k] = behind[0, n_behind - 1 - k]
                height[k] = behind[1, n_behind - 1 - k]
            along[n_behind] = 0.0
            height[n_behind] = 0.0
            for k in range(n_ahead):
                along[n_behind + 1 + k] = ahead[0, k]
                height[n_behind + 1 + k] = ahead[1, k]
            moves[ring, ray] = _find_half_level(
                along, height, count, sigma, sigma_along, enhancement, width, weights
            )


def find_blur_moves(
    points_mm: NDArray[np.float64],
    outwards: NDArray[np.float64],
    blur_mm: NDArray[np.float64],
    kernel: tuple[float, float],
    axis_direction: NDArray[np.float64],
    along_mm: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Return by how much the half level of each blurred ring lies outside of the ring [mm].

    Parameters
    ----------
    points_mm : (n, m, 3) float array
        Rings of a surface. [mm]
    outwards : (n, m, 3) float array
        Unit vectors within the rings' planes, across the outline and away from its inside.
    blur_mm : (n, m) float array
        Blur within the plane, across the outline. [mm]
    kernel : (float, float)
        Edge enhancement and its width; see `canalmorph.segment.wall`.
    axis_direction : (3,) float array
        Perpendicular to the rings' planes.
    along_mm : (n, m) float array
        Blur along the outline. [mm]

    Returns
    -------
    (n, m) float array
        Negative where the outline is convex; NaN where the outline around is not known.
    """
    ahead = np.roll(points_mm, -1, axis=1) - np.roll(points_mm, 1, axis=1)
    tangents = np.cross(np.broadcast_to(axis_direction, outwards.shape), outwards)
    tangents *= np.sign((tangents * ahead).sum(-1))[..., None]
    moves = np.full(points_mm.shape[:2], np.nan)
    _find_moves(
        np.ascontiguousarray(points_mm),
        np.ascontiguousarray(tangents),
        np.ascontiguousarray(outwards),
        np.ascontiguousarray(blur_mm),
        np.ascontiguousarray(along_mm),
        float(kernel[0]),
        float(kernel[1]),
        moves,
    )
    return moves


def undo_blur(
    measured_mm: NDArray[np.float64],
    outwards: NDArray[np.float64],
    blur_mm: NDArray[np.float64],
    kernel: tuple[float, float],
    axis_direction: NDArray[np.float64],
    along_mm: NDArray[np.float64] | None = None,
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the rings whose blurred image has its half level at the measured ones.

    Parameters
    ----------
    measured_mm, outwards, blur_mm, kernel, axis_direction
        As in `find_blur_moves`.
    along_mm : (n, m) float array, optional
        Blur along the outline; left out, it is that across it. [mm]

    Returns
    -------
    points : (n, m, 3) float array
        [mm]
    shift : (n, m) float array
        How far outwards each point was moved; 0 where its surroundings are not known. [mm]
    """
    limit = LARGEST_BLURS * np.nan_to_num(blur_mm)
    shift = np.zeros(blur_mm.shape)
    for _ in range(ROUNDS):
        points = measured_mm + shift[..., None] * outwards
        moves = find_blur_moves(
            points,
            outwards,
            blur_mm,
            kernel,
            axis_direction,
            blur_mm if along_mm is None else along_mm,
        )
        shift = np.clip(np.nan_to_num(-moves), -limit, limit)
    return measured_mm + shift[..., None] * outwards, shift
