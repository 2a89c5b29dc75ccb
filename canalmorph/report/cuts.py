"""Every kept section as a small SVG with both outlines, for the page's slider."""

from base64 import b64encode
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from canalmorph.flags import Quality
from canalmorph.model.femur import Side
from canalmorph.model.results import CanalProfile, FemurResult, Measurement
from canalmorph.report.drawing import get_view_sign
from canalmorph.report.numbers import format_level, format_measurement
from canalmorph.report.outlines import get_level_uncertainty
from canalmorph.report.pictures import FemurPictures, PackedSection

#: Side of the picture [px], and length of its scale bar [mm].
CUT_PX, BAR_MM = 320.0, 10.0
#: What stands beside the picture: name and column of ``sections.csv``.
READINGS = {
    "Outer ML": "outer_ml_mm",
    "Outer AP": "outer_ap_mm",
    "Canal ML": "canal_ml_mm",
    "Canal AP": "canal_ap_mm",
    "Largest circle in the canal": "canal_inscribed_mm",
    "Cortex, medial": "cortex_medial_mm",
    "Cortex, lateral": "cortex_lateral_mm",
    "Cortex, anterior": "cortex_anterior_mm",
    "Cortex, posterior": "cortex_posterior_mm",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Cut:
    """One position of the slider.

    Attributes
    ----------
    level_mm : float
        Its level. [mm]
    label : str
        The level in words.
    svg : str
        Picture, outlines and marks.
    readings : tuple of str
        A text for each of `READINGS`.
    doubt : str
        The section's flags in words; empty where there are none.
    """

    level_mm: float
    label: str
    svg: str
    readings: tuple[str, ...]
    doubt: str


def draw_cuts(femur: FemurResult, pictures: FemurPictures) -> tuple[Cut, ...]:
    """Return the kept sections of one femur from the knee up, so that up is up on a slider."""
    profile = femur.profile
    place = {float(level): index for index, level in enumerate(profile.levels_mm)}
    texts = _list_readings(profile)
    cuts = []
    for section in sorted(pictures.sections, key=lambda one: one.level_mm):
        index = place[section.level_mm]
        flags = Quality(int(profile.quality[index])).names()
        cuts.append(
            Cut(
                level_mm=section.level_mm,
                label=format_level(section.level_mm),
                svg=_draw_cut(profile, index, section, femur.side),
                readings=tuple(column[index] for column in texts),
                doubt=", ".join(flag.replace("_", " ") for flag in flags),
            )
        )
    return tuple(cuts)


def _list_readings(profile: CanalProfile) -> list[list[str]]:
    """Return each reading's text by section."""
    nothing = np.full(len(profile.levels_mm), np.nan)
    texts = []
    for name in READINGS.values():
        values = profile.columns.get(name, nothing)
        spread = get_level_uncertainty(profile, name) if name in profile.columns else nothing
        texts.append(
            [
                format_measurement(
                    Measurement(value=float(value), u=float(u))
                    if np.isfinite(value) and np.isfinite(u)
                    else Measurement(),
                    "mm",
                )
                for value, u in zip(values, spread, strict=True)
            ]
        )
    return texts


def _draw_cut(profile: CanalProfile, index: int, section: PackedSection, side: Side) -> str:
    sign = get_view_sign(side)
    scale = CUT_PX / (section.medial_mm[1] - section.medial_mm[0])
    corner = (section.medial_mm[0 if sign > 0 else 1], section.posterior_mm[0])
    picture = b64encode(section.jpeg).decode("ascii")
    mirror = "" if sign > 0 else f' transform="matrix(-1 0 0 1 {CUT_PX:g} 0)"'
    outlines = "".join(
        f'<path class="{name}" d="{_trace(points[index], corner, sign, scale)}"/>'
        for name, points in (
            ("outer", profile.outer_outline_mm),
            ("canal", profile.canal_outline_mm),
        )
    )
    title = f"{side.value} femur: cross-section at {format_level(section.level_mm)}"
    return (
        f'<svg viewBox="0 0 {CUT_PX:g} {CUT_PX:g}" role="img" aria-label="{title}">'
        f'<image width="{CUT_PX:g}" height="{CUT_PX:g}" preserveAspectRatio="none"{mirror} '
        f'href="data:image/jpeg;base64,{picture}"/>{outlines}{_mark(side, sign, scale)}</svg>'
    )


def _trace(
    points: NDArray[np.float64], corner: tuple[float, float], sign: int, scale: float
) -> str:
    """Return an outline as path data [px]; it breaks where points are not known."""
    closed = np.concatenate([points, points[:1]])
    across = sign * (closed[:, 0] - corner[0]) * scale
    down = (closed[:, 1] - corner[1]) * scale
    # Steps in whole tenths of a pixel are half as long as places, and their sum does not drift.
    tenths = np.round(10 * np.stack([across, down], axis=1))
    parts, pen = [], None
    for place in tenths:
        if not np.isfinite(place).all():
            pen = None
            continue
        step = place if pen is None else place - pen
        parts.append(f"{'M' if pen is None else 'l'}{step[0] / 10:g} {step[1] / 10:g}")
        pen = place
    return "".join(parts)


def _mark(side: Side, sign: int, scale: float) -> str:
    """Return side, directions and scale bar."""
    middle, far = CUT_PX / 2, CUT_PX - 12
    right, left = ("med", "lat") if sign > 0 else ("lat", "med")
    letters = "".join(
        f'<text x="{x:g}" y="{y:g}">{letter}</text>'
        for letter, x, y in (
            ("A", middle, 16),
            ("P", middle, CUT_PX - 6),
            (right, CUT_PX - 20, middle),
            (left, 20, middle),
        )
    )
    bar = f"M{far - BAR_MM * scale:.1f} 26H{far:.1f}"
    return (
        f'{letters}<text class="film" x="18" y="28">{side.value[0].upper()}</text>'
        f'<text x="{far - BAR_MM * scale / 2:.1f}" y="20">{BAR_MM:g} mm</text>'
        f'<path class="bar" d="{bar}"/>'
    )
