"""Profiles made of closed forms."""

from collections.abc import Callable, Mapping

import numpy as np
import pytest
from calibrations import USUAL

from canalmorph.model.femur import FemurFrame, Plane, Side
from canalmorph.model.results import CanalProfile, Measurement

#: A width at a level. [mm, mm]
Width = Callable[[np.ndarray], np.ndarray]

FRAME = FemurFrame(
    origin_lps_mm=np.zeros(3),
    medial=np.array([1.0, 0.0, 0.0]),
    posterior=np.array([0.0, 1.0, 0.0]),
    proximal=np.array([0.0, 0.0, 1.0]),
    plane=Plane.NECK,
)


@pytest.fixture
def make_profile() -> Callable[..., CanalProfile]:
    """Return a function that makes a profile of elliptical sections from four widths."""

    def make(
        *,
        canal_ml: Width,
        outer_ml: Width,
        canal_ap: Width | None = None,
        outer_ap: Width | None = None,
        lowest_mm: float = -180.0,
        step_mm: float = 1.0,
        u_mm: float = 0.06,
        level_u_mm: float = 0.5,
        isthmus_in_view: bool = True,
        facts: Mapping[str, Measurement] | None = None,
    ) -> CanalProfile:
        levels = np.arange(40.0, lowest_mm - 1e-6, -step_mm)
        widths = {
            "canal_ml_mm": canal_ml(levels),
            "canal_ap_mm": (canal_ap or canal_ml)(levels),
            "outer_ml_mm": outer_ml(levels),
            "outer_ap_mm": (outer_ap or outer_ml)(levels),
        }
        columns = {
            name: np.broadcast_to(value, levels.shape).copy() for name, value in widths.items()
        }
        uncertainties = {name: np.full(len(levels), u_mm) for name in columns}
        for outline in ("canal", "outer"):
            ml, ap = columns[f"{outline}_ml_mm"], columns[f"{outline}_ap_mm"]
            columns[f"{outline}_area_mm2"] = np.pi / 4 * ml * ap
            uncertainties[f"{outline}_area_mm2"] = np.pi / 4 * u_mm * np.hypot(ml, ap)
        columns["canal_inscribed_mm"] = np.minimum(columns["canal_ml_mm"], columns["canal_ap_mm"])
        uncertainties["canal_inscribed_mm"] = np.full(len(levels), u_mm)
        outline = np.zeros((len(levels), 4, 2))
        return CanalProfile(
            side=Side.LEFT,
            frame=FRAME,
            levels_mm=levels,
            columns=columns,
            uncertainties=uncertainties,
            quality=np.zeros(len(levels), dtype=np.int64),
            outer_outline_mm=outline,
            canal_outline_mm=outline,
            head=None,
            facts=facts or {},
            level_u_mm=level_u_mm,
            isthmus_in_view=isthmus_in_view,
            calibration=USUAL,
        )

    return make
