"""The scanner's slices against tubes whose oblique sections are known in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from calibrations import USUAL
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from canalmorph.flags import Quality
from canalmorph.measure.axial import measure_axial
from canalmorph.measure.canal import measure_canal
from canalmorph.measure.settings import MeasureSettings
from canalmorph.model.columns import AXIAL_COLUMNS, SECTION_COLUMNS
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
from canalmorph.model.results import AxialProfile
from canalmorph.model.volume import CtVolume, ScanFacts

N_RAYS = 360
OUTER_MM, CANAL_MM = 30.0, 14.0
#: Between slices: the usual, and a fine one where what lies between two of them matters. [mm]
STEP_MM, FINE_MM = 3.0, 1.5
SETTINGS = MeasureSettings(axial=True)
#: How much longer a width is along the tilt, by the angle, as printed in tables of obliquity;
#: the closed form is 1 / cos(angle) - 1.
PRINTED_PERCENT = {5.0: 0.4, 10.0: 1.5, 15.0: 3.5, 20.0: 6.4, 30.0: 15.5}


def make_grid(step_mm: float = STEP_MM, turn: Rotation | None = None) -> CtVolume:
    """Return a grid whose slices lie from -240 mm up, every `step_mm`, around the origin."""
    affine = np.eye(4)
    axes = np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [1.0, 0.0, 0.0]])
    axes = axes if turn is None else turn.as_matrix() @ axes
    affine[:3, :3] = axes * [step_mm, 100.0, 100.0]
    affine[:3, 3] = axes @ [-240.0, -50.0, -50.0]
    return CtVolume(
        voxels_hu=np.zeros((round(320 / step_mm), 2, 2), dtype=np.int16),
        index_to_lps_mm=affine,
        facts=ScanFacts(source="tube", file_format="nifti", series_key="1", input_sha256=""),
    )


def make_tube(
    tilt_deg: tuple[float, float, float] = (0.0, 0.0, 0.0),
    *,
    side: Side = Side.RIGHT,
    grid: CtVolume | None = None,
    outer_ml_mm: float = OUTER_MM,
    canal_medial_mm: float = 0.0,
    lowest_mm: float = -200.0,
    head: HeadSphere | None = None,
    metal_mm: tuple[float, float] | None = None,
) -> AlignedFemur:
    """Return a femur that is a straight tube through the origin, level 0 there."""
    turn = Rotation.from_rotvec(np.radians(tilt_deg))
    medial, posterior, proximal = turn.apply(np.diag([side.medial_x_sign, 1.0, 1.0]))
    frame = FemurFrame(
        origin_lps_mm=np.zeros(3),
        medial=medial,
        posterior=posterior,
        proximal=proximal,
        plane=Plane.NECK,
    )
    heights = np.arange(lowest_mm, 70.0)
    outer = _make_rings(heights, outer_ml_mm, OUTER_MM, 0.0)
    canal = _make_rings(heights, CANAL_MM, CANAL_MM, canal_medial_mm)
    quality = np.zeros(len(heights), dtype=np.int64)
    if metal_mm is not None:
        quality[(heights >= metal_mm[0]) & (heights <= metal_mm[1])] = Quality.METAL
    u_mm = np.full(outer.shape[:2], 0.04)
    cortex = Cortex(
        femur=Femur(
            side=side,
            crop=make_grid() if grid is None else grid,
            shaft_path_lps_mm=np.zeros((1, 3)),
            head=head,
            shaft_leaves_scan=True,
        ),
        heights_mm=heights,
        axis_point_lps_mm=np.zeros(3),
        axis_direction=proximal,
        outer_lps_mm=frame.frame_to_lps_mm(outer),
        canal_lps_mm=frame.frame_to_lps_mm(canal),
        dense_lps_mm=np.full(canal.shape, np.nan),
        outer_u_mm=u_mm,
        canal_u_mm=u_mm,
        outer_shared_u_mm=np.zeros_like(u_mm),
        canal_shared_u_mm=np.zeros_like(u_mm),
        quality=quality,
        calibration=USUAL,
    )
    return AlignedFemur(
        cortex=cortex,
        frame=frame,
        lesser_trochanter=LesserTrochanter(
            apex_lps_mm=np.zeros(3),
            level_u_mm=0.5,
            prominence_mm=8.0,
            direction_deg=50.0,
            second_prominence_mm=0.0,
            confidence=1.0,
        ),
        neck=None,
        axis_u_deg=0.2,
        isthmus_in_view=True,
    )


def _make_rings(
    heights_mm: NDArray[np.float64], ml_mm: float, ap_mm: float, medial_mm: float
) -> NDArray[np.float64]:
    angles = np.radians(np.arange(N_RAYS))
    outline = np.stack(
        [medial_mm + ml_mm / 2 * np.cos(angles), ap_mm / 2 * np.sin(angles)], axis=-1
    )
    rings = np.empty((len(heights_mm), N_RAYS, 3))
    rings[..., :2], rings[..., 2] = outline, heights_mm[:, None]
    return rings


def at_level(axial: AxialProfile, name: str, level_mm: float = -100.0) -> float:
    return float(axial.columns[name][np.nanargmin(np.abs(axial.levels_mm - level_mm))])


@pytest.mark.parametrize(
    "angle_deg",
    [
        0.0,
        *(
            angle if angle == 10.0 else pytest.param(angle, marks=pytest.mark.slow)
            for angle in PRINTED_PERCENT
        ),
    ],
)
def test_widths_along_the_tilt_are_longer_by_one_over_its_cosine(angle_deg: float) -> None:
    tube = make_tube((0.0, angle_deg, 0.0))
    axial, canal = measure_axial(tube, SETTINGS), measure_canal(tube, SETTINGS, brief=True)
    across = float(canal.columns["canal_ml_mm"][np.abs(canal.levels_mm + 100).argmin()])
    longer = 1 / np.cos(np.radians(angle_deg))
    # The tube's lines are straight and its medial line is a line of points: only rounding remains.
    assert across == pytest.approx(CANAL_MM, rel=1e-9)
    assert at_level(axial, "canal_ml_mm") == pytest.approx(across * longer, rel=1e-9)
    assert at_level(axial, "outer_ml_mm") == pytest.approx(OUTER_MM * longer, rel=1e-9)
    assert at_level(axial, "canal_ap_mm") == pytest.approx(CANAL_MM, rel=1e-9)
    assert at_level(axial, "canal_inscribed_mm") == pytest.approx(CANAL_MM, abs=0.01)  # Its step.
    percent = PRINTED_PERCENT.get(angle_deg, 0.0)
    assert 100 * (at_level(axial, "canal_ml_mm") / across - 1) == pytest.approx(percent, abs=0.05)
    # A polygon of n points has the area of its circle times sin(x) / x with x = 2 pi / n.
    area = np.pi / 4 * CANAL_MM**2 * longer * np.sinc(2 / N_RAYS)
    assert at_level(axial, "canal_area_mm2") == pytest.approx(area, rel=1e-9)


@pytest.mark.parametrize("angle_deg", [-12.0, 7.0])
def test_a_tilt_to_the_front_lengthens_ap_widths(angle_deg: float) -> None:
    axial = measure_axial(make_tube((angle_deg, 0.0, 0.0)), SETTINGS)
    longer = 1 / np.cos(np.radians(angle_deg))
    assert at_level(axial, "canal_ap_mm") == pytest.approx(CANAL_MM * longer, rel=1e-9)
    assert at_level(axial, "canal_ml_mm") == pytest.approx(CANAL_MM, rel=1e-9)


@pytest.mark.parametrize("tilt", [(0.0, 0.0, 0.0), (0.0, 8.0, 0.0), (6.0, -9.0, 0.0)])
def test_the_tilt_is_that_of_the_axis(tilt: tuple[float, float, float]) -> None:
    tube = make_tube(tilt, grid=make_grid(FINE_MM))
    axial = measure_axial(tube, SETTINGS)
    expected = np.degrees(np.arccos(tube.frame.proximal[2]))
    # The arc cosine of nearly 1 keeps half the digits.
    np.testing.assert_allclose(axial.columns["tilt_deg"], expected, atol=1e-5)
    local = axial.columns["local_tilt_deg"]
    np.testing.assert_allclose(local[np.isfinite(local)], expected, atol=1e-5)
    # Ten millimetres to each side are not to be had at both ends: seven slices of 1.5 mm.
    assert np.isnan(local).sum() == 14
    assert (axial.uncertainties["tilt_deg"] == tube.axis_u_deg).all()


def test_uncertainties_grow_with_the_slant() -> None:
    upright, oblique = (
        measure_axial(make_tube((0.0, angle, 0.0)), SETTINGS) for angle in (0.0, 20.0)
    )
    us = [
        float(each.uncertainties["canal_ml_mm"][np.nanargmin(np.abs(each.levels_mm + 100))])
        for each in (upright, oblique)
    ]
    # But for what rises between points, a twentieth of the edges' own.
    assert us[1] / us[0] == pytest.approx(1 / np.cos(np.radians(20.0)), rel=1e-4)


def test_slices_are_those_of_the_scan_and_levels_lie_along_the_shaft() -> None:
    tube = make_tube((0.0, 10.0, 0.0))
    axial = measure_axial(tube, SETTINGS)
    places = (axial.slice_z_mm + 240.0) / STEP_MM
    np.testing.assert_allclose(places, np.round(places), atol=1e-9)
    np.testing.assert_allclose(np.diff(axial.slice_z_mm), -STEP_MM, atol=1e-9)
    # The canal's middle lies on the axis: z = level times cosine.
    np.testing.assert_allclose(
        axial.levels_mm * np.cos(np.radians(10.0)), axial.slice_z_mm, atol=1e-9
    )
    assert axial.levels_mm.max() <= SETTINGS.top_level_mm
    assert axial.levels_mm.max() > SETTINGS.top_level_mm - 1.02 * STEP_MM


@pytest.mark.parametrize("angle_deg", [0.0, 12.0])
def test_slices_that_show_the_shaft_in_part_are_left_out(angle_deg: float) -> None:
    axial = measure_axial(make_tube((0.0, angle_deg, 0.0), lowest_mm=-120.0), SETTINGS)
    angle = np.radians(angle_deg)
    # The highest point of the last ring.
    end_mm = -120.0 * np.cos(angle) + OUTER_MM / 2 * np.sin(angle)
    assert end_mm <= axial.slice_z_mm.min() < end_mm + STEP_MM
    for name in ("outer_ml_mm", "outer_ap_mm", "outer_area_mm2", "canal_ml_mm"):
        assert np.isfinite(axial.columns[name]).all(), name
    assert not axial.quality.any()


def test_sides_are_mirror_images() -> None:
    right = measure_axial(make_tube((5.0, 8.0, 0.0), canal_medial_mm=2.0), SETTINGS)
    left = measure_axial(make_tube((5.0, -8.0, 0.0), side=Side.LEFT, canal_medial_mm=2.0), SETTINGS)
    for name, values in right.columns.items():
        np.testing.assert_allclose(left.columns[name], values, atol=1e-9, err_msg=name)
    np.testing.assert_allclose(left.levels_mm, right.levels_mm, atol=1e-9)
    # The canal lies medially: its wall is thin there.
    assert at_level(right, "cortex_medial_mm") < at_level(right, "cortex_lateral_mm") - 2.0


def test_walls_on_a_slice_are_longer_along_the_tilt() -> None:
    axial = measure_axial(make_tube((0.0, 15.0, 0.0)), SETTINGS)
    wall = (OUTER_MM - CANAL_MM) / 2
    # Two like ellipses: the distance between them lies between the wall and the wall over cosine,
    # less what a straight chord lies inside.
    assert at_level(axial, "cortex_min_mm") == pytest.approx(wall, rel=0.001)
    medial = at_level(axial, "cortex_medial_mm")
    assert wall < medial < wall / np.cos(np.radians(15.0))
    assert medial > at_level(axial, "cortex_posterior_mm")


def test_slices_across_the_shaft_give_the_perpendicular_widths() -> None:
    turn = (0.0, 14.0, 0.0)
    grid = make_grid(turn=Rotation.from_rotvec(np.radians(turn)))
    axial = measure_axial(make_tube(turn, grid=grid), SETTINGS)
    np.testing.assert_allclose(axial.columns["tilt_deg"], 0.0, atol=1e-5)
    np.testing.assert_allclose(axial.columns["canal_ml_mm"], CANAL_MM, rtol=1e-9)
    np.testing.assert_allclose(axial.columns["outer_ap_mm"], OUTER_MM, rtol=1e-9)


def test_a_slice_that_meets_the_head_ends_where_its_circle_begins() -> None:
    head = HeadSphere(
        centre_lps_mm=np.array([40.0, 0.0, 45.0]),
        radius_mm=23.0,
        centre_u_mm=0.1,
        radius_u_mm=0.1,
        inlier_share=0.8,
    )
    # 80 mm wide, as where a section runs into neck and head.
    axial = measure_axial(make_tube(outer_ml_mm=80.0, head=head, grid=make_grid(FINE_MM)), SETTINGS)
    dz_mm = 45.0 - axial.slice_z_mm
    begins_mm = 40.0 - np.sqrt(np.maximum(23.0**2 - dz_mm**2, 0.0))
    met = np.abs(dz_mm) < 23.0
    assert 8 < met.sum() < len(met)
    expected = np.where(met, begins_mm + 40.0, 80.0)
    np.testing.assert_allclose(axial.columns["outer_ml_mm"], expected, atol=1e-9)
    assert ((axial.quality & Quality.HEAD_IN_SECTION) != 0).tolist() == met.tolist()


def test_no_slice_that_crosses_metal_has_a_number() -> None:
    angle = np.radians(12.0)
    axial = measure_axial(make_tube((0.0, 12.0, 0.0), metal_mm=(-80.0, -70.0)), SETTINGS)
    blank = np.isnan(axial.columns["canal_ml_mm"])
    reach_mm = OUTER_MM / 2 * np.sin(angle)
    crosses = (axial.slice_z_mm >= -80.0 * np.cos(angle) - reach_mm) & (
        axial.slice_z_mm <= -70.0 * np.cos(angle) + reach_mm
    )
    assert blank.tolist() == crosses.tolist()
    assert ((axial.quality & Quality.METAL) != 0).tolist() == crosses.tolist()


def test_an_outline_with_a_gap_has_no_level_but_its_slice() -> None:
    tube = make_tube()
    canal = tube.cortex.canal_lps_mm.copy()
    heights = tube.cortex.heights_mm
    canal[(heights > -60) & (heights < -50), :30] = np.nan
    axial = measure_axial(replace(tube, cortex=replace(tube.cortex, canal_lps_mm=canal)), SETTINGS)
    inside = (axial.slice_z_mm > -59) & (axial.slice_z_mm < -51)
    assert np.isnan(axial.levels_mm[inside]).all()
    assert np.isfinite(axial.slice_z_mm).all()
    assert (axial.quality[inside] & Quality.OUTLINE_INCOMPLETE).all()
    assert np.isnan(axial.columns["canal_ml_mm"][inside]).all()
    assert np.isfinite(axial.columns["outer_ml_mm"]).all()


def test_no_slice_in_the_shaft_gives_an_empty_table() -> None:
    axial = measure_axial(make_tube(), replace(SETTINGS, top_level_mm=-249.0))
    assert len(axial.slice_z_mm) == 0
    assert all(len(values) == 0 for values in axial.columns.values())


def test_the_columns_are_those_of_sections_with_slice_and_tilt() -> None:
    axial = measure_axial(make_tube(), SETTINGS)
    measured = [column.name for column in AXIAL_COLUMNS if column.measured]
    assert list(axial.columns) == list(axial.uncertainties) == measured
    names = [column.name for column in AXIAL_COLUMNS]
    assert len(names) == len(set(names))
    own = {"slice_z_mm", "tilt_deg", "local_tilt_deg"}
    assert set(names) - own == {c.name for c in SECTION_COLUMNS} - {"axis_tilt_deg"}
