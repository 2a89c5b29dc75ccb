"""How surely a measurement lies on one side of a bound, said in one way everywhere."""

from math import erfc, floor, isfinite, log10, sqrt
from statistics import NormalDist

from canalmorph.model.results import Measurement

#: A class or a side of a bound that is less probable than this is undecided. Our own rule.
SURE_FROM = 0.8
#: A flare index this near to its bound will not be told from it by any scan: its uncertainty in the
#: best scans of the phantom catalogue.
BEST_FLARE_U = 0.02
#: A number whose standard uncertainty is a larger share of it is blank: its 95 % interval would
#: reach a quarter of it to each side (half of it for a wall). Our own rule.
LARGEST_SHARE, LARGEST_WALL_SHARE = 0.125, 0.25
#: The same for ratios between 0 and 1 that are read by their difference: 95 % within 0.12.
LARGEST_FRACTION_U = 0.06
_FRACTIONS = ("cti_", "cbr_", "cortical_area_fraction_")
_LENGTHS = (
    "canal_",
    "outer_",
    "isthmus_canal_",
    "isthmus_outer_",
    "cfi_",
    "mcfi_",
    "dcfi_",
    "mci_",
)


def get_chance_below(measurement: Measurement, bound: float) -> float:
    """Return the probability that the true value lies below `bound`, from a normal error.

    Parameters
    ----------
    measurement : Measurement
        Known, with its standard uncertainty; an uncertainty of zero makes a step, and a value
        exactly on the bound counts half.
    bound : float
        In the unit of the measurement.

    Returns
    -------
    float
        0 to 1. [dimensionless]

    Raises
    ------
    ValueError
        If the value is unknown or not finite, or its uncertainty is absent or negative.

    Examples
    --------
    >>> round(get_chance_below(Measurement(value=3.0, u=0.1), 3.1), 4)
    0.8413
    >>> get_chance_below(Measurement(value=3.0, u=0.0), 3.0)
    0.5
    """
    value, u = measurement.value, measurement.u
    if value is None or u is None or not isfinite(value) or not isfinite(u) or u < 0:
        raise ValueError(
            "'measurement' must have a finite value and a finite uncertainty of at least 0, "
            f"got value {value} and u {u}."
        )
    distance = bound - value
    if u == 0:
        return 0.5 if distance == 0 else float(distance > 0)
    return 0.5 * erfc(-distance / (u * sqrt(2)))


def is_open(measurement: Measurement, bound: float) -> bool:
    """Return whether a number lies on neither side of a bound surely enough.

    Examples
    --------
    >>> is_open(Measurement(value=3.05, u=0.1), 3), is_open(Measurement(value=3.1, u=0.1), 3)
    (True, False)
    """
    chance = get_chance_below(measurement, bound)
    return max(chance, 1 - chance) < SURE_FROM


def describe_needed_flare(index: Measurement, bound: float) -> str:
    """Return how well a flare index at a bound would have to be known, and how that is had.

    Parameters
    ----------
    index : Measurement
        Known, with its standard uncertainty.
    bound : float
        Between two canal shapes. [dimensionless]

    Examples
    --------
    >>> describe_needed_flare(Measurement(value=3.05, u=0.1), 3)
    'the flare index 3.05 ± 0.10 lies at the bound 3; known to ± 0.06 or better it would lie on \
one side with 80 %: thinner slices or less noise.'
    """
    if index.value is None or index.u is None:
        raise ValueError("'index' must be known.")
    needed = abs(index.value - bound) / NormalDist().inv_cdf(SURE_FROM)
    words = write_with_u(index.value, index.u, most=3)
    start = f"the flare index {words} lies at the bound {bound:g}"
    if needed < BEST_FLARE_U:
        return f"{start}, so near that no scan would tell the two shapes apart."
    return (
        f"{start}; known to ± {needed:.2f} or better it would lie on one side with "
        f"{100 * SURE_FROM:.0f} %: thinner slices or less noise."
    )


def is_too_uncertain(column: str, value: float, u: float) -> bool:
    """Return whether a number is known so badly that it must not be given.

    Parameters
    ----------
    column : str
        Its name; widths, areas, walls and indices have a limit, places and angles none.
    value, u : float
        The number and its standard uncertainty, in its unit.

    Examples
    --------
    >>> is_too_uncertain("canal_ml_mm", 12.0, 0.2), is_too_uncertain("canal_ml_mm", 12.0, 2.0)
    (False, True)
    >>> is_too_uncertain("cortex_medial_mm", 0.5, 0.1), is_too_uncertain("lt_x_mm", 0.5, 0.3)
    (False, False)
    """
    if column.endswith("_change"):
        return False  # a difference near 0 is known well
    if column.startswith("cortex_") and column.endswith("_mm"):
        return u > LARGEST_WALL_SHARE * value
    if column.startswith(_FRACTIONS):
        return u > LARGEST_FRACTION_U
    return column.startswith(_LENGTHS) and u > LARGEST_SHARE * value


def count_decimals(u: float, *, most: int) -> int:
    """Return with how many decimals a value with this uncertainty is written.

    Parameters
    ----------
    u : float
        Standard uncertainty, in the unit of the value.
    most : int
        Never more than this.

    Returns
    -------
    int
        As many as show two digits of an uncertainty that begins with 1 or 2, else one digit.

    Examples
    --------
    >>> [count_decimals(u, most=3) for u in (0.06, 0.12, 0.008, 1.7, 25.0, 0.0)]
    [2, 2, 3, 1, 0, 3]
    """
    if not u > 0:
        return most
    power = floor(log10(u))
    digits = 2 if u / 10**power < 3 else 1
    return max(0, min(most, digits - 1 - power))


def write_with_u(value: float, u: float, *, most: int) -> str:
    """Return a value and its standard uncertainty, with as many decimals as `count_decimals` says.

    Examples
    --------
    >>> write_with_u(3.456, 0.123, most=3), write_with_u(-0.001, 0.2, most=2)
    ('3.46 ± 0.12', '0.00 ± 0.20')
    >>> write_with_u(0.9054, 0.0003, most=3)  # an uncertainty is never said to be 0
    '0.905 ± 0.001'
    """
    decimals = count_decimals(u, most=most)
    shown = round(value, decimals) + 0.0  # a rounded minus zero is zero
    stated = max(u, 10.0**-decimals) if u > 0 else u
    return f"{shown:.{decimals}f} ± {stated:.{decimals}f}"
