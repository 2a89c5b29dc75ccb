"""The stage: every measured column of a femur, its uncertainty, and why it is blank."""

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from canalmorph.indices.gap_reasons import explain_gap
from canalmorph.indices.isthmus import Narrowest, find_narrowest
from canalmorph.indices.planes import (
    ROTATION_CHANGE,
    compute_isthmus_height,
    compute_planes,
    compute_rotation,
    explain_planes,
)
from canalmorph.indices.plausible import find_unusual
from canalmorph.indices.proximal_reasons import NO_SHAFT, explain_proximal
from canalmorph.indices.widths import Width, find_width
from canalmorph.model.certainty import is_too_uncertain
from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.results import CanalIndices, CanalProfile, Measurement
from canalmorph.model.shaft import ISTHMUS_BELOW_MM
from canalmorph.published import (
    CORTICAL_INDEX_LEVEL_MM,
    FLARE_LEVEL_MM,
    METAPHYSEAL_LEVEL_MM,
    MORPHOLOGICAL_LEVEL_MM,
)

#: Level of the proximal width of the second canal-to-calcar ratio. [mm above the trochanter]
CALCAR_LEVEL_MM = -30.0
#: Why a number of a femur with metal is blank, where nothing else explains it.
NEAR_METAL = (
    "Metal lies within 20 mm of the section or the sections that it needs, or the bone's outline "
    "could not be followed all around there."
)
#: The same for a canal that is filled.
FILLED = (
    "The canal holds something nearly as dense as cortex, like cement, at a level that it needs, "
    "or the bone's outline could not be followed all around there."
)
#: Why there is no density of cancellous bone.
CANCELLOUS_REASONS = {
    "cancellous_neck_hu": "No neck was found, or what lies clear of its cortex is too small, too "
    "near metal, or not all in the scan.",
    "cancellous_metaphysis_hu": "The canal from LT+10 to LT+20 could not be followed all around, "
    "or what lies clear of the cortex is too small, too near metal, or not all in the scan.",
}


def compute_indices(profile: CanalProfile) -> CanalIndices:
    """Return all measured columns of one femur.

    Uncertainties are propagated to first order from edges and from the level of the lesser
    trochanter; what two widths share of the level's error is kept together in their ratio.

    Parameters
    ----------
    profile : CanalProfile
        Sections and facts.

    Returns
    -------
    CanalIndices
        A column that cannot be had is blank, and `reasons` says why.
    """
    values: dict[str, Measurement] = {**profile.facts, **_compute_in_plane(profile)}
    values |= _volume(profile, values)
    values |= compute_planes(profile, _compute_in_plane)
    values[ROTATION_CHANGE], warnings = compute_rotation(
        profile, values.get("cfi_ml", Measurement()), _compute_in_plane
    )
    values["isthmus_height_share"] = compute_isthmus_height(profile, values.get("isthmus_level_mm"))
    hidden = {name for name, value in values.items() if _must_be_blank(name, value)}
    complete = {
        column.name: Measurement()
        if column.name in hidden
        else values.get(column.name, Measurement())
        for column in FEMUR_COLUMNS
        if column.measured
    }
    reasons = _find_reasons(profile, complete)
    for name in hidden:
        reasons[name] = (
            f"Its uncertainty of {values[name].u:.2g} is too large a share of "
            f"{values[name].value:.3g}."
        )
    return CanalIndices(
        values=complete, reasons=reasons, warnings=(*warnings, *find_unusual(complete))
    )


def _compute_in_plane(profile: CanalProfile) -> dict[str, Measurement]:
    """Return widths at named levels, the isthmus and the indices in a profile's plane."""
    widths = _named_widths(profile)
    values = {name: width.state(profile.level_u_mm) for name, width in widths.items()}
    isthmus = _find_isthmus(profile)
    if isthmus is not None:
        beside = _measure_isthmus(profile, isthmus)
        values |= _isthmus_columns(profile, isthmus, beside)
        widths |= beside
    elif (bound := _narrowest_in_view(profile)) is not None:
        widths["narrowest_in_view"] = bound
    return values | _indices(profile, widths, isthmus)


def _must_be_blank(name: str, found: Measurement) -> bool:
    """Whether a number is known too badly to be given."""
    if found.value is None or found.u is None:
        return False
    return is_too_uncertain(name, found.value, found.u)


def _named_widths(profile: CanalProfile) -> dict[str, Width]:
    """Return the widths at the named levels, by femur column name."""
    widths = {}
    for outline in ("canal", "outer"):
        for axis in ("ml", "ap"):
            for level_name, level in NAMED_LEVELS_MM.items():
                width = find_width(profile, f"{outline}_{axis}_mm", level)
                if width is not None:
                    widths[f"{outline}_{axis}_{level_name}_mm"] = width
    for wall in ("anterior", "posterior"):
        column = f"cortex_{wall}_mm"
        thickness = (
            find_width(profile, column, CORTICAL_INDEX_LEVEL_MM)
            if column in profile.columns
            else None
        )
        if thickness is not None:
            widths[f"cortex_{wall}_lt_minus100_mm"] = thickness
    return widths


def _find_isthmus(profile: CanalProfile) -> Narrowest | None:
    """Return the narrowest ML width, or the width where a person set it; None if out of view."""
    if not profile.isthmus_in_view:
        return None
    return find_narrowest(
        profile.levels_mm,
        profile.columns["canal_ml_mm"],
        profile.uncertainties["canal_ml_mm"],
        profile.marked_isthmus_mm,
    )


def _measure_isthmus(profile: CanalProfile, isthmus: Narrowest) -> dict[str, Width]:
    """Return the widths at the isthmus, which stays where it is when the trochanter's level errs.

    What its own level leaves uncertain is in their uncertainty of edges.
    """
    widths = {"isthmus_canal_ml_mm": Width(isthmus.width_mm, isthmus.width_u_mm, 0.0)}
    for name, column in (
        ("isthmus_canal_ap_mm", "canal_ap_mm"),
        ("isthmus_outer_ml_mm", "outer_ml_mm"),
        ("isthmus_outer_ap_mm", "outer_ap_mm"),
    ):
        width = find_width(profile, column, isthmus.level_mm)
        if width is not None:
            u = float(np.hypot(width.u_edge, width.slope * isthmus.level_u_mm))
            widths[name] = Width(width.value, u, 0.0)
    return widths


def _isthmus_columns(
    profile: CanalProfile, isthmus: Narrowest, widths: Mapping[str, Width]
) -> dict[str, Measurement]:
    """Return the columns of the isthmus, and of the largest circle's narrowest place."""
    columns = {
        name: Measurement(value=width.value, u=width.u_edge) for name, width in widths.items()
    }
    columns["isthmus_level_mm"] = Measurement(
        value=isthmus.level_mm, u=float(np.hypot(isthmus.level_u_mm, profile.level_u_mm))
    )
    inscribed = find_narrowest(
        profile.levels_mm,
        profile.columns["canal_inscribed_mm"],
        profile.uncertainties["canal_inscribed_mm"],
    )
    if inscribed is not None:
        columns["isthmus_canal_inscribed_mm"] = Measurement(
            value=inscribed.width_mm, u=inscribed.width_u_mm
        )
        columns["isthmus_inscribed_level_mm"] = Measurement(
            value=inscribed.level_mm, u=float(np.hypot(inscribed.level_u_mm, profile.level_u_mm))
        )
    return columns


def _narrowest_in_view(profile: CanalProfile) -> Width | None:
    """Return the smallest canal width measured below LT-40: the isthmus is no wider than that."""
    widths = np.where(profile.levels_mm <= ISTHMUS_BELOW_MM, profile.columns["canal_ml_mm"], np.nan)
    if not np.isfinite(widths).any():
        return None
    row = int(np.nanargmin(widths))
    return Width(float(widths[row]), float(profile.uncertainties["canal_ml_mm"][row]), 0.0)


def _ratio(top: Width | None, bottom: Width | None, level_u_mm: float) -> Measurement:
    """Return a ratio; the level's error moves both widths together."""
    if top is None or bottom is None:
        return Measurement()
    value = top.value / bottom.value
    edges = value * float(np.hypot(top.u_edge / top.value, bottom.u_edge / bottom.value))
    level = value * (top.slope / top.value - bottom.slope / bottom.value) * level_u_mm
    return Measurement(value=value, u=float(np.hypot(edges, level)))


def _share(outer: Width | None, canal: Width | None, level_u_mm: float) -> Measurement:
    """Return (outer - canal) / outer."""
    ratio = _ratio(canal, outer, level_u_mm)
    return Measurement() if ratio.value is None else Measurement(value=1 - ratio.value, u=ratio.u)


def _level_name(level_mm: float) -> str:
    return next(name for name, level in NAMED_LEVELS_MM.items() if level == level_mm)


def _indices(
    profile: CanalProfile, widths: Mapping[str, Width], narrowest: Narrowest | None
) -> dict[str, Measurement]:
    """Return the ratios that are known, each by the definition in the registry of columns."""
    u = profile.level_u_mm

    def at(outline: str, axis: str, level_mm: float) -> Width | None:
        return widths.get(f"{outline}_{axis}_{_level_name(level_mm)}_mm")

    isthmus = widths.get("isthmus_canal_ml_mm")
    flare = at("canal", "ml", FLARE_LEVEL_MM)
    low = at("canal", "ml", METAPHYSEAL_LEVEL_MM)
    index_level = CORTICAL_INDEX_LEVEL_MM
    canal_index = at("canal", "ml", index_level)
    outer_index = at("outer", "ml", index_level)
    found = {
        "cfi_ml": _ratio(flare, isthmus, u),
        "cfi_ml_lower_bound": _ratio(flare, widths.get("narrowest_in_view"), u),
        "cfi_ap": _ratio(at("canal", "ap", FLARE_LEVEL_MM), widths.get("isthmus_canal_ap_mm"), u),
        "mcfi_ml": _ratio(flare, low, u),
        "dcfi_ml": _ratio(low, isthmus, u),
        "cti_ml_lt_minus100": _share(outer_index, canal_index, u),
        "cti_ap_lt_minus100": _share(
            at("outer", "ap", index_level), at("canal", "ap", index_level), u
        ),
        "cti_ml_isthmus": _share(widths.get("isthmus_outer_ml_mm"), isthmus, u),
        "cbr_ml_lt_minus100": _ratio(canal_index, outer_index, u),
        "canal_ratio_isthmus_over_lt_ml": _ratio(isthmus, at("canal", "ml", 0.0), u),
        "canal_ratio_lt_minus100_over_lt_minus30_ml": _ratio(
            canal_index, at("canal", "ml", CALCAR_LEVEL_MM), u
        ),
        "wall_ratio_posterior_over_anterior_lt_minus100": _ratio(
            widths.get("cortex_posterior_lt_minus100_mm"),
            widths.get("cortex_anterior_lt_minus100_mm"),
            u,
        ),
        "mci_ml": _ratio(at("outer", "ml", 0.0), at("canal", "ml", MORPHOLOGICAL_LEVEL_MM), u),
    }
    if narrowest is not None:
        found["cortical_area_fraction_isthmus"] = _share(
            find_width(profile, "outer_area_mm2", narrowest.level_mm),
            find_width(profile, "canal_area_mm2", narrowest.level_mm),
            narrowest.level_u_mm,
        )
    return {name: value for name, value in found.items() if value.known}


def _volume(profile: CanalProfile, values: dict[str, Measurement]) -> dict[str, Measurement]:
    """Return the canal's volume from the lesser trochanter to the isthmus (trapezium rule)."""
    isthmus = values.get("isthmus_level_mm")
    if isthmus is None or isthmus.value is None:
        return {}
    levels, areas = profile.levels_mm[::-1], profile.columns["canal_area_mm2"][::-1]
    inside = (levels >= isthmus.value) & (levels <= 0.0)
    if inside.sum() < 10 or not np.isfinite(areas[inside]).all():
        return {}
    volume, first, last = _integrate(levels[inside], areas[inside], isthmus.value)
    us = profile.uncertainties["canal_area_mm2"][::-1][inside]
    u_ends = float(np.hypot(first * (isthmus.u or 0.0), last * profile.level_u_mm))
    u_areas = float(us.mean()) * (0.0 - isthmus.value)
    return {
        "canal_volume_lt_isthmus_mm3": Measurement(
            value=volume, u=float(np.hypot(u_ends, 0.5 * u_areas))
        )
    }


def _integrate(
    levels: NDArray[np.float64], areas: NDArray[np.float64], start_mm: float
) -> tuple[float, float, float]:
    """Return the integral from `start_mm` to level 0, and the areas at both ends."""
    first = float(np.interp(start_mm, levels, areas))
    grid = np.concatenate([[start_mm], levels[levels > start_mm]])
    heights = np.concatenate([[first], areas[levels > start_mm]])
    return float(np.trapezoid(heights, grid)), first, float(areas[-1])


def _find_reasons(profile: CanalProfile, values: dict[str, Measurement]) -> dict[str, str]:
    """Return why each blank column is blank, in a plain sentence."""
    lowest = float(profile.levels_mm.min())
    reasons = {}
    for name, value in values.items():
        if value.known or (name == "cfi_ml_lower_bound" and values["isthmus_canal_ml_mm"].known):
            continue
        level = next(
            (height for key, height in NAMED_LEVELS_MM.items() if name.endswith(f"_{key}_mm")), None
        )
        gap = explain_gap(profile, name, needs_isthmus=_needs_isthmus(name))
        proximal = explain_proximal(profile, name)
        if proximal is not None:
            reasons[name] = proximal
        elif "shaft_not_in_view" in profile.warnings:
            reasons[name] = NO_SHAFT
        elif name == "cfi_ml_lower_bound":
            reasons[name] = "The canal's width at LT+20 or below LT-40 could not be measured."
        elif level is not None and level < lowest:
            reasons[name] = (
                f"The scan shows the shaft down to {lowest:.0f} mm from the lesser trochanter; "
                f"{level:.0f} mm is needed."
            )
        elif "metal" in profile.warnings and _needs_isthmus(name):
            reasons[name] = NEAR_METAL
        elif gap is not None:
            reasons[name] = gap
        elif not profile.isthmus_in_view and _needs_isthmus(name):
            reasons[name] = (
                "The isthmus lies below the part of the shaft that the scan shows, or too near "
                "its end to be told."
            )
        elif "minus100" in name and lowest > -100.0:
            reasons[name] = (
                f"The scan shows the shaft down to {lowest:.0f} mm from the lesser trochanter; "
                "-100 mm is needed."
            )
        elif name == "mci_ml" and lowest > MORPHOLOGICAL_LEVEL_MM:
            reasons[name] = "The level LT-70 is not in view."
        elif name in CANCELLOUS_REASONS:
            reasons[name] = CANCELLOUS_REASONS[name]
        elif name == "cortex_hu":
            reasons[name] = "No wall of the shaft is thick enough to read the density of cortex."
        elif "metal" in profile.warnings:
            reasons[name] = NEAR_METAL
        elif "canal_filled" in profile.warnings:
            reasons[name] = FILLED
        else:
            reasons[name] = "The bone's outline could not be followed all around at its level."
    told = {name: reason for name, reason in profile.blanks.items() if name in reasons}
    return reasons | told | explain_planes(values, reasons, profile.blanks)


def _needs_isthmus(name: str) -> bool:
    return "isthmus" in name or name in {"cfi_ml", "cfi_ap", "dcfi_ml"}
