"""The second function of the stage: the left femur against the right one, number by number."""

from dataclasses import dataclass, replace

import numpy as np

from canalmorph.indices.compute import compute_indices
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.results import FemurResult, Measurement, SideDifference

#: Places in the scan are of no use to compare, and a bound is no number.
NOT_COMPARED = frozenset(
    {f"{point}_{axis}_mm" for point in ("lt", "head", "trochanter_tip") for axis in "xyz"}
    | {"cfi_ml_lower_bound"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Parts:
    """What a number errs alone, and, with its sign, what the scan-wide causes do to it."""

    own: float
    shared: float


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
    What one side's number errs alone is added in quadrature. What both share is what the scan-wide
    density, blur and kernel do: both surfaces of each femur are moved apart by the shared part of
    their uncertainty, the indices are computed anew, and the difference of the two effects is
    added. Where only one of the femora told its density and blur by itself, their errors have
    nothing in common, and both uncertainties are added in quadrature whole.
    """
    same = (right.profile.calibration.n_rays > 0) is (left.profile.calibration.n_rays > 0)
    parts = [_split_uncertainties(femur) if same else {} for femur in (right, left)]
    found = []
    for column in FEMUR_COLUMNS:
        if not column.measured or column.name in NOT_COMPARED:
            continue
        one, other = (femur.indices.values.get(column.name) for femur in (right, left))
        if one is None or other is None or not (one.known and other.known):
            continue
        u = _combine(
            *(
                part.get(column.name, _Parts(own=number.u or 0.0, shared=0.0))
                for part, number in zip(parts, (one, other), strict=True)
            )
        )
        found.append(
            SideDifference(
                column=column.name,
                unit=column.unit,
                right=one,
                left=other,
                difference=Measurement(value=(other.value or 0.0) - (one.value or 0.0), u=u),
            )
        )
    return tuple(found)


def _combine(one: _Parts, other: _Parts) -> float:
    """Return the standard uncertainty of a difference, in the unit of the number."""
    return float(np.sqrt(one.own**2 + other.own**2 + (one.shared - other.shared) ** 2))


def _split_uncertainties(femur: FemurResult) -> dict[str, _Parts]:
    """Return both parts of the uncertainty of each number, by column name."""
    profile = femur.profile
    if not profile.shared_uncertainties:
        return {}
    columns, own_us = dict(profile.columns), dict(profile.uncertainties)
    for name, found in profile.shared_uncertainties.items():
        shared = np.nan_to_num(found)
        outwards = -1.0 if name.startswith("canal_") else 1.0
        columns[name] = columns[name] + outwards * shared
        own_us[name] = np.sqrt(np.maximum(own_us[name] ** 2 - shared**2, 0.0))
    moved = compute_indices(replace(profile, columns=columns)).values
    alone = compute_indices(replace(profile, uncertainties=own_us)).values
    parts = {}
    for name, number in femur.indices.values.items():
        after, own = moved.get(name, Measurement()), alone.get(name, Measurement())
        if number.value is not None and after.value is not None and own.u is not None:
            parts[name] = _Parts(own=own.u, shared=after.value - number.value)
    return parts
