"""The CT pictures of a femur, taken once while the CT is at hand; all drawing is from them."""

import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.results import CanalProfile, FemurResult
from canalmorph.report.outlines import find_section, find_view, list_marked_levels
from canalmorph.report.projection import FemurBox, Picture, cut_section, project_femur

#: Distance of the sections that are kept, beside those of the marked levels. [mm]
KEPT_STEP_MM = 4.0
#: Room around the bone on the projections. [mm]
MARGIN_MM = 10.0
#: Of the sections' JPEG: about where grain of the noise, and no edge, is lost.
QUALITY = 70


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PackedSection:
    """The CT of one section, packed.

    Attributes
    ----------
    level_mm : float
        Of the section. [mm]
    jpeg : bytes
        Grey; the first row is the most anterior, the first column the most lateral.
    medial_mm, posterior_mm : tuple of float
        Outer edges of the picture. [mm]
    """

    level_mm: float
    jpeg: bytes
    medial_mm: tuple[float, float]
    posterior_mm: tuple[float, float]

    def unpack(self) -> Picture:
        """Return the picture."""
        grey = np.asarray(Image.open(io.BytesIO(self.jpeg)), dtype=np.uint8)
        return Picture(grey=grey, across_mm=self.medial_mm, vertical_mm=self.posterior_mm)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FemurPictures:
    """What the pages show of the CT of one femur.

    Attributes
    ----------
    side : Side
        Body side.
    ap, lateral : Picture
        Projections in the femur's own frame.
    sections : tuple of PackedSection
        From the top down.
    """

    side: Side
    ap: Picture
    lateral: Picture
    sections: tuple[PackedSection, ...]


def take_pictures(femur: FemurResult, aligned: AlignedFemur) -> FemurPictures | None:
    """Return the pictures of one femur; None where too little of it was measured to show.

    Parameters
    ----------
    femur : FemurResult
        Says which levels and how much around them.
    aligned : AlignedFemur
        The same femur with its CT.
    """
    profile = femur.profile
    if len(profile.levels_mm) < 2:
        return None
    box = find_box(profile)
    return FemurPictures(
        side=femur.side,
        ap=project_femur(aligned, box, "ap"),
        lateral=project_femur(aligned, box, "lateral"),
        sections=tuple(
            _pack_section(aligned, profile.outer_outline_mm[index], float(profile.levels_mm[index]))
            for index in _list_kept(femur)
        ),
    )


def take_all_pictures(
    femora: Sequence[FemurResult], aligned: Sequence[AlignedFemur]
) -> tuple[FemurPictures, ...]:
    """Return the pictures of a case's femora, matched to their CT by side."""
    by_side = {one.cortex.femur.side: one for one in aligned}
    taken = [take_pictures(femur, by_side[femur.side]) for femur in femora if femur.side in by_side]
    return tuple(pictures for pictures in taken if pictures is not None)


def find_box(profile: CanalProfile) -> FemurBox:
    """Return the box that holds every section and the head."""
    points = profile.outer_outline_mm.reshape(-1, 2)
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) == 0:
        points = np.array([[-25.0, -25.0], [25.0, 25.0]])
    low, high = points.min(axis=0), points.max(axis=0)
    bottom, top = float(profile.levels_mm.min()), float(profile.levels_mm.max())
    if profile.head is not None:
        centre = profile.frame.lps_to_frame_mm(profile.head.centre_lps_mm)
        radius = profile.head.radius_mm
        low, high = np.minimum(low, centre[:2] - radius), np.maximum(high, centre[:2] + radius)
        top = max(top, float(centre[2]) + radius)
    return FemurBox(
        medial_mm=(float(low[0]) - MARGIN_MM, float(high[0]) + MARGIN_MM),
        posterior_mm=(float(low[1]) - MARGIN_MM, float(high[1]) + MARGIN_MM),
        level_mm=(bottom - MARGIN_MM / 2, top + MARGIN_MM / 2),
    )


def _list_kept(femur: FemurResult) -> list[int]:
    """Return the sections that are kept, from the top down."""
    levels_mm = femur.profile.levels_mm
    steps = np.arange(
        np.ceil(levels_mm.min() / KEPT_STEP_MM), np.floor(levels_mm.max() / KEPT_STEP_MM) + 1
    )
    wanted = [*(steps * KEPT_STEP_MM), *(mark.level_mm for mark in list_marked_levels(femur))]
    found = (find_section(femur.profile, float(level)) for level in wanted)
    kept = {index for index in found if index is not None} or set(range(len(levels_mm)))
    return sorted(kept, key=lambda index: -levels_mm[index])


def _pack_section(
    aligned: AlignedFemur, outer_mm: NDArray[np.float64], level_mm: float
) -> PackedSection:
    medial_mm, posterior_mm = find_view(outer_mm)
    picture = cut_section(aligned, level_mm, medial_mm=medial_mm, posterior_mm=posterior_mm)
    stream = io.BytesIO()
    Image.fromarray(picture.grey).save(stream, "JPEG", quality=QUALITY, optimize=True)
    return PackedSection(
        level_mm=level_mm,
        jpeg=stream.getvalue(),
        medial_mm=picture.across_mm,
        posterior_mm=picture.vertical_mm,
    )
