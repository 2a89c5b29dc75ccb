"""Whether the values run on from slice to slice: a slice of another scale, blank or damaged."""

import numpy as np
from numpy.typing import NDArray

#: Every so many rows and columns are looked at: 16,000 pixels of a slice of 512 x 512.
_STEP = 4
#: Above this is the patient, or the table. [HU]
BODY_HU = -500
#: A slice with less than this part of the usual body is at the body's end. [dimensionless]
LEAST_BODY = 0.1
#: The middle pixel of the body changes by less than this from slice to slice. [HU] In real scans by
#: 16 at most, at 5 mm; a slope wrong by 5 % changes muscle by 54.
LARGEST_STEP_HU = 50.0
#: The usual change of a pixel, either way, is noise and anatomy: in real scans up to 2.1 times the
#: median over the slices; a damaged slice was 80 times. Allowed are this and so many medians. [HU]
ALLOWED_CHANGE_HU, ALLOWED_MEDIANS = 40.0, 3.0


def find_jumps(voxels_hu: NDArray[np.int16]) -> tuple[str, ...]:
    """Return a warning code if neighbouring slices differ by far more than the rest does.

    Only slices between the two ends of the body are compared, so that a body that ends in view is
    no jump.
    """
    step = _STEP if min(voxels_hu.shape[1:]) >= 128 else 1
    planes = voxels_hu[:, ::step, ::step]
    in_body = np.array([np.count_nonzero(plane > BODY_HU) for plane in planes])
    if not in_body.any():
        return ()
    whole = np.flatnonzero(in_body > LEAST_BODY * np.median(in_body[in_body > 0]))
    first, last = int(whole[0]), int(whole[-1])
    steps, changes = [], []
    for k in range(first, last):
        here, there = planes[k].astype(np.int32), planes[k + 1].astype(np.int32)
        difference = there - here
        either = (here > BODY_HU) | (there > BODY_HU)
        both = (here > BODY_HU) & (there > BODY_HU)
        steps.append(abs(float(np.median(difference[both]))) if both.any() else 0.0)
        changes.append(float(np.median(np.abs(difference[either]))) if either.any() else 0.0)
    if not changes:
        return ()
    allowed = ALLOWED_CHANGE_HU + ALLOWED_MEDIANS * float(np.median(changes))
    if max(steps) > LARGEST_STEP_HU or max(changes) > allowed:
        return ("values-jump",)
    return ()
