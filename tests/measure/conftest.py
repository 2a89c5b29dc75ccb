"""Aligned femora made of closed forms, without any image."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from calibrations import USUAL

from canalmorph.model.femur import (
    AlignedFemur,
    Cortex,
    Femur,
    FemurFrame,
    HeadSphere,
    LesserTrochanter,
    NeckAxis,
    Plane,
    Side,
)
from canalmorph.model.volume import CtVolume, ScanFacts

N_RAYS = 180
ANGLES = 2 * np.pi * np.arange(N_RAYS) / N_RAYS

#: (medial, posterior) centre and half axes of an ellipse at a level. [mm]
Ellipse = Callable[[float], tuple[float, float, float, float]]


def make_frame(side: Side = Side.RIGHT) -> FemurFrame:
    """Return an oblique frame, a mirror image of itself on the other side."""
    turn = np.array(
        [
            [0.97, 0.2, -0.14],
            [-0.1, 0.95, 0.3],
            [0.19, -0.25, 0.95],
        ]
    )
    axes, _ = np.linalg.qr(turn)
    axes = axes * np.sign(np.diag(axes))
    flip = np.diag([float(side.medial_x_sign), 1.0, 1.0])
    medial, posterior, proximal = (flip @ axes).T
    return FemurFrame(
        origin_lps_mm=np.array([-120.0 * side.medial_x_sign, 14.0, 300.0]),
        medial=medial,
        posterior=posterior,
        proximal=proximal,
        plane=Plane.NECK,
    )


@pytest.fixture
def make_aligned() -> Callable[..., AlignedFemur]:
    """Return a function that makes a femur of elliptical sections.

    Rings lie 1 mm apart at whole levels from `lowest_mm` to LT+45, so that sections at whole
    levels are the rings themselves.
    """

    def make(
        outer: Ellipse,
        canal: Ellipse,
        *,
        side: Side = Side.RIGHT,
        head: HeadSphere | None = None,
        neck: NeckAxis | None = None,
        lowest_mm: float = -180.0,
        point_u_mm: float = 0.04,
    ) -> AlignedFemur:
        frame = make_frame(side)
        levels = np.arange(lowest_mm, 46.0)

        def place(ellipse: Ellipse) -> np.ndarray:
            rings = []
            for level in levels:
                cx, cy, a, b = ellipse(float(level))
                ring = [cx + a * np.cos(ANGLES), cy + b * np.sin(ANGLES), np.full(N_RAYS, level)]
                rings.append(np.stack(ring, axis=1))
            return frame.frame_to_lps_mm(np.array(rings))

        volume = CtVolume(
            voxels_hu=np.zeros((2, 2, 2), np.int16),
            index_to_lps_mm=np.eye(4),
            facts=ScanFacts(source="made", file_format="nifti", series_key="x", input_sha256=""),
        )
        femur = Femur(
            side=side,
            crop=volume,
            shaft_path_lps_mm=frame.frame_to_lps_mm(np.array([[0.0, 0, -150], [0, 0, -50.0]])),
            head=head,
            shaft_leaves_scan=True,
        )
        calibration = USUAL
        u = np.full((len(levels), N_RAYS), point_u_mm)
        cortex = Cortex(
            femur=femur,
            heights_mm=levels.copy(),
            axis_point_lps_mm=frame.origin_lps_mm,
            axis_direction=frame.proximal,
            outer_lps_mm=place(outer),
            canal_lps_mm=place(canal),
            dense_lps_mm=np.full((len(levels), N_RAYS, 3), np.nan),
            outer_u_mm=u,
            canal_u_mm=u.copy(),
            outer_shared_u_mm=np.zeros_like(u),
            canal_shared_u_mm=np.zeros_like(u),
            quality=np.zeros(len(levels), dtype=np.int64),
            calibration=calibration,
        )
        trochanter = LesserTrochanter(
            apex_lps_mm=frame.frame_to_lps_mm(np.array([20.0, 15.0, 0.0])),
            level_u_mm=0.4,
            prominence_mm=8.0,
            direction_deg=40.0,
            second_prominence_mm=0.0,
            confidence=1.0,
        )
        return AlignedFemur(
            cortex=cortex,
            frame=frame,
            lesser_trochanter=trochanter,
            neck=neck,
            axis_u_deg=0.2,
            isthmus_in_view=True,
        )

    return make


@pytest.fixture
def make_head() -> Callable[..., HeadSphere]:
    """Return a function that places a head in the frame of `make_aligned`."""

    def make(
        medial_mm: float, level_mm: float, radius_mm: float, *, side: Side = Side.RIGHT
    ) -> HeadSphere:
        centre = make_frame(side).frame_to_lps_mm(np.array([medial_mm, -2.0, level_mm]))
        return HeadSphere(
            centre_lps_mm=centre,
            radius_mm=radius_mm,
            centre_u_mm=0.2,
            radius_u_mm=0.3,
            inlier_share=0.8,
        )

    return make


@pytest.fixture
def punch_hole() -> Callable[..., AlignedFemur]:
    """Return a function that makes points of one surface unknown."""

    def punch(
        aligned: AlignedFemur, name: str, rings: slice, rays: slice | np.ndarray
    ) -> AlignedFemur:
        points = getattr(aligned.cortex, name).copy()
        points[rings, rays] = np.nan
        return replace(aligned, cortex=replace(aligned.cortex, **{name: points}))

    return punch
