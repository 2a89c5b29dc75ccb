"""The slider's sections: as wide as the table says, on the side where they belong."""

import re
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import FemurResult
from canalmorph.report.cuts import CUT_PX, draw_cuts
from canalmorph.report.pictures import take_pictures

Pair = tuple[FemurResult, AlignedFemur]


def _follow(svg: str, name: str) -> NDArray[np.float64]:
    """Return the points of an outline [px]."""
    path = re.search(rf'<path class="{name}" d="M([^"]*)"', svg)
    assert path is not None
    steps = [[float(n) for n in part.split()] for part in path.group(1).split("l")]
    return np.cumsum(steps, axis=0)


@pytest.mark.parametrize("side", ["right", "left"])
def test_outlines_are_as_wide_as_the_table_says(side: str, request: pytest.FixtureRequest) -> None:
    femur, aligned = request.getfixturevalue(f"{side}_femur")
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    by_level = {section.level_mm: section for section in pictures.sections}
    for cut in draw_cuts(femur, pictures):
        low, high = by_level[cut.level_mm].medial_mm
        row = int(np.argmin(np.abs(femur.profile.levels_mm - cut.level_mm)))
        for name in ("outer", "canal"):
            points = _follow(cut.svg, name)
            for place, axis in enumerate(("ml", "ap")):
                expected = femur.profile.columns[f"{name}_{axis}_mm"][row]
                px = np.ptp(points[:, place])
                assert px == pytest.approx(expected * CUT_PX / (high - low), abs=0.5)
            assert (points >= 0).all()
            assert (points <= CUT_PX).all()


@pytest.mark.parametrize(("side", "medial_right"), [("right", True), ("left", False)])
def test_medial_is_where_it_is_on_a_film(
    side: str, medial_right: bool, request: pytest.FixtureRequest
) -> None:
    femur, aligned = request.getfixturevalue(f"{side}_femur")
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    svg = draw_cuts(femur, pictures)[0].svg
    place = re.search(r'<text x="([\d.]+)" y="160">med</text>', svg)
    assert place is not None
    assert (float(place.group(1)) > CUT_PX / 2) == medial_right
    assert ("matrix(-1" in svg) != medial_right


def test_sections_go_up_with_the_slider_and_say_their_doubt(right_femur: Pair) -> None:
    femur, aligned = right_femur
    quality = femur.profile.quality.copy()
    quality[femur.profile.levels_mm == -100.0] = Quality.THIN_CORTEX | Quality.UNCERTAIN
    columns = {**femur.profile.columns}
    columns["canal_ml_mm"] = columns["canal_ml_mm"].copy()
    columns["canal_ml_mm"][femur.profile.levels_mm == -100.0] = np.nan
    doubted = replace(femur, profile=replace(femur.profile, quality=quality, columns=columns))
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    cuts = draw_cuts(doubted, pictures)
    assert [cut.level_mm for cut in cuts] == sorted(cut.level_mm for cut in cuts)
    (cut,) = [cut for cut in cuts if cut.level_mm == -100.0]
    assert cut.doubt == "thin cortex, uncertain"
    assert cut.label == "LT−100"
    assert cut.readings[2] == "–"
    assert "–" not in cut.readings[:2]


def test_an_unknown_stretch_of_an_outline_is_left_open(right_femur: Pair) -> None:
    femur, aligned = right_femur
    canal = femur.profile.canal_outline_mm.copy()
    canal[:, 10:20] = np.nan
    broken = replace(femur, profile=replace(femur.profile, canal_outline_mm=canal))
    pictures = take_pictures(femur, aligned)
    assert pictures is not None
    for cut in draw_cuts(broken, pictures):
        path = re.search(r'<path class="canal" d="([^"]*)"', cut.svg)
        assert path is not None
        assert path.group(1).count("M") == 2
        assert "nan" not in cut.svg.split("base64")[0] + path.group(1)
