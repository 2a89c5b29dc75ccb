"""Measured beside true: one record a number, for everything that judges the tool.

Numbers of ``femurs.csv`` are compared as they stand, so that an error of the landmark's level is
part of theirs. Numbers of ``sections.csv`` are compared at the same place in the bone, because
their stated uncertainty is that of the edges alone.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import inf, isfinite, log, nan, sqrt

import numpy as np

from canalmorph.errors import CanalMorphError
from canalmorph.flags import Quality
from canalmorph.model.columns import FEMUR_COLUMNS, SECTION_MEASURES
from canalmorph.model.femur import AlignedFemur, Plane
from canalmorph.model.index_columns import PLANE_STEMS
from canalmorph.model.results import CanalProfile, CanalShape, FemurResult
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings, measure_scan
from canalmorph_cli.acceptance.truths import (
    KnownFemur,
    KnownSection,
    classify_truly,
    list_known_femora,
)
from canalmorph_phantoms.truth import ScanTruth

#: Whether a femur that is there was measured, and one that is not was not. [0 or 1]
FEMUR_MEASURED = "femur_measured"
#: Whether a flare index was given where only a bound is right; the truth is 0. [0 or 1]
CFI_OUT_OF_VIEW = "cfi_given_out_of_view"
#: Error of the lesser trochanter's level along the true axis; the truth is 0. [mm]
LT_LEVEL = "lt_level_mm"
#: Distance of the head's centre from the true one; the truth is 0. [mm]
HEAD_CENTRE = "head_centre_mm"
#: Radius of the bow over the true one; the truth is 1. [-]
BOW_SHARE = "bow_radius_share"
#: Full width at half maximum of the blur in plane, pixel included, interpolation not. [mm]
BLUR_WIDTH = "blur_in_plane_fwhm_mm"
#: Full width at half maximum over standard width, of a normal curve.
FWHM_FACTOR = 2 * sqrt(2 * log(2))
#: Sections less than this apart are neighbours between which is interpolated, as in the tables.
NEIGHBOUR_MM = 2.0
#: A joint space narrower than this may hide the head. [mm]
NARROWEST_JOINT_MM = 1.0
#: Parts of names of columns that are measured along a direction of the plane.
_DIRECTIONS = {"ml", "ap", "medial", "lateral", "anterior", "posterior"}
#: Units of the columns that only records have.
_OWN_UNITS = {
    FEMUR_MEASURED: "1",
    CFI_OUT_OF_VIEW: "1",
    LT_LEVEL: "mm",
    HEAD_CENTRE: "mm",
    BOW_SHARE: "1",
    BLUR_WIDTH: "mm",
}
_UNITS = {column.name: column.unit for column in (*FEMUR_COLUMNS, *SECTION_MEASURES)} | _OWN_UNITS


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanConditions:
    """What decides which promise holds for a scan.

    Attributes
    ----------
    slice_mm, noise_hu : float
        Distance between slices; standard deviation of the noise. [mm, HU]
    edge_enhancement : float
        Of the kernel; 0 for a kernel without.
    pixel_mm : float
        Distance between pixels; NaN where unknown. [mm]
    blur_in_plane_mm : float
        Standard width of the blur that was applied in plane, after averaging over the pixel; NaN
        where unknown. [mm]
    """

    slice_mm: float
    noise_hu: float = nan
    edge_enhancement: float = 0.0
    pixel_mm: float = nan
    blur_in_plane_mm: float = nan


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One number of the tool beside the truth.

    Attributes
    ----------
    scan, side, column : str
        Which scan, which femur, which column of ``femurs.csv`` or, where there is a level, of
        ``sections.csv``; or one of this module's own names.
    level_mm : float or None
        True height of the section over the lesser trochanter; None for a femur's number. [mm]
    true : float
        In the column's unit.
    measured, u : float or None
        The tool's number and its standard uncertainty; None where blank.
    wall_mm : float
        True thickness of the wall that the number rests on: of the quarter itself, else the
        thinnest of its section; NaN where the number rests on no section. [mm]
    joint_mm : float
        True width of the femur's joint space, as in `KnownFemur`. [mm]
    warnings, quality : tuple of str
        Codes of the femur; flags of the section.
    conditions : ScanConditions
        Of the scan.
    reason : str
        Why the number is blank, where that is known.
    """

    scan: str
    side: str
    column: str
    true: float
    measured: float | None
    conditions: ScanConditions
    level_mm: float | None = None
    u: float | None = None
    wall_mm: float = nan
    joint_mm: float = inf
    warnings: tuple[str, ...] = ()
    quality: tuple[str, ...] = ()
    reason: str = ""

    @property
    def unit(self) -> str:
        """Unit of the column, as in the registry of columns."""
        return _UNITS[self.column]

    @property
    def error(self) -> float | None:
        """Measured minus true, in the column's unit; None where blank."""
        return None if self.measured is None else self.measured - self.true

    @property
    def z(self) -> float | None:
        """Error over the stated standard uncertainty; None where either is missing."""
        return None if self.error is None or not self.u else self.error / self.u


def collect_records(
    name: str,
    volume: CtVolume,
    truth: ScanTruth,
    *,
    edge_enhancement: float = 0.0,
    settings: Settings | None = None,
) -> list[Record]:
    """Measure a phantom's scan and return a record for every number that has a truth.

    Parameters
    ----------
    name : str
        Of the scan, for the records.
    volume : CtVolume
        The scan.
    truth : ScanTruth
        Of all its femora.
    edge_enhancement : float
        Of the kernel that the phantom was made with.
    settings : Settings, optional
        The defaults where it is left out.

    Returns
    -------
    list of Record
        A femur or a scan that was refused has one record, `FEMUR_MEASURED`, whose reason is the
        refusal's code.
    """
    conditions = ScanConditions(
        slice_mm=float(volume.spacing_mm[0]),
        noise_hu=truth.noise_sd_hu,
        edge_enhancement=edge_enhancement,
        pixel_mm=float(volume.spacing_mm[1:].max()),
        blur_in_plane_mm=truth.blur_in_plane_mm,
    )
    return collect_known(
        name, volume, list_known_femora(truth), conditions=conditions, settings=settings
    )


def collect_known(
    name: str,
    volume: CtVolume,
    known: Iterable[KnownFemur],
    *,
    conditions: ScanConditions | None = None,
    settings: Settings | None = None,
) -> list[Record]:
    """Measure a scan whose truth was made elsewhere; as `collect_records` otherwise.

    Parameters
    ----------
    name, volume, settings
        As in `collect_records`.
    known : iterable of KnownFemur
        The truth of every femur in the scan.
    conditions : ScanConditions, optional
        By default the scan's slice distance, and nothing known of noise and kernel.
    """
    if conditions is None:
        conditions = ScanConditions(slice_mm=float(volume.spacing_mm[0]))
    known = tuple(known)
    try:
        found = measure_scan(volume, settings or Settings(), case_id=name)
    except CanalMorphError as error:
        return [_note_femur(name, one.side, conditions, 1.0, 0.0, error.code) for one in known]
    return compare_measurement(name, found, known, conditions=conditions)


def compare_measurement(
    name: str, found: ScanMeasurement, known: Iterable[KnownFemur], *, conditions: ScanConditions
) -> list[Record]:
    """Return the records of a scan that is already measured; as `collect_known` otherwise."""
    by_side = {one.side: one for one in known}
    results = {str(result.side): result for result in found.case.femora}
    aligned = {str(one.cortex.femur.side): one for one in found.aligned}
    refused = {str(refusal.side): refusal.code for refusal in found.case.refusals}
    records = [
        _note_femur(name, side, conditions, 0.0, 1.0, "no femur is there")
        for side in results.keys() - by_side.keys()
    ]
    for side, one in by_side.items():
        if side not in results:
            reason = refused.get(side, "not found")
            records.append(_note_femur(name, side, conditions, 1.0, 0.0, reason))
            continue
        records.append(_note_femur(name, side, conditions, 1.0, 1.0, ""))
        comparison = _Comparison(name, one, results[side], aligned[side], conditions)
        records += comparison.list_records()
    return records


def _note_femur(
    name: str, side: str, conditions: ScanConditions, true: float, measured: float, reason: str
) -> Record:
    return Record(
        scan=name,
        side=side,
        column=FEMUR_MEASURED,
        true=true,
        measured=measured,
        conditions=conditions,
        reason=reason,
    )


class _Comparison:
    """One measured femur beside its truth."""

    def __init__(
        self,
        name: str,
        known: KnownFemur,
        result: FemurResult,
        aligned: AlignedFemur,
        conditions: ScanConditions,
    ) -> None:
        self._name, self._known, self._result = name, known, result
        self._aligned, self._conditions = aligned, conditions
        # Where a fused joint hides the head there is no neck: the same columns are those of the
        # scanner's plane, and their truths are not. Any other femur must have the neck's plane.
        self._plane_is_other = (
            known.joint_mm < NARROWEST_JOINT_MM and result.profile.frame.plane is not Plane.NECK
        )

    def list_records(self) -> Iterator[Record]:
        yield from self._compare_columns()
        yield from self._compare_landmarks()
        yield from self._compare_blur()
        yield from self._compare_classes()
        for section in self._known.sections:
            yield from self._compare_section(section)

    def _compare_columns(self) -> Iterator[Record]:
        for column, true in self._known.values.items():
            if not isfinite(true) or (self._plane_is_other and hangs_on_plane(column)):
                continue
            measured = self._result.indices.values[column]
            yield self._record(
                column,
                true,
                measured.value,
                measured.u,
                wall_mm=self._known.wall_mm.get(column, nan),
                reason=self._result.indices.reasons.get(column, ""),
            )

    def _compare_landmarks(self) -> Iterator[Record]:
        known, trochanter = self._known, self._aligned.lesser_trochanter
        level = (trochanter.apex_lps_mm - np.array(known.lt_mm)) @ np.array(known.up)
        yield self._record(LT_LEVEL, 0.0, float(level), trochanter.level_u_mm)
        head = self._aligned.cortex.femur.head
        if head is not None:
            distance = float(np.linalg.norm(head.centre_lps_mm - np.array(known.head_mm)))
            given = distance if head.separated else None
            yield self._record(HEAD_CENTRE, 0.0, given, None, reason="not told from its socket")
        bow, true = self._result.indices.values["bow_radius_mm"].value, known.values
        if "bow_radius_mm" in true and isfinite(true["bow_radius_mm"]):
            share = None if bow is None else bow / true["bow_radius_mm"]
            yield self._record(BOW_SHARE, 1.0, share, None)

    def _compare_blur(self) -> Iterator[Record]:
        """Yield the width of the blur, where the scan itself told it and the kernel is plain."""
        scan, found = self._conditions, self._result.profile.calibration
        if not isfinite(scan.blur_in_plane_mm) or scan.edge_enhancement or found.n_rays == 0:
            return
        # A pixel's box has the variance p^2 / 12; linear interpolation adds p^2 / 6 on average.
        true = sqrt(scan.blur_in_plane_mm**2 + scan.pixel_mm**2 / 12)
        measured = sqrt(max(found.blur_in_plane_mm**2 - scan.pixel_mm**2 / 6, 0.0))
        share = found.blur_in_plane_mm / measured if measured else nan
        yield self._record(
            BLUR_WIDTH,
            FWHM_FACTOR * true,
            FWHM_FACTOR * measured,
            FWHM_FACTOR * share * found.blur_u_mm if measured else None,
        )

    def _compare_classes(self) -> Iterator[Record]:
        """Yield the probability of each shape beside 1 for the true one and 0 for the others."""
        cfi = self._result.indices.values["cfi_ml"].value
        if self._known.cfi_bound_only:
            yield self._record(CFI_OUT_OF_VIEW, 0.0, float(cfi is not None), None)
        true = None if self._plane_is_other else self._known.values.get("cfi_ml")
        chances = self._result.canal_type.shape_probabilities
        if true is None or not chances:
            return
        for shape in CanalShape:
            is_true = float(shape is classify_truly(true))
            yield self._record(f"p_{shape.value}", is_true, chances.get(shape, 0.0), None)

    def _compare_section(self, section: KnownSection) -> Iterator[Record]:
        profile = self._result.profile
        level_mm = float(profile.frame.lps_to_frame_mm(np.array(section.axis_point_mm))[2])
        nearest = int(np.argmin(np.abs(profile.levels_mm - level_mm)))
        flags = tuple(Quality(int(profile.quality[nearest])).names())
        thinnest = section.values.get("cortex_min_mm", nan)
        for column, true in section.values.items():
            if self._plane_is_other and hangs_on_plane(column):
                continue
            value, u = _interpolate(profile, column, level_mm)
            wall = true if column.startswith("cortex_") else thinnest
            yield self._record(
                column, true, value, u, level_mm=section.level_mm, wall_mm=wall, quality=flags
            )

    def _record(
        self,
        column: str,
        true: float,
        measured: float | None,
        u: float | None,
        *,
        level_mm: float | None = None,
        wall_mm: float = nan,
        quality: tuple[str, ...] = (),
        reason: str = "",
    ) -> Record:
        return Record(
            scan=self._name,
            side=self._known.side,
            column=column,
            true=true,
            measured=measured,
            u=u,
            level_mm=level_mm,
            wall_mm=wall_mm,
            joint_mm=self._known.joint_mm,
            warnings=self._result.warnings,
            quality=quality,
            conditions=self._conditions,
            reason=reason,
        )


def hangs_on_plane(column: str) -> bool:
    """Return whether a column's truth is that of the neck's plane.

    Examples
    --------
    >>> [hangs_on_plane(name) for name in ("cfi_ml", "canal_ap_lt_mm", "canal_inscribed_mm")]
    [True, True, False]
    >>> [hangs_on_plane(name) for name in ("cortex_medial_mm", "isthmus_level_mm", "lt_x_mm")]
    [True, True, False]
    """
    return column in PLANE_STEMS or not _DIRECTIONS.isdisjoint(column.split("_"))


def _interpolate(
    profile: CanalProfile, column: str, level_mm: float
) -> tuple[float | None, float | None]:
    """Return a section's number between neighbours, and the larger of their uncertainties."""
    levels = profile.levels_mm
    known = np.isfinite(profile.columns[column])
    above = np.flatnonzero(known & (levels >= level_mm) & (levels < level_mm + NEIGHBOUR_MM))
    below = np.flatnonzero(known & (levels <= level_mm) & (levels > level_mm - NEIGHBOUR_MM))
    if above.size == 0 or below.size == 0:
        return None, None
    high = int(above[np.argmin(levels[above])])
    low = int(below[np.argmax(levels[below])])
    values, us = profile.columns[column], profile.uncertainties[column]
    span = levels[high] - levels[low]
    share = 0.0 if span == 0 else (level_mm - levels[low]) / span
    value = values[low] + share * (values[high] - values[low])
    return float(value), float(max(us[low], us[high]))
