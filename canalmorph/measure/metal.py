"""Which columns are blank because of metal, in a plain sentence."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lumps import measure_distance_mm
from canalmorph.model.columns import FEMUR_COLUMNS
from canalmorph.model.femur import METAL_REACH_MM, AlignedFemur
from canalmorph.model.index_columns import KNEE_FACTS

#: Columns that need the head or the neck, by how they begin, and the neck alone.
OF_HEAD = ("head_", "femoral_offset_")
OF_NECK = ("neck_", "cancellous_neck_", "torsion_")
#: The neck and the greater trochanter lie this near to the head's centre. [mm]
NECK_WITHIN_MM, TROCHANTER_WITHIN_MM = 50.0, 75.0


def explain_metal(aligned: AlignedFemur) -> dict[str, str]:
    """Return why columns of head, neck, greater trochanter and knee are blank, by column name.

    Empty where the scan shows no metal near them. A column that has a number all the same keeps it.
    """
    names = [column.name for column in FEMUR_COLUMNS if column.measured]
    reasons: dict[str, str] = {}
    for part, prefixes in _list_hidden_parts(aligned).items():
        reason = (
            f"Metal lies in or near the {part}: no number within {METAL_REACH_MM:.0f} mm of it can "
            "be trusted."
        )
        reasons |= {
            name: reason
            for name in names
            if name not in reasons and (name.startswith(prefixes) or _is_of(part, name))
        }
    return reasons


def _list_hidden_parts(aligned: AlignedFemur) -> dict[str, tuple[str, ...]]:
    """Return the parts that metal hides, with the beginnings of their columns' names."""
    femur, head = aligned.cortex.femur, aligned.cortex.femur.head
    if len(femur.metal_lps_mm) == 0:
        return {}
    middle = aligned.cortex.axis_point_lps_mm if head is None else head.centre_lps_mm
    distance = float(measure_distance_mm(middle, femur.metal_lps_mm)) - METAL_REACH_MM
    parts: dict[str, tuple[str, ...]] = {}
    if (head is None and distance < NECK_WITHIN_MM) or (head is not None and head.near_metal):
        parts["head"] = (*OF_HEAD, *OF_NECK)
    elif aligned.neck is None and distance < NECK_WITHIN_MM:
        parts["neck"] = OF_NECK
    if aligned.trochanter_tip is None and distance < TROCHANTER_WITHIN_MM:
        parts["greater trochanter"] = ("trochanter_tip_",)
    if femur.knee is not None and aligned.condyles is None:
        crop = femur.knee.crop
        if _has_any_within(femur.metal_lps_mm, crop.index_to_lps_mm, crop.voxels_hu.shape):
            parts["knee"] = tuple(KNEE_FACTS)
    return parts


def _is_of(part: str, name: str) -> bool:
    return part == "greater trochanter" and "trochanter_tip" in name


def _has_any_within(
    points_lps_mm: NDArray[np.float64],
    index_to_lps_mm: NDArray[np.float64],
    shape: tuple[int, ...],
) -> bool:
    homogeneous = np.c_[points_lps_mm, np.ones(len(points_lps_mm))]
    index = (homogeneous @ np.linalg.inv(index_to_lps_mm).T)[:, :3]
    return bool(((index >= -0.5) & (index <= np.array(shape) - 0.5)).all(axis=1).any())
