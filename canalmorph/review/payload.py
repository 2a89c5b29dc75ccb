"""A case as the page's script reads it: plain data in the frames that the case has now."""

from base64 import b64encode
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.batch.reviews import ReviewEntry
from canalmorph.flags import Quality
from canalmorph.geometry.lines import normalise
from canalmorph.model.codes import describe_warning
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.corrections import Correction, CorrectionKind
from canalmorph.model.femur import AlignedFemur, FemurFrame, Plane, Side
from canalmorph.model.results import CaseResult, FemurResult, Measurement
from canalmorph.model.review_words import KIND_WORDS, describe_mark, describe_review
from canalmorph.report.cuts import READINGS
from canalmorph.report.drawing import get_lateral_sign, get_view_sign
from canalmorph.report.listing import name_column
from canalmorph.report.numbers import format_level, format_measurement
from canalmorph.report.outlines import find_edges, find_section, find_view
from canalmorph.report.projection import sample_section
from canalmorph.report.wording import (
    FIXATION_WORDS,
    PLANE_WORDS,
    describe_refusal,
    describe_shape,
)
from canalmorph.review.desk import OpenCase
from canalmorph.review.drawn_marks import list_drawn_marks
from canalmorph.review.films import FilmStore

#: Numbers that are always shown; others where marks change them.
KEY_COLUMNS = (
    "cfi_ml",
    "mcfi_ml",
    "dcfi_ml",
    "cti_ml_lt_minus100",
    "isthmus_level_mm",
    "isthmus_canal_ml_mm",
    "canal_ml_lt_plus20_mm",
    "canal_ml_lt_mm",
    "canal_ml_lt_minus20_mm",
    "canal_ml_lt_minus100_mm",
    "head_diameter_mm",
    "neck_shaft_angle_deg",
    "femoral_offset_mm",
    "torsion_deg",
)
#: Half the edge of an axial picture. [mm]
AXIAL_HALF_MM = 45.0
#: Values that are sent: 16 bits, and this where the scan has nothing. [HU]
NOTHING_HU = -32768


def describe_case(
    opened: OpenCase, films: FilmStore, entries: Sequence[ReviewEntry], who: Mapping[str, str]
) -> dict[str, Any]:
    """Return a case as the page shows it."""
    review, case = opened.review, opened.corrected.case
    shown = replace(case, review=review)
    return {
        "case": case.case_id,
        "who": dict(who),
        "version": review.version,
        "state": review.state.value,
        "review": list(describe_review(review)),
        "can_correct": not opened.why_fixed,
        "why_fixed": opened.why_fixed,
        "is_brief": opened.is_brief,
        "sides": [
            _describe_side(opened, place, films, entries) for place in range(len(shown.femora))
        ],
        "refusals": [describe_refusal(one, deidentify=True) for one in case.refusals],
        "marks": [
            {**mark.to_plain(), "points_lps_mm": [], "words": KIND_WORDS[mark.kind]}
            for mark in review.corrections
        ],
        "unfit": [
            {"words": KIND_WORDS[one.mark.kind], "reason": one.reason}
            for one in opened.corrected.unfit
        ],
        "log": [_describe_entry(entry) for entry in entries],
    }


def _describe_entry(entry: ReviewEntry) -> dict[str, Any]:
    gone = [one for one in entry.old if one not in entry.new]
    came = [one for one in entry.new if one not in entry.old]
    words = [describe_mark(one) for one in (came or gone)]
    return {
        "version": entry.version,
        "at": entry.at,
        "by": entry.by,
        "action": entry.action.value,
        "about": ", ".join(words),
        "reason": entry.reason,
    }


def find_automatic(opened: OpenCase, femur: FemurResult) -> FemurResult:
    """Return a femur of the case as it was measured without marks."""
    side = scan_side(femur.side, swapped=opened.review.swaps_sides)
    return next(one for one in opened.automatic.femora if one.side is side)


def scan_side(side: Side, *, swapped: bool) -> Side:
    """Return the side by the scan's coordinates of a femur that is shown under `side`."""
    return side.other if swapped else side


def _describe_side(
    opened: OpenCase, place: int, films: FilmStore, entries: Sequence[ReviewEntry]
) -> dict[str, Any]:
    femur = opened.corrected.case.femora[place]
    automatic = find_automatic(opened, femur)
    profile, frame = femur.profile, femur.profile.frame
    aligned = opened.corrected.aligned[place] if opened.corrected.aligned else None
    base = next(
        (one for one in opened.automatic_aligned if one.cortex.femur.side is automatic.side), None
    )
    pair = films.take(opened.automatic.case_id, automatic, femur, aligned)
    return {
        "side": femur.side.value,
        "scan_side": automatic.side.value,
        "shape": describe_shape(femur.canal_type, femur.indices),
        "fixation": FIXATION_WORDS[femur.advice.fixation],
        "plane": {
            "name": frame.plane.value,
            "words": PLANE_WORDS[frame.plane],
            "choices": _list_planes(base),
        },
        "signs": {"ap": get_view_sign(femur.side), "lateral": get_lateral_sign(femur.side)},
        "films": {
            name: {
                "key": film.key,
                "across_mm": list(film.picture.across_mm),
                "vertical_mm": list(film.picture.vertical_mm),
                "anew": film.anew,
            }
            for name, film in pair.items()
        },
        "levels_mm": _round(profile.levels_mm),
        "edges": {
            f"{outline}_{axis}": [_round(edge) for edge in find_edges(profile, outline, axis)]
            for outline in ("outer", "canal")
            for axis in ("ml", "ap")
        },
        "quality": [Quality(int(bits)).names() for bits in profile.quality],
        "apex": _place(frame, _find_apex(femur)),
        "places": _find_places(femur, aligned, frame),
        "found": _find_places(automatic, base, frame),
        "drawn": list_drawn_marks(
            automatic.side,
            frame,
            holding=opened.review.corrections,
            unfit=opened.corrected.unfit,
            entries=entries,
        ),
        "doubts": [describe_warning(code) for code in femur.warnings],
        "numbers": _list_numbers(automatic, femur),
    }


def _list_planes(base: AlignedFemur | None) -> list[str]:
    if base is None:
        return []
    found = [Plane.SCANNER.value]
    if base.condyles is not None:
        found.insert(0, Plane.CONDYLAR.value)
    if base.neck is not None:
        found.insert(0, Plane.NECK.value)
    return found


def _find_places(
    femur: FemurResult, aligned: AlignedFemur | None, frame: FemurFrame
) -> dict[str, Any]:
    """Return the landmarks of a femur in a frame, as (medial, posterior, level) [mm]."""
    own = femur.profile.frame
    places: dict[str, Any] = {
        "lesser_trochanter": _place(frame, own.origin_lps_mm),
        "head": None,
        "neck": None,
        "isthmus": None,
        "medial": _round(_turn_into(frame, own.medial)),
    }
    level = femur.indices.values.get("isthmus_level_mm", Measurement()).value
    if level is not None:
        places["isthmus"] = _place(frame, own.origin_lps_mm + level * own.proximal)
    head = femur.profile.head
    if head is not None:
        places["head"] = [*_place(frame, head.centre_lps_mm), round(head.radius_mm, 2)]
    if aligned is not None and aligned.neck is not None:
        places["neck"] = _place(frame, aligned.neck.centre_lps_mm)
    return places


def _find_apex(femur: FemurResult) -> NDArray[np.float64]:
    """Return the lesser trochanter's apex in patient space [mm]."""
    facts = femur.profile.facts
    return np.array([facts[f"lt_{axis}_mm"].value for axis in "xyz"], dtype=np.float64)


def _place(frame: FemurFrame, point: NDArray[np.float64]) -> list[float]:
    return _round(frame.lps_to_frame_mm(point))


def _turn_into(frame: FemurFrame, direction: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.array(
        [direction @ frame.medial, direction @ frame.posterior, direction @ frame.proximal]
    )


def _list_numbers(automatic: FemurResult, femur: FemurResult) -> list[dict[str, Any]]:
    rows = []
    for column in FEMUR_COLUMNS:
        if not column.measured:
            continue
        one, other = (
            each.indices.values.get(column.name, Measurement()) for each in (automatic, femur)
        )
        texts = [format_measurement(number, column.unit) for number in (one, other)]
        changed = texts[0] != texts[1]
        if column.name in KEY_COLUMNS or changed:
            rows.append(
                {
                    "column": column.name,
                    "name": name_column(column.name),
                    "automatic": texts[0],
                    "now": texts[1],
                    "changed": changed,
                    "key": column.name in KEY_COLUMNS,
                    "reason": femur.indices.reasons.get(column.name, ""),
                }
            )
    return sorted(rows, key=lambda row: not row["key"])


def _round(values: Any, digits: int = 2) -> list[Any]:
    """Return numbers as JSON has them: rounded, null where not known."""
    return [
        None if not np.isfinite(value) else round(float(value), digits)
        for value in np.asarray(values, dtype=np.float64)
    ]


def describe_section(
    aligned: AlignedFemur, femur: FemurResult, level_mm: float, *, axial: bool
) -> dict[str, Any]:
    """Return the CT and the outlines of one section, across the shaft or along the slices."""
    crop, profile = aligned.cortex.femur.crop, femur.profile
    index = find_section(profile, level_mm)
    if axial:
        frame = _make_slice_frame(aligned, level_mm)
        medial, posterior = (-AXIAL_HALF_MM, AXIAL_HALF_MM), (-AXIAL_HALF_MM, AXIAL_HALF_MM)
        plane = sample_section(crop, frame, 0.0, medial, posterior)
    else:
        if index is not None:
            level_mm = float(profile.levels_mm[index])
        outer = profile.outer_outline_mm[index] if index is not None else np.full((1, 2), np.nan)
        medial, posterior = find_view(outer)
        plane = sample_section(crop, profile.frame, level_mm, medial, posterior)
    values = np.where(np.isfinite(plane.values_hu), plane.values_hu, NOTHING_HU)
    values = np.clip(np.round(values), NOTHING_HU, 32767).astype("<i2")
    outlines = {} if axial or index is None else _list_outlines(femur, index)
    return {
        "level_mm": round(level_mm, 2),
        "label": format_level(level_mm),
        "axial": axial,
        "across_mm": list(plane.across_mm),
        "vertical_mm": list(plane.vertical_mm),
        "shape": list(values.shape),
        "values": b64encode(values.tobytes()).decode("ascii"),
        **outlines,
    }


def _list_outlines(femur: FemurResult, index: int) -> dict[str, Any]:
    profile = femur.profile
    readings = []
    for words, name in READINGS.items():
        if name in profile.columns:
            value, u = profile.columns[name][index], profile.uncertainties[name][index]
            known = np.isfinite(value) and np.isfinite(u)
            number = Measurement(value=float(value), u=float(u)) if known else Measurement()
            readings.append([words, format_measurement(number, "mm")])
    return {
        "outer": [_round(point) for point in profile.outer_outline_mm[index]],
        "canal": [_round(point) for point in profile.canal_outline_mm[index]],
        "readings": readings,
        "doubt": Quality(int(profile.quality[index])).names(),
    }


def _make_slice_frame(aligned: AlignedFemur, level_mm: float) -> FemurFrame:
    """Return a frame on the scanner's slice through the shaft axis at a level."""
    crop, frame = aligned.cortex.femur.crop, aligned.frame
    left, back = (normalise(crop.index_to_lps_mm[:3, axis]) for axis in (2, 1))
    right_first = left * -1.0
    medial = right_first if right_first @ frame.medial > 0 else left
    return FemurFrame(
        origin_lps_mm=frame.frame_to_lps_mm(np.array([0.0, 0.0, level_mm])),
        medial=medial,
        posterior=back,
        proximal=normalise(np.cross(left, back)),
        plane=Plane.SCANNER,
    )


def place_mark(opened: OpenCase, plain: Mapping[str, Any]) -> Correction:
    """Return the mark that the page's script sent, in patient space.

    Parameters
    ----------
    opened : OpenCase
        The case that the person saw.
    plain : mapping
        ``kind``, ``side`` as shown, ``points_mm`` in that femur's frame, and the rest as in
        `canalmorph.model.corrections.Correction`.

    Raises
    ------
    ValueError
        If it is none, or of a side that is not shown.
    """
    try:
        kind = CorrectionKind(plain["kind"])
        points = [[float(number) for number in point] for point in plain.get("points_mm", [])]
        side = None if plain.get("side") is None else Side(plain["side"])
        radius = None if plain.get("radius_mm") is None else float(plain["radius_mm"])
        plane = None if plain.get("plane") is None else Plane(plain["plane"])
        place = str(plain.get("place", ""))
    except (KeyError, TypeError, OverflowError) as error:
        raise ValueError("'mark' is none.") from error
    if any(len(point) != 3 for point in points) or len(points) > 400:
        raise ValueError("'points_mm' must be points of three numbers.")
    scanned, placed = side, points
    if side is not None:
        scanned = scan_side(side, swapped=opened.review.swaps_sides)
        if points:
            frame = _find_frame(opened.corrected.case, side)
            placed = frame.frame_to_lps_mm(np.array(points)).tolist()
    return Correction(
        kind=kind,
        side=scanned,
        place=place,
        points_lps_mm=tuple((x, y, z) for x, y, z in placed),
        radius_mm=radius,
        plane=plane,
    )


def _find_frame(case: CaseResult, side: Side) -> FemurFrame:
    for femur in case.femora:
        if femur.side is side:
            return femur.profile.frame
    raise ValueError(f"The {side.value} femur is not shown.")
