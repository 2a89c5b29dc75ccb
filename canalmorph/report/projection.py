"""Pictures resampled from the CT in the femur's own frame; nothing is measured on them."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.sampling import sample_points, sample_rays
from canalmorph.model.femur import AlignedFemur, FemurFrame
from canalmorph.model.volume import CtVolume

View = Literal["ap", "lateral"]

#: Pixel of the projection: about the finest that a page shows. [mm]
PROJECTION_PIXEL_MM = 0.8
#: Distance of the samples along a ray. [mm]
RAY_STEP_MM = 1.0
#: Rows of a projection that are taken together.
ROWS_AT_ONCE = 32
#: Pixels along a side of a section: finer than CT, so that outlines are judged on smooth grey.
SECTION_PIXELS = 200
#: Densities above this count as this, so that metal does not drown the bone. [HU]
CLIP_HU = 2500.0
#: Grey range of a section: fat to thick cortex. [HU]
SECTION_WINDOW_HU = (-250.0, 1750.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """Grey values in the femur's frame.

    Attributes
    ----------
    grey : (rows, columns) uint8 array
        0 black to 255 white; the first row is the lowest `vertical_mm`, the first column the
        lowest `across_mm`. Black where the scan has nothing.
    across_mm, vertical_mm : tuple of float
        Outer edges of the first and last pixel. [mm]
    """

    grey: NDArray[np.uint8]
    across_mm: tuple[float, float]
    vertical_mm: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class FemurBox:
    """The box around a femur in its own frame [mm]."""

    medial_mm: tuple[float, float]
    posterior_mm: tuple[float, float]
    level_mm: tuple[float, float]


def project_femur(aligned: AlignedFemur, box: FemurBox, view: View) -> Picture:
    """Return what an unmagnified film of the box would show: attenuation summed along rays.

    Parameters
    ----------
    aligned : AlignedFemur
        Gives the scan's crop and the frame.
    box : FemurBox
        What is projected.
    view : str
        ``ap``: rays run along the frame's posterior axis, and across is medial; ``lateral``: they
        run along its medial axis, and across is posterior.

    Returns
    -------
    Picture
        Vertical is level; grey from the least to the most attenuation in the box, 2 % clipped
        below and 0.2 % above.
    """
    frame = aligned.frame
    if view == "ap":
        span_mm, depth_mm, along, direction = box.medial_mm, box.posterior_mm, 1, frame.posterior
    else:
        span_mm, depth_mm, along, direction = box.posterior_mm, box.medial_mm, 0, frame.medial
    across, columns = _pixel_centres(span_mm, PROJECTION_PIXEL_MM)
    vertical, rows = _pixel_centres(box.level_mm, PROJECTION_PIXEL_MM)
    starts = np.empty((len(vertical), len(across), 3))
    starts[..., 1 - along] = across
    starts[..., along] = depth_mm[0]
    starts[..., 2] = vertical[:, None]
    n_samples = int((depth_mm[1] - depth_mm[0]) / RAY_STEP_MM) + 1
    crop = aligned.cortex.femur.crop
    # A few rows at a time: the samples of all rays are more memory than the crop.
    attenuation = np.concatenate(
        [
            _attenuate(crop, frame.frame_to_lps_mm(part), direction, n_samples)
            for part in np.array_split(starts, -(-len(starts) // ROWS_AT_ONCE))
        ]
    )
    return Picture(grey=_stretch(attenuation), across_mm=columns, vertical_mm=rows)


def _attenuate(
    crop: CtVolume,
    starts_lps_mm: NDArray[np.float64],
    direction: NDArray[np.float64],
    n_samples: int,
) -> NDArray[np.float64]:
    """Return the attenuation along rays, relative to 1 mm of water; NaN outside the scan."""
    rays_hu = sample_rays(
        crop.voxels_hu,
        crop.index_to_lps_mm,
        starts_lps_mm,
        np.broadcast_to(direction, starts_lps_mm.shape),
        step_mm=RAY_STEP_MM,
        n_samples=n_samples,
    )
    seen = np.isfinite(rays_hu)
    water = np.where(seen, np.clip(rays_hu, -1000.0, CLIP_HU) / 1000.0 + 1.0, 0.0)
    attenuation = np.asarray(water.sum(axis=-1, dtype=np.float64))
    attenuation[~seen.any(axis=-1)] = np.nan
    return attenuation


def cut_section(
    aligned: AlignedFemur,
    level_mm: float,
    *,
    medial_mm: tuple[float, float],
    posterior_mm: tuple[float, float],
) -> Picture:
    """Return the CT in the plane of one section.

    Parameters
    ----------
    aligned : AlignedFemur
        Gives the scan's crop and the frame.
    level_mm : float
        Level of the plane. [mm]
    medial_mm, posterior_mm : tuple of float
        The picture's sides in the frame. [mm]

    Returns
    -------
    Picture
        Across is medial, vertical is posterior; grey by `SECTION_WINDOW_HU`.
    """
    crop, frame = aligned.cortex.femur.crop, aligned.frame
    plane = sample_section(crop, frame, level_mm, medial_mm, posterior_mm)
    low, high = SECTION_WINDOW_HU
    return Picture(
        grey=_shade(plane.values_hu, low, high),
        across_mm=plane.across_mm,
        vertical_mm=plane.vertical_mm,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SectionPlane:
    """The CT on a plane.

    Attributes
    ----------
    values_hu : (rows, columns) float array
        NaN where the scan has nothing. [HU]
    across_mm, vertical_mm : tuple of float
        Outer edges of the first and last pixel along the frame's first two axes. [mm]
    """

    values_hu: NDArray[np.float64]
    across_mm: tuple[float, float]
    vertical_mm: tuple[float, float]


def sample_section(
    crop: CtVolume,
    frame: FemurFrame,
    level_mm: float,
    medial_mm: tuple[float, float],
    posterior_mm: tuple[float, float],
) -> SectionPlane:
    """Return the CT in a plane of a frame, in Hounsfield units."""
    pixel_mm = (medial_mm[1] - medial_mm[0]) / SECTION_PIXELS
    across, columns = _pixel_centres(medial_mm, pixel_mm)
    vertical, rows = _pixel_centres(posterior_mm, pixel_mm)
    points = np.empty((len(vertical), len(across), 3))
    points[..., 0] = across
    points[..., 1] = vertical[:, None]
    points[..., 2] = level_mm
    values = sample_points(crop.voxels_hu, crop.index_to_lps_mm, frame.frame_to_lps_mm(points))
    return SectionPlane(values_hu=values.astype(np.float64), across_mm=columns, vertical_mm=rows)


def _pixel_centres(
    span_mm: tuple[float, float], pixel_mm: float
) -> tuple[NDArray[np.float64], tuple[float, float]]:
    """Return the centres of whole pixels that cover a span, and the edges of the first and last."""
    if not span_mm[1] > span_mm[0]:
        raise ValueError(f"'span_mm' must ascend, got {span_mm}.")
    # A span of whole pixels keeps their number through rounding.
    count = int(np.ceil((span_mm[1] - span_mm[0]) / pixel_mm - 1e-9))
    centres = np.asarray(span_mm[0] + (np.arange(count) + 0.5) * pixel_mm, dtype=np.float64)
    return centres, (span_mm[0], span_mm[0] + count * pixel_mm)


def _stretch(values: NDArray[np.float64]) -> NDArray[np.uint8]:
    seen = values[np.isfinite(values)]
    if seen.size == 0:
        return np.zeros(values.shape, dtype=np.uint8)
    low, high = np.percentile(seen, [2.0, 99.8])
    return _shade(values, float(low), float(high))


def _shade(values: NDArray[np.float64], low: float, high: float) -> NDArray[np.uint8]:
    """Return greys of a window; black where there is no value."""
    share = np.clip((values - low) / max(high - low, 1e-9), 0.0, 1.0)
    return np.where(np.isfinite(share), np.round(255 * share), 0.0).astype(np.uint8)
