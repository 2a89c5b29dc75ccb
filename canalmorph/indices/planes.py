"""Indices in further planes, what rotation does to the flare index, and the isthmus's height."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from math import hypot

from canalmorph.model.index_columns import PLANE_MEANINGS, PLANE_STEMS, name_in_plane
from canalmorph.model.results import CanalProfile, Measurement
from canalmorph.published import FLUTE_ABOVE, STOVEPIPE_BELOW

#: Column of the largest change of the flare index by a rotation of 10 degrees either way.
ROTATION_CHANGE = "cfi_ml_rotation_10_deg_change"
#: Warning where such a rotation would change the class.
CLASS_TURNS = "canal_shape_depends_on_rotation"

_Compute = Callable[[CanalProfile], Mapping[str, Measurement]]


def turn_profile(profile: CanalProfile, name: str) -> CanalProfile | None:
    """Return the profile with the widths of another plane, or None where it is not known."""
    turned = profile.turned.get(name)
    if turned is None:
        return None
    return replace(
        profile,
        columns={**profile.columns, **turned.columns},
        uncertainties={**profile.uncertainties, **turned.uncertainties},
    )


def compute_planes(profile: CanalProfile, compute: _Compute) -> dict[str, Measurement]:
    """Return the columns of the condylar and the scanner's plane.

    Parameters
    ----------
    profile : CanalProfile
        With the widths of the same sections in other planes.
    compute : callable
        From a profile to widths, isthmus and indices by column name: the same for each plane.
    """
    columns: dict[str, Measurement] = {}
    for plane in PLANE_MEANINGS:
        turned = turn_profile(profile, plane)
        if turned is None:
            continue
        found = compute(turned)
        columns |= {
            name_in_plane(stem, plane): found[stem]
            for stem in PLANE_STEMS
            if stem in found and found[stem].known
        }
    return columns


def compute_rotation(
    profile: CanalProfile, here: Measurement, compute: _Compute
) -> tuple[Measurement, tuple[str, ...]]:
    """Return the size of the flare index's largest change over 10 degrees, and warnings.

    Both planes share most of the edges' error; what is left is taken as that of one of them.
    """
    if here.value is None:
        return Measurement(), ()
    changes: list[tuple[float, float]] = []
    classes = {_find_class(here.value)}
    for name in ("plus_10", "minus_10"):
        turned = turn_profile(profile, name)
        there = Measurement() if turned is None else compute(turned).get("cfi_ml", Measurement())
        if there.value is None:
            return Measurement(), ()
        u = hypot(here.u or 0.0, there.u or 0.0) / 2**0.5
        changes.append((there.value - here.value, u))
        classes.add(_find_class(there.value))
    # Both ways are often equal and opposite: which is larger, and so a sign, would be chance.
    change, u = max(changes, key=lambda pair: abs(pair[0]))
    return Measurement(value=abs(change), u=u), (CLASS_TURNS,) if len(classes) > 1 else ()


def compute_isthmus_height(profile: CanalProfile, isthmus: Measurement | None) -> Measurement:
    """Return the isthmus's height over the condyles as a share of the femur's length."""
    length = profile.facts.get("femur_length_mm", Measurement())
    if isthmus is None or isthmus.value is None or length.value is None or profile.head is None:
        return Measurement()
    centre = profile.frame.lps_to_frame_mm(profile.head.centre_lps_mm)
    lowest = float(centre[2]) + profile.head.radius_mm - length.value
    share = (isthmus.value - lowest) / length.value
    u = hypot(isthmus.u or 0.0, (length.u or 0.0) * (1.0 - share)) / length.value
    return Measurement(value=share, u=u)


def explain_planes(
    values: Mapping[str, Measurement], reasons: Mapping[str, str], blanks: Mapping[str, str]
) -> dict[str, str]:
    """Return why columns of further planes are blank, by name."""
    found = {}
    for plane in PLANE_MEANINGS:
        for stem in PLANE_STEMS:
            name = name_in_plane(stem, plane)
            if not values[name].known:
                absent = blanks.get("condyles") if plane == "condylar" else None
                found[name] = absent or reasons.get(
                    stem, "A jaw of the caliper rests beside a gap of the outline in this plane."
                )
    if not values[ROTATION_CHANGE].known:
        found[ROTATION_CHANGE] = reasons.get(
            "cfi_ml", "The flare index is not known in both turned planes."
        )
    if not values["isthmus_height_share"].known:
        found["isthmus_height_share"] = blanks.get("femur_length_mm") or reasons.get(
            "isthmus_level_mm", "The isthmus or the femur's length is not known."
        )
    return found


def _find_class(index: float) -> int:
    return int(index >= STOVEPIPE_BELOW) + int(index > FLUTE_ABOVE)
