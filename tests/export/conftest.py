"""A case made by hand: two femora, some columns blank, hostile text, and an identity to hide."""

from collections.abc import Callable

import numpy as np
import pytest
from calibrations import USUAL

from canalmorph.flags import Quality
from canalmorph.model.columns import FEMUR_COLUMNS, SECTION_COLUMNS
from canalmorph.model.femur import FemurFrame, HeadSphere, Plane, Side
from canalmorph.model.results import (
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

#: What must be found in no table and no record.
IDENTITY = PatientFacts(
    name="Quill^Rosalind",
    identifier="PX-552317",
    birth_date="19440229",
    accession="ACC-90210",
    study_date="20240511",
    sex="F",
    age_years=80.0,
)


def _make_profile(side: Side) -> CanalProfile:
    levels_mm = np.arange(20.0, -121.0, -20.0)
    names = [column.name for column in SECTION_COLUMNS if column.measured]
    columns = {name: 10.0 + place + 0.01 * np.abs(levels_mm) for place, name in enumerate(names)}
    columns["canal_ml_mm"][0] = np.nan
    angles = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    circle = np.stack([np.cos(angles), np.sin(angles)], axis=-1)
    quality = np.zeros(len(levels_mm), dtype=np.int64)
    quality[0] = Quality.OUTLINE_INCOMPLETE | Quality.THIN_CORTEX
    return CanalProfile(
        side=side,
        frame=FemurFrame(
            origin_lps_mm=np.array([80.0 * -side.medial_x_sign, 3.25, -1 / 3]),
            medial=np.array([1.0 * side.medial_x_sign, 0.0, 0.0]),
            posterior=np.array([0.0, 1.0, 0.0]),
            proximal=np.array([0.0, 0.0, 1.0]),
            plane=Plane.NECK,
        ),
        levels_mm=levels_mm,
        columns=columns,
        uncertainties={name: np.full(len(levels_mm), 0.05) for name in names},
        quality=quality,
        outer_outline_mm=np.tile(14.0 * circle, (len(levels_mm), 1, 1)),
        canal_outline_mm=np.tile(7.0 * circle, (len(levels_mm), 1, 1)),
        head=HeadSphere(
            centre_lps_mm=np.array([50.0, 1.0, 60.0]),
            radius_mm=23.0,
            centre_u_mm=0.2,
            radius_u_mm=0.1,
            inlier_share=0.7,
        ),
        facts={"head_diameter_mm": Measurement(value=46.0, u=0.2)},
        level_u_mm=0.6,
        isthmus_in_view=True,
        calibration=USUAL,
    )


def _make_femur(side: Side) -> FemurResult:
    names = [column.name for column in FEMUR_COLUMNS if column.measured]
    values = {
        name: Measurement(value=(-1) ** place * (1 + place / 3), u=0.01 + place / 700)
        for place, name in enumerate(names)
    }
    values["cfi_ml_lower_bound"] = Measurement()
    return FemurResult(
        side=side,
        profile=_make_profile(side),
        indices=CanalIndices(
            values=values, reasons={"cfi_ml_lower_bound": "The isthmus is in view."}
        ),
        canal_type=CanalType(
            shape=CanalShape.NORMAL,
            shape_probabilities={
                CanalShape.STOVEPIPE: 0.1,
                CanalShape.NORMAL: 0.9,
                CanalShape.CHAMPAGNE_FLUTE: 0.0,
            },
            letter="B",
            letter_probabilities={"A": 0.25, "B": 0.75, "C": 0.0},
            letter_voices={"canal": {"A": 0.5, "B": 0.5, "C": 0.0}},
            letter_inputs={"cti_ml_lt_minus100": Measurement(value=0.5, u=0.01)},
        ),
        advice=FixationAdvice(
            fixation=Fixation.PRESS_FIT,
            reasons=("A reason.",),
            against=(),
            cautions=("For discussion.",),
            unknown=("Age.",),
        ),
        warnings=("head_at_lt20", "scanner_plane"),
    )


@pytest.fixture(scope="session")
def make_case() -> Callable[..., CaseResult]:
    def make(
        case_id: str = "c0ffee", *, sides: tuple[Side, ...] = (Side.RIGHT, Side.LEFT)
    ) -> CaseResult:
        return CaseResult(
            case_id=case_id,
            scan=ScanFacts(
                source="quill_rosalind/scan1",
                file_format="dicom",
                series_key="1.2.826.0.1.99",
                input_sha256="ab" * 32,
                kernel="=HYPERLINK(0)",
                kvp=120.0,
                warnings=("no-preamble", "below-air"),
            ),
            patient=IDENTITY,
            spacing_mm=(1.0, 0.7, 0.8),
            femora=tuple(_make_femur(side) for side in sides),
            refusals=(
                Refusal(
                    stage="measure",
                    code="metal",
                    message="quill_rosalind/scan1: metal; use the other side.",
                    source="quill_rosalind/scan1",
                    side=Side.LEFT,
                    warnings=("no-preamble", "below-air"),
                ),
            ),
            software_version="0.1.0",
            settings_hash="123456789abc",
            differences=(
                SideDifference(
                    column="canal_ml_lt_mm",
                    unit="mm",
                    right=Measurement(value=28.0, u=0.1),
                    left=Measurement(value=28.9, u=0.1),
                    difference=Measurement(value=0.9, u=0.14),
                ),
                SideDifference(
                    column="cfi_ml",
                    unit="1",
                    right=Measurement(value=3.7, u=0.1),
                    left=Measurement(value=3.6, u=0.1),
                    difference=Measurement(value=-0.1, u=0.14),
                ),
            )
            if len(sides) == 2
            else (),
            settings={"measure": {"step_mm": 2.0, "levels": (1.0, 2.0)}},
        )

    return make
