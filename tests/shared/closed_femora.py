"""A synthetic pair of femora in closed form: a tube of circles, a head, and the CT of both."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from calibrations import USUAL
from numpy.typing import NDArray

from canalmorph.advise.fixation import advise_fixation
from canalmorph.classify.shape import classify_canal
from canalmorph.indices.sides import compare_sides
from canalmorph.model.column import NAMED_LEVELS_MM
from canalmorph.model.femur import (
    AlignedFemur,
    Cortex,
    Femur,
    FemurFrame,
    HeadSphere,
    LesserTrochanter,
    Plane,
    Side,
)
from canalmorph.model.results import (
    CanalIndices,
    CanalProfile,
    CaseResult,
    FemurResult,
    Measurement,
    Refusal,
)
from canalmorph.model.volume import CtVolume, PatientFacts, ScanFacts
from canalmorph.report.pictures import FemurPictures, take_all_pictures

HEAD_MM = (38.0, -6.0, 52.0, 22.0)  # medial, posterior, level, radius
APEX_MM = np.array([16.0, 12.0, 0.0])  # of the lesser trochanter: medial, posterior, level
CALIBRATION = replace(USUAL, cortex_hu=1500.0, blur_in_plane_mm=0.5, blur_through_plane_mm=0.6)


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """Radii by level: the canal narrows to an isthmus; its centre lies off the axis."""

    isthmus_radius_mm: float = 6.0
    flare: float = 3.9
    wall_mm: float = 7.5
    isthmus_mm: float = -130.0
    lowest_mm: float = -170.0
    flare_u: float = 0.06
    voxel_mm: float = 1.5

    def canal_mm(self, level_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        rise = np.clip((level_mm - self.isthmus_mm) / (20.0 - self.isthmus_mm), -0.3, 1.2)
        return np.asarray(self.isthmus_radius_mm * (1 + (self.flare - 1) * np.abs(rise) ** 2.6))

    def outer_mm(self, level_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        rise = np.clip((level_mm + 40.0) / 60.0, 0, 1)
        return np.asarray(self.canal_mm(level_mm) + self.wall_mm * (1 - 0.6 * rise))

    def centre_mm(self, level_mm: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(np.clip((level_mm + 30.0) / 50.0, 0, None) ** 1.5 * 6.0)


def _make_frame(side: Side) -> FemurFrame:
    proximal = np.array([0.06 * side.medial_x_sign, -0.04, 1.0])
    proximal /= np.linalg.norm(proximal)
    posterior = np.array([0.0, 1.0, 0.04])
    posterior -= proximal * (posterior @ proximal)
    posterior /= np.linalg.norm(posterior)
    medial = np.cross(posterior, proximal) * side.medial_x_sign
    return FemurFrame(
        origin_lps_mm=np.array([-90.0 * side.medial_x_sign, 10.0, 0.0]),
        medial=medial,
        posterior=posterior,
        proximal=proximal,
        plane=Plane.NECK,
    )


def _make_crop(shape: Shape, frame: FemurFrame) -> CtVolume:
    low = frame.origin_lps_mm + np.array([-80.0, -60.0, shape.lowest_mm - 4.0])
    size = tuple(int(n) for n in np.array([84.0 - shape.lowest_mm, 120.0, 160.0]) / shape.voxel_mm)
    affine = np.zeros((4, 4))
    affine[2, 0] = affine[1, 1] = affine[0, 2] = shape.voxel_mm
    affine[:3, 3], affine[3, 3] = low, 1.0
    index = np.moveaxis(np.indices(size), 0, -1)
    points = frame.lps_to_frame_mm(index @ affine[:3, :3].T + affine[:3, 3])
    level = points[..., 2]
    radius = np.hypot(points[..., 0] - shape.centre_mm(level), points[..., 1])
    hu = np.full(size, 40.0)
    cut = level < 42.0
    hu[cut & (radius < shape.outer_mm(level))] = 1500.0
    hu[cut & (radius < shape.canal_mm(level))] = 0.0
    hu[np.linalg.norm(points - HEAD_MM[:3], axis=-1) < HEAD_MM[3]] = 500.0
    facts = ScanFacts(source="x", file_format="nifti", series_key="x", input_sha256="0")
    hu += np.random.default_rng(7).normal(0.0, 20.0, size)
    return CtVolume(voxels_hu=hu.astype(np.int16), index_to_lps_mm=affine, facts=facts)


def _make_outlines(
    shape: Shape, levels_mm: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    turn = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    circle = np.stack([np.cos(turn), np.sin(turn)], axis=-1)
    centre = np.stack([shape.centre_mm(levels_mm), np.zeros_like(levels_mm)], axis=-1)[:, None]
    outer = centre + shape.outer_mm(levels_mm)[:, None, None] * circle
    return outer, centre + shape.canal_mm(levels_mm)[:, None, None] * circle


def make_profile(shape: Shape, side: Side, *, with_head: bool) -> CanalProfile:
    levels_mm = np.arange(40.0, shape.lowest_mm - 0.1, -2.0)
    outer, canal = _make_outlines(shape, levels_mm)
    columns = {}
    for outline, radius in (("outer", shape.outer_mm), ("canal", shape.canal_mm)):
        for axis in ("ml", "ap"):
            columns[f"{outline}_{axis}_mm"] = 2 * radius(levels_mm)
    frame = _make_frame(side)
    head = HeadSphere(
        centre_lps_mm=frame.frame_to_lps_mm(np.array(HEAD_MM[:3])),
        radius_mm=HEAD_MM[3],
        centre_u_mm=0.3,
        radius_u_mm=0.2,
        inlier_share=0.7,
    )
    return CanalProfile(
        side=side,
        frame=frame,
        levels_mm=levels_mm,
        columns=columns,
        uncertainties={name: np.full(len(levels_mm), 0.08) for name in columns},
        quality=np.zeros(len(levels_mm), dtype=np.int64),
        outer_outline_mm=outer,
        canal_outline_mm=canal,
        head=head if with_head else None,
        facts={
            f"lt_{axis}_mm": Measurement(value=float(place), u=0.7)
            for axis, place in zip("xyz", frame.frame_to_lps_mm(APEX_MM), strict=True)
        },
        level_u_mm=0.7,
        isthmus_in_view=shape.lowest_mm < shape.isthmus_mm - 10,
        calibration=CALIBRATION,
    )


def make_indices(shape: Shape, profile: CanalProfile) -> CanalIndices:
    """Return the columns that the report reads, from the closed form."""
    values: dict[str, Measurement] = {}
    reasons: dict[str, str] = {}

    def width(radius: Callable[..., NDArray[np.float64]], level_mm: float) -> float | None:
        if level_mm < shape.lowest_mm:
            return None
        return float(2 * radius(np.array(level_mm)))

    def keep(name: str, value: float | None, u: float, why: str) -> None:
        values[name] = Measurement() if value is None else Measurement(value=value, u=u)
        if value is None:
            reasons[name] = why

    below = "The scan ends above this level; rescan with more of the shaft."
    for outline, radius in (("outer", shape.outer_mm), ("canal", shape.canal_mm)):
        for axis in ("ml", "ap"):
            for name, level_mm in NAMED_LEVELS_MM.items():
                keep(f"{outline}_{axis}_{name}_mm", width(radius, level_mm), 0.12, below)
            isthmus = width(radius, shape.isthmus_mm) if profile.isthmus_in_view else None
            keep(f"isthmus_{outline}_{axis}_mm", isthmus, 0.1, "The isthmus lies below the scan.")
    in_view = profile.isthmus_in_view
    keep("isthmus_level_mm", shape.isthmus_mm if in_view else None, 3.0, "Below the scan.")
    top, neck = values["canal_ml_lt_plus20_mm"].value, values["isthmus_canal_ml_mm"].value
    assert top is not None
    keep("cfi_ml", top / neck if neck else None, shape.flare_u, "The isthmus lies below the scan.")
    if not neck:
        narrowest = float(np.min(profile.columns["canal_ml_mm"]))
        values["cfi_ml_lower_bound"] = Measurement(value=top / narrowest, u=0.05)
    outer, canal = values["outer_ml_lt_minus100_mm"].value, values["canal_ml_lt_minus100_mm"].value
    ratio = canal / outer if canal and outer else None
    for name, value in (
        ("cbr_ml_lt_minus100", ratio),
        ("cti_ml_lt_minus100", None if ratio is None else 1 - ratio),
        ("cti_ap_lt_minus100", None if ratio is None else 1 - ratio),
        ("wall_ratio_posterior_over_anterior_lt_minus100", None if ratio is None else 1.0),
    ):
        keep(name, value, 0.008, below)
    at_lt = values["canal_ml_lt_mm"].value
    letter = neck / at_lt if neck and at_lt else None
    keep("canal_ratio_isthmus_over_lt_ml", letter, 0.01, "The isthmus lies below the scan.")
    values |= profile.facts
    keep("torsion_deg", None, 0.0, "The scan ends above the knee.")
    if profile.head is not None:
        values["head_diameter_mm"] = Measurement(value=2 * HEAD_MM[3], u=0.4)
    return CanalIndices(values=values, reasons=reasons)


def make_femur(
    side: Side, shape: Shape, *, with_head: bool = True
) -> tuple[FemurResult, AlignedFemur]:
    profile = make_profile(shape, side, with_head=with_head)
    indices = make_indices(shape, profile)
    canal_type = classify_canal(indices)
    crop = _make_crop(shape, profile.frame)
    to_lps = profile.frame.frame_to_lps_mm
    heights = profile.levels_mm[::-1]
    rings = [
        to_lps(
            np.concatenate(
                [ring, np.broadcast_to(heights[:, None, None], (*ring.shape[:2], 1))], axis=-1
            )
        )
        for ring in (profile.outer_outline_mm[::-1], profile.canal_outline_mm[::-1])
    ]
    cortex = Cortex(
        femur=Femur(
            side=side,
            crop=crop,
            shaft_path_lps_mm=to_lps(np.stack([0 * heights, 0 * heights, heights], axis=-1)),
            head=profile.head,
            shaft_leaves_scan=True,
        ),
        heights_mm=heights,
        axis_point_lps_mm=profile.frame.origin_lps_mm,
        axis_direction=profile.frame.proximal,
        outer_lps_mm=rings[0],
        canal_lps_mm=rings[1],
        dense_lps_mm=np.full(rings[1].shape, np.nan),
        outer_u_mm=np.full(rings[0].shape[:2], 0.1),
        canal_u_mm=np.full(rings[0].shape[:2], 0.1),
        outer_shared_u_mm=np.zeros(rings[0].shape[:2]),
        canal_shared_u_mm=np.zeros(rings[0].shape[:2]),
        quality=np.zeros(len(heights), dtype=np.int64),
        calibration=CALIBRATION,
    )
    aligned = AlignedFemur(
        cortex=cortex,
        frame=profile.frame,
        lesser_trochanter=LesserTrochanter(
            apex_lps_mm=to_lps(APEX_MM),
            level_u_mm=0.7,
            prominence_mm=6.0,
            direction_deg=40.0,
            second_prominence_mm=0.0,
            confidence=1.0,
        ),
        neck=None,
        axis_u_deg=0.2,
        isthmus_in_view=profile.isthmus_in_view,
    )
    result = FemurResult(
        side=side,
        profile=profile,
        indices=indices,
        canal_type=canal_type,
        advice=advise_fixation(canal_type, indices),
        warnings=(),
    )
    return result, aligned


def make_case(
    femurs: list[tuple[FemurResult, AlignedFemur]], *, refusals: tuple[Refusal, ...] = ()
) -> tuple[CaseResult, tuple[FemurPictures, ...]]:
    case = make_case_result([femur for femur, _ in femurs], refusals=refusals)
    return case, take_all_pictures(case.femora, [aligned for _, aligned in femurs])


def make_case_result(
    femurs: list[FemurResult], *, refusals: tuple[Refusal, ...] = ()
) -> CaseResult:
    return CaseResult(
        case_id="5f2c9be01d77",
        scan=ScanFacts(
            source="tuesday/scan_04",
            file_format="dicom",
            series_key="1.2.3",
            input_sha256="ab" * 32,
            n_files=412,
            kernel="B60s",
            manufacturer="Example Imaging",
            kvp=120.0,
        ),
        patient=PatientFacts(
            name="Quill^Rosalind",
            identifier="PX-552317",
            birth_date="19440229",
            sex="F",
            study_date="20240511",
            age_years=80.0,
        ),
        spacing_mm=(1.0, 0.7, 0.7),
        femora=tuple(femurs),
        refusals=refusals,
        software_version="0.1.0",
        settings_hash="123456789abc",
        settings={},
        differences=compare_sides(femurs[0], femurs[1]) if len(femurs) == 2 else (),
    )


RIGHT = Shape()
LEFT = replace(RIGHT, isthmus_radius_mm=8.0, flare=2.5, wall_mm=5.2)
SHORT = replace(RIGHT, flare=4.1, lowest_mm=-90.0)
