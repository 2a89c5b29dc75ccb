"""From the plain data of a record back to the nouns; a missing part is a KeyError."""

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from canalmorph.export.packing import unpack_outlines
from canalmorph.model.femur import Calibration, FemurFrame, HeadSphere, Plane, Side
from canalmorph.model.results import (
    AxialProfile,
    CanalIndices,
    CanalProfile,
    CanalShape,
    CanalType,
    CaseResult,
    FemurResult,
    Fixation,
    FixationAdvice,
    Measurement,
    Refusal,
    SideDifference,
)
from canalmorph.model.volume import PatientFacts, ScanFacts

Plain = Mapping[str, Any]


def decode_case(record: Plain) -> CaseResult:
    """Return the case of a record; its patient is blank.

    Raises
    ------
    KeyError, TypeError, ValueError
        If a part is missing or is not of its kind.
    """
    spacing = [float(step) for step in record["spacing_mm"]]
    return CaseResult(
        case_id=record["case_id"],
        scan=ScanFacts(**{**record["scan"], "warnings": tuple(record["scan"]["warnings"])}),
        patient=PatientFacts(),
        spacing_mm=(spacing[0], spacing[1], spacing[2]),
        femora=tuple(_decode_femur(plain) for plain in record["femora"]),
        refusals=tuple(decode_refusal(plain) for plain in record["refusals"]),
        software_version=record["software_version"],
        settings_hash=record["settings_hash"],
        settings=record["settings"],
        # A record of a time before the sides were compared has no such part.
        differences=tuple(_decode_difference(plain) for plain in record.get("differences", ())),
    )


def _decode_difference(plain: Plain) -> SideDifference:
    numbers = _decode_measurements({name: plain[name] for name in ("right", "left", "difference")})
    return SideDifference(column=plain["column"], unit=plain["unit"], **numbers)


def _decode_femur(plain: Plain) -> FemurResult:
    return FemurResult(
        side=Side(plain["side"]),
        profile=_decode_profile(plain["profile"]),
        indices=CanalIndices(
            values=_decode_measurements(plain["indices"]["values"]),
            reasons=dict(plain["indices"]["reasons"]),
            warnings=tuple(plain["indices"]["warnings"]),
        ),
        canal_type=_decode_type(plain["canal_type"]),
        advice=_decode_advice(plain["advice"]),
        warnings=tuple(plain["warnings"]),
        # A record of a time before there were slices has no such part.
        axial=_decode_axial(plain.get("axial")),
    )


def _decode_axial(plain: Plain | None) -> AxialProfile | None:
    if plain is None:
        return None
    return AxialProfile(
        slice_z_mm=_decode_array(plain["slice_z_mm"]),
        levels_mm=_decode_array(plain["levels_mm"]),
        columns=_decode_columns(plain["columns"]),
        uncertainties=_decode_columns(plain["uncertainties"]),
        quality=np.array(plain["quality"], dtype=np.int64),
    )


def _decode_profile(plain: Plain) -> CanalProfile:
    head = plain["head"]
    return CanalProfile(
        side=Side(plain["side"]),
        frame=_decode_frame(plain["frame"]),
        levels_mm=_decode_array(plain["levels_mm"]),
        columns=_decode_columns(plain["columns"]),
        uncertainties=_decode_columns(plain["uncertainties"]),
        quality=np.array(plain["quality"], dtype=np.int64),
        outer_outline_mm=unpack_outlines(plain["outer_outline_mm"]),
        canal_outline_mm=unpack_outlines(plain["canal_outline_mm"]),
        head=None
        if head is None
        else HeadSphere(**{**head, "centre_lps_mm": _decode_array(head["centre_lps_mm"])}),
        facts=_decode_measurements(plain["facts"]),
        level_u_mm=plain["level_u_mm"],
        isthmus_in_view=plain["isthmus_in_view"],
        # Records of earlier versions know the blur across slices from the file alone.
        calibration=Calibration(**{"blur_through_plane_u_mm": math.nan, **plain["calibration"]}),
        warnings=tuple(plain["warnings"]),
        # Records of earlier versions have neither.
        texts=dict(plain.get("texts", {})),
        blanks=dict(plain.get("blanks", {})),
        marked_isthmus_mm=plain.get("marked_isthmus_mm"),
    )


def _decode_frame(plain: Plain) -> FemurFrame:
    return FemurFrame(
        origin_lps_mm=_decode_array(plain["origin_lps_mm"]),
        medial=_decode_array(plain["medial"]),
        posterior=_decode_array(plain["posterior"]),
        proximal=_decode_array(plain["proximal"]),
        plane=Plane(plain["plane"]),
    )


def _decode_type(plain: Plain) -> CanalType:
    return CanalType(
        shape=None if plain["shape"] is None else CanalShape(plain["shape"]),
        shape_probabilities={
            CanalShape(name): chance for name, chance in plain["shape_probabilities"].items()
        },
        shape_from_bound=plain["shape_from_bound"],
        outside_published_range=plain["outside_published_range"],
        letter=plain["letter"],
        letter_probabilities=dict(plain["letter_probabilities"]),
        letter_inputs=_decode_measurements(plain["letter_inputs"]),
        # A record of a time before the voices were kept has none.
        letter_voices={name: dict(said) for name, said in plain.get("letter_voices", {}).items()},
    )


def _decode_advice(plain: Plain) -> FixationAdvice:
    return FixationAdvice(
        fixation=Fixation(plain["fixation"]),
        reasons=tuple(plain["reasons"]),
        against=tuple(plain["against"]),
        cautions=tuple(plain["cautions"]),
        unknown=tuple(plain["unknown"]),
        would_decide=tuple(plain["would_decide"]),
    )


def decode_refusal(plain: Plain) -> Refusal:
    """Return a refusal from its plain data."""
    side = plain["side"]
    # Records of earlier versions have no warnings.
    texts = {"warnings": tuple(plain.get("warnings", ()))}
    return Refusal(**{**plain, **texts, "side": None if side is None else Side(side)})


def _decode_measurements(plain: Plain) -> dict[str, Measurement]:
    return {name: Measurement(value=item["value"], u=item["u"]) for name, item in plain.items()}


def _decode_columns(plain: Plain) -> dict[str, NDArray[np.float64]]:
    return {name: _decode_array(column) for name, column in plain.items()}


def _decode_array(plain: list[Any]) -> NDArray[np.float64]:
    """Return a float array; null becomes NaN."""
    return np.array(plain, dtype=np.float64)
