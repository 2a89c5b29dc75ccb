"""Rigid maps between a femur's frame, the patient and the scanner, as 4 x 4 matrices in mm."""

from math import radians

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from canalmorph_phantoms.spec import PhantomScan, PlacedFemur


def _make_rigid(rotation: NDArray[np.float64], shift: NDArray[np.float64]) -> NDArray[np.float64]:
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = rotation, shift
    return matrix


def frame_to_patient(femur: PlacedFemur) -> NDArray[np.float64]:
    """Return the map from the femur's frame ``(u, v, s)`` to patient LPS, shape (4, 4) [mm].

    A left femur's map holds a reflection, so that left and right are exact mirror images.
    """
    # Angles are meant in (medial, posterior, up), which is right-handed on the right side.
    turn = femur.internal_rotation_deg - femur.shape.torsion_deg
    rotation = (
        Rotation.from_rotvec([0, radians(-femur.adduction_deg), 0])
        * Rotation.from_rotvec([radians(-femur.flexion_deg), 0, 0])
        * Rotation.from_rotvec([0, 0, radians(turn)])
    ).as_matrix()
    medial_x = 1.0 if femur.side == "right" else -1.0
    axes = np.diag([medial_x, 1.0, 1.0]) @ rotation
    shape = femur.shape
    head = np.array([shape.head_medial_mm, shape.neck_posterior_mm, shape.head_height_mm])
    centre = np.array(
        [-medial_x * femur.head_lateral_mm, femur.head_posterior_mm, femur.head_superior_mm]
    )
    return _make_rigid(axes, centre - axes @ head)


def patient_to_scanner(spec: PhantomScan) -> NDArray[np.float64]:
    """Return the map from patient to scanner LPS, shape (4, 4) [mm]."""
    rotation = Rotation.from_rotvec(np.radians(spec.patient_rotation_deg)).as_matrix()
    return _make_rigid(rotation, np.array(spec.patient_shift_mm))
