"""Frames of a femur from its axis and one direction across it."""

import numpy as np
from numpy.typing import NDArray

from canalmorph.geometry.lines import normalise
from canalmorph.model.femur import FemurFrame, Plane, Side


def find_posterior(
    proximal: NDArray[np.float64], medial: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the perpendicular of both that points to the patient's back (+y)."""
    posterior = np.cross(proximal, medial)
    return np.asarray(-posterior if posterior[1] < 0 else posterior)


def make_frame(
    origin: NDArray[np.float64],
    proximal: NDArray[np.float64],
    towards_medial: NDArray[np.float64],
    plane: Plane,
) -> FemurFrame:
    """Return the frame with ML as near as can be to a direction.

    Parameters
    ----------
    origin : (3,) float array
        Level 0 on the axis, in patient space. [mm]
    proximal : (3,) float array
        Unit vector of the shaft axis.
    towards_medial : (3,) float array
        What ML is taken from.
    plane : Plane
        What that is.
    """
    medial = normalise(towards_medial - (towards_medial @ proximal) * proximal)
    return FemurFrame(
        origin_lps_mm=origin,
        medial=medial,
        posterior=find_posterior(proximal, medial),
        proximal=proximal,
        plane=plane,
    )


def make_scanner_frame(
    origin: NDArray[np.float64], proximal: NDArray[np.float64], side: Side
) -> FemurFrame:
    """Return the frame with ML along the scanner's left-right axis."""
    across = np.array([float(side.medial_x_sign), 0.0, 0.0])
    return make_frame(origin, proximal, across, Plane.SCANNER)
