"""Axial slices of an oblique shaft over-read by 1/cos; sections across the axis do not."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from canalmorph.geometry.tubes import cut_tube
from canalmorph.measure.section import measure_outline
from canalmorph.model.femur import Cortex
from canalmorph_phantoms.tubes import Tube

#: By how much an axial slice over-reads the width along the tilt: 1/cos - 1, printed in per cent
#: to one digit (derived, plane geometry). [deg: %]
OVER_READING_PERCENT = {5.0: 0.4, 10.0: 1.5, 15.0: 3.5, 20.0: 6.4, 30.0: 15.5}
WIDTH_MM = 28.0
#: The phantoms' exact lines run along x, 0.117 mm apart in y: half of that is how far off a wall
#: that runs along x may be drawn.
RASTER_MM = 0.117 / 2


def make_rings(tilt_deg: float, n: int = 180) -> np.ndarray:
    """Return rings of a cylinder across its own axis, which leans in x, (k, m, 3)."""
    angles = 2 * np.pi * np.arange(n) / n
    heights = np.arange(-40.0, 41.0)[:, None]
    circle = np.stack(
        [
            np.broadcast_to(WIDTH_MM / 2 * np.cos(angles), (81, n)),
            np.broadcast_to(WIDTH_MM / 2 * np.sin(angles), (81, n)),
            np.broadcast_to(heights, (81, n)),
        ],
        axis=-1,
    )
    return (
        Rotation.from_euler("y", tilt_deg, degrees=True)
        .apply(circle.reshape(-1, 3))
        .reshape(circle.shape)
    )


def read_widths(section: np.ndarray) -> tuple[float, float]:
    """Return ML and AP caliper width of a section [mm]."""
    values, _, _ = measure_outline(
        section[:, :2], np.full(len(section), 0.05), medial_limit_mm=np.inf, prefix="outer"
    )
    return values["outer_ml_mm"], values["outer_ap_mm"]


@pytest.mark.parametrize(("tilt_deg", "percent"), OVER_READING_PERCENT.items())
def test_axial_slices_over_read_as_printed(tilt_deg: float, percent: float) -> None:
    rings = make_rings(tilt_deg)
    along, across = read_widths(cut_tube(rings, np.array([0.0]))[0])
    assert 100 * (along / WIDTH_MM - 1) == pytest.approx(percent, abs=0.05)  # printed to 0.1
    # Straight generators are cut exactly, and four of the points lie on the calipers' jaws.
    assert along == pytest.approx(WIDTH_MM / np.cos(np.radians(tilt_deg)), abs=1e-9)
    assert across == pytest.approx(WIDTH_MM, abs=1e-9)


@pytest.mark.parametrize("tilt_deg", OVER_READING_PERCENT)
def test_sections_across_the_axis_do_not(tilt_deg: float) -> None:
    back = Rotation.from_euler("y", -tilt_deg, degrees=True)
    rings = make_rings(tilt_deg)
    rings = back.apply(rings.reshape(-1, 3)).reshape(rings.shape)
    section = cut_tube(rings, np.array([0.25]))[0]
    assert read_widths(section) == pytest.approx((WIDTH_MM, WIDTH_MM), abs=1e-9)


@pytest.mark.parametrize("tilt_deg", [10.0, 15.0])
def test_the_same_holds_on_voxels(tilt_deg: float, segment_tube: Callable[[Tube], Cortex]) -> None:
    tube = Tube(axis_tilt_deg=(0.0, tilt_deg, 0.0))
    cortex = segment_tube(tube)
    axis = tube.axis()
    # The rough axis rests on exact centres here.
    assert np.linalg.norm(np.cross(cortex.axis_direction, axis)) < 1e-9
    axes = np.stack([[axis[2], 0.0, -axis[0]], [0.0, 1.0, 0.0], axis], axis=1)
    levels = np.array([-34.0, -28.0, -22.0])
    for points, width_mm in ((cortex.outer_lps_mm, 28.0), (cortex.canal_lps_mm, 14.0)):
        axial = np.array([read_widths(section) for section in cut_tube(points, levels)])
        straight = np.array([read_widths(section) for section in cut_tube(points @ axes, levels)])
        # 0.03 mm: a hundredth of the blurred edge, what is left of grid and smoothing without
        # noise; the over-reading itself is 0.2 to 1 mm.
        assert np.abs(straight[:, 0] - width_mm).max() < 0.03
        assert np.abs(axial[:, 0] * np.cos(np.radians(tilt_deg)) - width_mm).max() < 0.03
        for widths in (straight, axial):
            assert np.abs(widths[:, 1] - width_mm).max() < 0.03 + RASTER_MM
