"""The pictures' geometry: what is drawn is what the table says, on the side where it belongs."""

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import FemurResult, Measurement
from canalmorph.report.classes_figure import STRIPS, draw_classes_figure
from canalmorph.report.outlines import find_edges, get_level_uncertainty, list_marked_levels
from canalmorph.report.pictures import find_box, take_pictures
from canalmorph.report.projection import View, cut_section, project_femur
from canalmorph.report.sections_figure import draw_section_figures
from canalmorph.report.widths_figure import draw_widths_figure

Pair = tuple[FemurResult, AlignedFemur]


def _draw_widths(femur: FemurResult, aligned: AlignedFemur) -> str:
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    return draw_widths_figure(femur, pictures, prefix="x")


def _draw_sections(femur: FemurResult, aligned: AlignedFemur) -> str:
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    return "".join(draw_section_figures(femur, pictures, prefix="x"))


NUMBER = r"(-?[\d.]+)"


def _find_path(svg: str, name: str) -> NDArray[np.float64]:
    """Return the points of the first path of a named line [px]."""
    group = re.search(rf'<g id="[a-z0-9-]*-{name}">(.*?)</g>', svg, flags=re.DOTALL)
    assert group is not None, name
    path = re.search(r'<path d="([^"]*)"', group.group(1))
    assert path is not None
    return np.array(re.findall(rf"[ML] {NUMBER} {NUMBER}", path.group(1)), dtype=float)


def _find_px_per_mm(svg: str, across_mm: float) -> float:
    image = re.search(r"<image[^>]*>", svg)
    assert image is not None
    scale = re.search(rf"scale\({NUMBER} {NUMBER}\)", image.group(0))
    width = re.search(rf'width="{NUMBER}"', image.group(0))
    assert width is not None
    return float(width.group(1)) * (float(scale.group(1)) if scale else 1.0) / across_mm


@pytest.mark.parametrize("axis", ["ml", "ap"])
@pytest.mark.parametrize("side", ["right", "left"])
def test_widths_on_the_projections_are_those_of_the_table(
    side: str, axis: str, request: pytest.FixtureRequest
) -> None:
    femur, aligned = request.getfixturevalue(f"{side}_femur")
    svg = _draw_widths(femur, aligned)
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    bottom, top = pictures.ap.vertical_mm
    # The shaft axis runs over the whole height of a film.
    line = _find_path(svg, f"axis-{axis}")
    px_per_mm = abs(line[1, 1] - line[0, 1]) / (top - bottom)
    for level in list_marked_levels(femur):
        for outline in ("outer", "canal"):
            line = _find_path(svg, f"caliper-{axis}-{outline}-{level.name}")
            length_mm = abs(line[1, 0] - line[0, 0]) / px_per_mm
            # Half a pixel of the page.
            expected = pytest.approx(level.get_width(outline, axis).value, abs=0.5 / px_per_mm)
            assert length_mm == expected
            assert line[0, 1] == pytest.approx(line[1, 1], abs=1e-3)


def test_a_cursor_moved_by_the_pages_scale_meets_the_calipers(right_femur: Pair) -> None:
    svg = _draw_widths(*right_femur)
    zero_px, px_per_mm = (
        float(found) for found in re.findall(rf'data-[a-z-]+="{NUMBER}"', svg.split(">")[0])
    )
    for name in ("ml", "ap", "chart"):
        assert _find_path(svg, f"cursor-{name}")[0, 1] == pytest.approx(zero_px, abs=0.5)
    for level in list_marked_levels(right_femur[0]):
        line = _find_path(svg, f"caliper-ml-canal-{level.name}")
        assert line[0, 1] == pytest.approx(zero_px - level.level_mm * px_per_mm, abs=0.5)


@pytest.mark.parametrize("side", ["right", "left"])
def test_calipers_of_the_sections_are_those_of_the_table(
    side: str, request: pytest.FixtureRequest
) -> None:
    femur, aligned = request.getfixturevalue(f"{side}_femur")
    svg = _draw_sections(femur, aligned)
    for name in ("lt_plus20", "lt", "lt_minus100", "isthmus"):
        level = next(level for level in list_marked_levels(femur) if level.name == name)
        canal = _find_path(svg, f"caliper-canal-{name}-ml")
        outer = _find_path(svg, f"caliper-outer-{name}-ml")
        depth = _find_path(svg, f"caliper-canal-{name}-ap")
        ratio = abs(canal[1, 0] - canal[0, 0]) / abs(outer[1, 0] - outer[0, 0])
        assert level.canal_ml.value is not None
        assert level.outer_ml.value is not None
        # Half a pixel of the shortest caliper, about 60 px.
        assert ratio == pytest.approx(level.canal_ml.value / level.outer_ml.value, rel=0.01)
        # The tube is round, so its ML and AP calipers have one length.
        assert abs(depth[1, 1] - depth[0, 1]) == pytest.approx(
            abs(canal[1, 0] - canal[0, 0]), abs=0.5
        )


@pytest.mark.parametrize(("side", "direction"), [("right", 1), ("left", -1)])
def test_the_patients_right_is_on_the_viewers_left(
    side: str, direction: int, request: pytest.FixtureRequest
) -> None:
    femur, aligned = request.getfixturevalue(f"{side}_femur")
    svg = _draw_widths(femur, aligned)
    head, axis = _find_path(svg, "head-ml"), _find_path(svg, "axis-ml")
    assert direction * (head[:, 0].mean() - axis[0, 0]) > 0


@pytest.mark.parametrize(("view", "place"), [("ap", 0), ("lateral", 1)])
def test_the_head_stands_bright_where_its_circle_is(
    view: View, place: int, right_femur: Pair
) -> None:
    femur, aligned = right_femur
    box = find_box(femur.profile)
    picture = project_femur(aligned, box, view)
    rows, columns = picture.grey.shape
    across = np.linspace(*picture.across_mm, columns + 1)[:-1] + 0.4
    level = np.linspace(*picture.vertical_mm, rows + 1)[:-1] + 0.4
    head = femur.profile.head
    assert head is not None
    centre = femur.profile.frame.lps_to_frame_mm(head.centre_lps_mm)
    distance = np.hypot(across[None, :] - centre[place], level[:, None] - centre[2])
    above = level[:, None] > 45
    inside = picture.grey[above & (distance < 0.7 * head.radius_mm)]
    outside = picture.grey[above & (distance > head.radius_mm + 3.0)]
    assert inside.min() > outside.max()


@pytest.mark.parametrize("level_mm", [20.0, -40.0, -100.0])
def test_a_section_shows_cortex_between_the_outlines(level_mm: float, right_femur: Pair) -> None:
    femur, aligned = right_femur
    index = int(np.argmin(np.abs(femur.profile.levels_mm - level_mm)))
    outer = femur.profile.outer_outline_mm[index]
    canal = femur.profile.canal_outline_mm[index]
    centre = outer.mean(axis=0)
    half = float(np.ptp(outer[:, 0])) / 2 + 6.0
    picture = cut_section(
        aligned,
        level_mm,
        medial_mm=(float(centre[0] - half), float(centre[0] + half)),
        posterior_mm=(float(centre[1] - half), float(centre[1] + half)),
    )
    rows, columns = picture.grey.shape
    pixel_mm = (picture.across_mm[1] - picture.across_mm[0]) / columns
    across = picture.across_mm[0] + (np.arange(columns) + 0.5) * pixel_mm
    down = picture.vertical_mm[0] + (np.arange(rows) + 0.5) * pixel_mm
    radius = np.hypot(across[None, :] - centre[0], down[:, None] - centre[1])
    outer_mm, canal_mm = float(np.ptp(outer[:, 0])) / 2, float(np.ptp(canal[:, 0])) / 2
    # A voxel counts by its centre: the drawn edge errs by at most half a voxel's diagonal,
    # 1.3 mm, and trilinear sampling widens it by as much again.
    away_mm = 2.6
    middle = np.abs(radius - (outer_mm + canal_mm) / 2) < 0.3
    assert np.median(picture.grey[middle]) > 0.6 * 255
    assert picture.grey[radius < canal_mm - away_mm].max() < 0.3 * 255
    assert picture.grey[radius > outer_mm + away_mm].max() < 0.3 * 255


def test_edges_end_where_the_measured_width_ends(right_femur: Pair) -> None:
    profile = right_femur[0].profile
    cut = replace(
        profile, columns={**profile.columns, "canal_ml_mm": profile.columns["canal_ml_mm"] - 3.0}
    )
    lateral, medial = find_edges(cut, "canal", "ml")
    np.testing.assert_allclose(medial - lateral, cut.columns["canal_ml_mm"], rtol=1e-12)
    np.testing.assert_allclose(lateral, profile.canal_outline_mm[:, :, 0].min(axis=1), rtol=1e-12)


def test_uncertainty_at_a_level_adds_the_slope_times_that_of_level_0(right_femur: Pair) -> None:
    profile = right_femur[0].profile
    line = replace(profile, columns={"canal_ml_mm": 20.0 + 0.3 * profile.levels_mm})
    expected = np.hypot(0.08, 0.3 * profile.level_u_mm)
    np.testing.assert_allclose(get_level_uncertainty(line, "canal_ml_mm"), expected, rtol=1e-9)


def test_gaps_are_drawn_as_gaps(right_femur: Pair) -> None:
    femur, aligned = right_femur
    profile = femur.profile
    outer, canal = profile.outer_outline_mm.copy(), profile.canal_outline_mm.copy()
    columns = {name: column.copy() for name, column in profile.columns.items()}
    outer[:20], canal[:20], canal[60, 3:9] = np.nan, np.nan, np.nan
    for column in columns.values():
        column[:20] = np.nan
    values = {**femur.indices.values, "canal_ml_lt_plus20_mm": Measurement()}
    broken = replace(
        femur,
        profile=replace(
            profile,
            outer_outline_mm=outer,
            canal_outline_mm=canal,
            columns=columns,
            uncertainties=columns,
            head=None,
        ),
        indices=replace(femur.indices, values=values),
    )
    svg = _draw_widths(broken, aligned)
    assert "caliper-ml-canal-lt_plus20" not in svg
    for drawn in (svg, _draw_sections(broken, aligned)):
        assert "nan" not in re.sub(r'href="data:[^"]*"', "", drawn).lower()


def test_a_number_stands_between_its_bounds(right_femur: Pair, left_femur: Pair) -> None:
    for femur in (right_femur[0], left_femur[0]):
        svg = draw_classes_figure(femur, prefix="x")
        for strip in STRIPS:
            line = _find_path(svg, f"number-{strip.column}")
            value = femur.indices.values[strip.column].value
            assert value is not None
            for number, bound in enumerate(strip.bounds):
                edge = _find_path(svg, f"bound-{strip.column}-{number}")
                assert (line[0, 0] < edge[0, 0]) == (value < bound)
