"""The second function of the stage: the left femur against the right one, number by number."""

from dataclasses import replace

import numpy as np

from canalmorph.indices.compute import compute_indices
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.results import FemurResult, Measurement, SideDifference

#: Places in the scan are of no use to compare, and a bound is no number.
NOT_COMPARED = frozenset(
    {f"{point}_{axis}_mm" for point in ("lt", "head") for axis in "xyz"} | {"cfi_ml_lower_bound"}
)


def compare_sides(right: FemurResult, left: FemurResult) -> tuple[SideDifference, ...]:
    """Return left less right of every measured column that both femora have.

    Parameters
    ----------
    right, left : FemurResult
        Of one scan. What their uncertainties share is taken off only where their profiles still
        carry `shared_uncertainties`.

    Returns
    -------
    tuple of SideDifference
        In the order of the registry of columns.

    Notes
    -----
    The variance of a difference is the sum of both less twice what they share. Shared is what the
    scan-wide density, blur and kernel do to a number: both surfaces of each femur are moved apart
    by the shared part of their uncertainty, and the indices are computed anew. It is taken off
    only where both femora were calibrated in the same way; where one was and the other was not,
    their errors have nothing in common.
    """
    same = (right.profile.calibration.n_rays > 0) is (left.profile.calibration.n_rays > 0)
    effects = [_find_shared_effects(femur) if same else {} for femur in (right, left)]
    found = []
    for column in FEMUR_COLUMNS:
        if not column.measured or column.name in NOT_COMPARED:
            continue
        one, other = (femur.indices.values.get(column.name) for femur in (right, left))
        if one is None or other is None or not (one.known and other.known):
            continue
        together = [effect.get(column.name, 0.0) for effect in effects]
        found.append(
            SideDifference(
                column=column.name,
                unit=column.unit,
                right=one,
                left=other,
                difference=subtract(other, one, shared=(together[1], together[0])),
            )
        )
    return tuple(found)


def subtract(
    first: Measurement, second: Measurement, *, shared: tuple[float, float] = (0.0, 0.0)
) -> Measurement:
    """Return the first number less the second.

    Parameters
    ----------
    first, second : Measurement
        Both known.
    shared : tuple of float
        What one common cause, at one standard uncertainty, does to each of them.

    Raises
    ------
    ValueError
        If a number is unknown.

    Examples
    --------
    >>> subtract(Measurement(value=5.0, u=0.3), Measurement(value=3.0, u=0.4))
    Measurement(value=2.0, u=0.5)
    """
    if first.value is None or second.value is None or first.u is None or second.u is None:
        raise ValueError(f"'first' and 'second' must be known, got {first} and {second}.")
    # No cause can do more to a number than its uncertainty says.
    a, b = (
        float(np.clip(effect, -u, u)) for effect, u in zip(shared, (first.u, second.u), strict=True)
    )
    own = first.u**2 - a**2 + second.u**2 - b**2
    return Measurement(
        value=first.value - second.value, u=float(np.sqrt(max(own, 0.0) + (a - b) ** 2))
    )


def _find_shared_effects(femur: FemurResult) -> dict[str, float]:
    """Return what moving both surfaces apart by their shared uncertainty does to each number."""
    profile = femur.profile
    if not profile.shared_uncertainties:
        return {}
    columns = dict(profile.columns)
    for name, shared in profile.shared_uncertainties.items():
        outwards = -1.0 if name.startswith("canal_") else 1.0
        columns[name] = columns[name] + outwards * np.nan_to_num(shared)
    moved = compute_indices(replace(profile, columns=columns)).values
    effects = {}
    for name, value in femur.indices.values.items():
        after = moved.get(name, Measurement())
        if value.value is not None and after.value is not None:
            effects[name] = after.value - value.value
    return effects
