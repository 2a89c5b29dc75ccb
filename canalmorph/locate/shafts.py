"""Long bones on a coarse grid: round, filled sections linked from slice to slice."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import ndimage

from canalmorph.locate.settings import LocateSettings

#: A section's area over that of the ellipse with its second moments is 1 for an ellipse; a shaft
#: with its linea aspera has above 0.9, a pelvic section far less.
LEAST_ELLIPSE_FILL = 0.85
#: Longest over shortest axis of a shaft's section.
LARGEST_AXIS_RATIO = 1.75
#: A chain may miss this many sections in a row: noise and a vessel beside the bone do that.
LONGEST_GAP = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """Sections of one long bone, from below to above.

    Attributes
    ----------
    centres_lps_mm : (n, 3) float array
        Centres of the filled sections. [mm]
    areas_mm2 : (n,) float array
        Filled areas. [mm2]
    """

    centres_lps_mm: NDArray[np.float64]
    areas_mm2: NDArray[np.float64]

    @property
    def length_mm(self) -> float:
        """Distance from the lowest to the highest centre [mm]."""
        return float(np.linalg.norm(self.centres_lps_mm[-1] - self.centres_lps_mm[0]))


def find_round_sections(
    bone: NDArray[np.bool_], pixel_mm: tuple[float, float], area_mm2: tuple[float, float]
) -> list[tuple[float, float, float]]:
    """Return row, column and area of every round, filled section of one slice [index, mm2]."""
    filled = ndimage.binary_fill_holes(bone)
    labels, count = ndimage.label(filled)
    found = []
    for number, part in enumerate(ndimage.find_objects(labels, count), start=1):
        rows, columns = np.nonzero(labels[part] == number)
        area = rows.size * pixel_mm[0] * pixel_mm[1]
        if not area_mm2[0] <= area <= area_mm2[1]:
            continue
        moments = np.cov(np.stack([rows * pixel_mm[0], columns * pixel_mm[1]]))
        small, large = np.linalg.eigvalsh(moments + np.diag(np.square(pixel_mm)) / 12)
        ellipse_area = 4 * np.pi * np.sqrt(small * large)
        if np.sqrt(large / small) > LARGEST_AXIS_RATIO or area / ellipse_area < LEAST_ELLIPSE_FILL:
            continue
        found.append((rows.mean() + part[0].start, columns.mean() + part[1].start, area))
    return found


def find_shafts(
    blocks_hu: NDArray[np.float32],
    index_to_lps_mm: NDArray[np.float64],
    settings: LocateSettings,
) -> list[Chain]:
    """Return the chains of round sections that are long enough for a shaft, longest first.

    Parameters
    ----------
    blocks_hu : (k, j, i) float32 array
        Coarse grid, k upwards. [HU]
    index_to_lps_mm : (4, 4) float array
        Its affine. [mm]
    settings : LocateSettings
        Thresholds.
    """
    spacing = np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    reach_mm = 0.5 * spacing[0] + 2.0 * float(spacing[1:].max())
    done: list[list[tuple[int, float, float, float]]] = []
    growing: list[list[tuple[int, float, float, float]]] = []
    for k in range(blocks_hu.shape[0]):
        sections = find_round_sections(
            blocks_hu[k] > settings.bone_hu,
            (float(spacing[1]), float(spacing[2])),
            settings.shaft_area_mm2,
        )
        still = [chain for chain in growing if k - chain[-1][0] <= LONGEST_GAP]
        done += [chain for chain in growing if k - chain[-1][0] > LONGEST_GAP]
        growing = still
        for row, column, area in sections:
            best: list[tuple[int, float, float, float]] | None = None
            nearest = np.inf
            for chain in growing:
                last = chain[-1]
                if last[0] == k or not 0.6 < area / last[3] < 1.7:
                    continue
                distance = float(
                    np.hypot((row - last[1]) * spacing[1], (column - last[2]) * spacing[2])
                )
                if distance < min(nearest, reach_mm * (k - last[0])):
                    best, nearest = chain, distance
            if best is None:
                growing.append([(k, row, column, area)])
            else:
                best.append((k, row, column, area))
    chains = [
        _chain_from(entries, index_to_lps_mm) for entries in done + growing if len(entries) > 3
    ]
    long_enough = [chain for chain in chains if chain.length_mm >= settings.shortest_shaft_mm]
    return sorted(long_enough, key=lambda chain: -chain.length_mm)


def _chain_from(
    entries: list[tuple[int, float, float, float]], index_to_lps_mm: NDArray[np.float64]
) -> Chain:
    table = np.array(entries)
    index = np.c_[table[:, :3], np.ones(len(table))]
    return Chain(
        centres_lps_mm=(index @ index_to_lps_mm.T)[:, :3],
        areas_mm2=table[:, 3],
    )
