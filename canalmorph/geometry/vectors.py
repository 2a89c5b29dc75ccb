"""What compiled loops need so that the compiler makes vectors of them."""

import math

from numba import njit

#: Sums may be taken in any order: without this no sum over samples can be made in vectors. Nor can
#: a loop be that divides, unless a division by zero is left to the processor.
ANY_ORDER = {"reassoc", "contract", "nsz", "arcp"}


@njit(cache=True, nogil=True)
def pad(count):  # type: ignore[no-untyped-def]  # compiled
    """Return the next multiple of 16: what remains of a loop by vectors is as slow as they."""
    return (count + 15) // 16 * 16


@njit(cache=True, nogil=True, fastmath=ANY_ORDER)
def sum_products(a, b, count):  # type: ignore[no-untyped-def]  # compiled
    """Return the sum of the first `count` products."""
    total = 0.0
    for n in range(count):
        total += a[n] * b[n]
    return total


@njit(cache=True, nogil=True, fastmath=ANY_ORDER | {"nnan"})
def find_median(values, count):  # type: ignore[no-untyped-def]  # compiled
    """Return the median of the first `count` values, none of them NaN, by halving their range.

    Counting is done in vectors; numpy's selection, which cannot be, takes four times as long.
    """
    low = high = values[0]
    for n in range(1, count):
        low, high = min(low, values[n]), max(high, values[n])
    half = (count + 1) // 2
    at_most = count
    for _ in range(64):
        if at_most == half or not low < high:
            break
        middle = 0.5 * (low + high)
        found = 0
        for n in range(count):
            found += values[n] <= middle
        if found < half:
            low = middle
        else:
            high, at_most = middle, found
    below, above = -math.inf, math.inf
    for n in range(count):
        below = max(below, values[n] if values[n] <= high else -math.inf)
        above = min(above, values[n] if values[n] > high else math.inf)
    # Where more lie at or below, the range has shrunk to equal values: the median is among them.
    return 0.5 * (below + above) if count % 2 == 0 and at_most == half else below


@njit(cache=True, nogil=True)
def solve_positive(normal, damping, right, factor, solution):  # type: ignore[no-untyped-def]  # compiled
    """Solve a small positive system, given by its lower half; a singular one gives zeros.

    The diagonal is taken ``1 + damping`` times; `factor` is for its own use.
    """
    n = right.shape[0]
    for c in range(n):
        for r in range(c, n):
            f = normal[r, c]
            if r == c:
                f *= 1.0 + damping
            for k in range(c):
                f -= factor[r, k] * factor[c, k]
            if r > c:
                factor[r, c] = f / factor[c, c]
            elif f > 1e-13 * normal[c, c]:
                factor[c, c] = math.sqrt(f)
            else:
                solution[:n] = 0.0
                return
    for c in range(n):
        f = right[c]
        for k in range(c):
            f -= factor[c, k] * solution[k]
        solution[c] = f / factor[c, c]
    for c in range(n - 1, -1, -1):
        f = solution[c]
        for k in range(c + 1, n):
            f -= factor[k, c] * solution[k]
        solution[c] = f / factor[c, c]
