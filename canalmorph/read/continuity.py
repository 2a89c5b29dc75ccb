"""Whether the values run on from slice to slice and from row to row.

A slice of another scale, blank or damaged, and an image whose declared width is not its own, are
told by what no anatomy does.
"""

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from canalmorph.errors import CorruptFileError

#: Half of a row's voxels lie by no more than the first, or so many times the slice's usual change,
#: beyond what the slices before and after have there: 46 HU at most in virtual scans with noise,
#: 1000 where a row was damaged. Rows of less than half of the slice's longest, or of fewer voxels,
#: are left out: across a plate or a screw they jump. In the first and the last slice this
#: many times that is allowed. [HU]
AT_AN_END = 3.0
LARGEST_ROW_EXCESS_HU, EXCESS_CHANGES, LEAST_ROW_SHARE, LEAST_ROW_VOXELS = 100.0, 2.0, 0.5, 16
#: Differences are counted up to this: a median beyond it is told all the same. [HU]
_MOST_HU = 8192
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
#: Voxels along a row lie in the file beside each other. Rows, and slices, change by up to 1.7 times
#: what they do in real scans (slices 11 times farther apart, 3.9 times); of a wrong width, 7 to 13.
LARGEST_ROUGHNESS = 5.0
#: A row that runs so much along the patient is smooth as a shaft is, and tells nothing. [cosine]
ALONG_PATIENT = 0.5
#: Slices that are looked at for it. [count]
_ROUGH_SLICES = 24


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
    if first == last:
        return ()
    steps, changes = np.zeros((2, last - first))
    _compare_slices(planes[first : last + 1], steps, changes)
    allowed = ALLOWED_CHANGE_HU + ALLOWED_MEDIANS * float(np.median(changes))
    if steps.max() > LARGEST_STEP_HU or changes.max() > allowed or _has_odd_rows(voxels_hu, step):
        return ("values-jump",)
    return ()


@njit(cache=True, nogil=True)
def _find_middle(counts):  # type: ignore[no-untyped-def]  # compiled
    """Return the median of whole numbers from 0 on, by how often each occurs; 0 of none."""
    total = counts.sum()
    if total == 0:
        return 0.0
    doubled = 0
    for rank in ((total - 1) // 2, total // 2):
        below, value = counts[0], 0
        while below <= rank:
            value += 1
            below += counts[value]
        doubled += value
    return 0.5 * doubled


@njit(parallel=True, cache=True, nogil=True)
def _compare_slices(planes, steps, changes):  # type: ignore[no-untyped-def]  # compiled
    """Set the size of the middle difference to the next slice, and the middle size of all."""
    for k in prange(len(steps)):
        signed = np.zeros(2 * _MOST_HU + 1, np.int64)
        sizes = np.zeros(_MOST_HU + 1, np.int64)
        for j in range(planes.shape[1]):
            for i in range(planes.shape[2]):
                here, there = int(planes[k, j, i]), int(planes[k + 1, j, i])
                if here > BODY_HU or there > BODY_HU:
                    difference = min(max(there - here, -_MOST_HU), _MOST_HU)
                    sizes[abs(difference)] += 1
                    if here > BODY_HU and there > BODY_HU:
                        signed[difference + _MOST_HU] += 1
        if signed.any():
            steps[k] = abs(_find_middle(signed) - _MOST_HU)
        changes[k] = _find_middle(sizes)


def _has_odd_rows(voxels_hu: NDArray[np.int16], step: int) -> bool:
    """Whether a long row of a slice has values that neither slice beside it comes near.

    Damage to a stream without a checksum runs along rows, and may spare the rest of the slice.
    """
    odd = np.zeros(len(voxels_hu), np.bool_)
    _find_odd_rows(voxels_hu[:, :, ::step], odd)
    return bool(odd.any())


@njit(parallel=True, cache=True, nogil=True)
def _find_odd_rows(planes, odd):  # type: ignore[no-untyped-def]  # compiled
    """Tell of each slice whether a row of it is odd."""
    last, n_rows, n_columns = len(planes) - 1, planes.shape[1], planes.shape[2]
    for k in prange(len(planes)):
        # At an end of the scan both slices to compare with lie on one side.
        a, b = 2 if k == 0 else k - 1, last - 2 if k == last else k + 1
        in_body = np.zeros(n_rows, np.int64)
        sizes = np.zeros(2 * _MOST_HU + 1, np.int64)  # of twice the change
        for j in range(n_rows):
            for i in range(n_columns):
                before, after = int(planes[a, j, i]), int(planes[b, j, i])
                if min(before, after) > BODY_HU:
                    in_body[j] += 1
                    change = abs(2 * int(planes[k, j, i]) - before - after)
                    sizes[min(change, 2 * _MOST_HU)] += 1
        allowed = max(LARGEST_ROW_EXCESS_HU, EXCESS_CHANGES * 0.5 * _find_middle(sizes))
        if k in (0, last):
            allowed *= AT_AN_END
        for j in range(n_rows):
            if in_body[j] < max(LEAST_ROW_VOXELS, LEAST_ROW_SHARE * in_body.max()):
                continue
            far = 0
            for i in range(n_columns):
                here = planes[k, j, i]
                before, after = planes[a, j, i], planes[b, j, i]
                low, high = min(before, after), max(before, after)
                far += low > BODY_HU and (here > high + allowed or here < low - allowed)
            if far > 0.5 * in_body[j]:
                odd[k] = True


def check_rows(
    voxels_hu: NDArray[np.int16], index_to_lps_mm: NDArray[np.float64], source: str
) -> None:
    """Refuse a volume whose rows or slices do not run on as its voxels along a row do.

    The middle of all slices decides, so that streaks of metal in some are no reason.

    Raises
    ------
    CorruptFileError
        Naming the source.
    """
    spacing_mm = np.linalg.norm(index_to_lps_mm[:3, :3], axis=0)
    if abs(index_to_lps_mm[2, 2]) > ALONG_PATIENT * spacing_mm[2]:
        return
    every = max(1, len(voxels_hu) // _ROUGH_SLICES)
    changes_hu = np.zeros((len(range(0, len(voxels_hu) - 1, every)), 3))
    _find_roughness_hu(voxels_hu, every, changes_hu)
    changes_hu = changes_hu[changes_hu[:, 2] > 0]
    for axis, name in ((1, "rows"), (0, "slices")):
        farther = max(1.0, float(spacing_mm[axis] / spacing_mm[2]))
        ratios = changes_hu[:, axis] / changes_hu[:, 2]
        if len(ratios) and np.median(ratios) > LARGEST_ROUGHNESS * farther**0.5:
            raise CorruptFileError(
                file=source,
                tag="size of the image",
                detail=f"The {name} do not run on from one to the next: the declared size is not "
                "that of the pixels, or they are damaged.",
            )


@njit(parallel=True, cache=True, nogil=True)
def _find_roughness_hu(voxels, every, changes):  # type: ignore[no-untyped-def]  # compiled
    """Set the mean change in the body of every so many slices to the next voxel of each axis."""
    for row in prange(len(changes)):
        k = row * every
        count = np.zeros(3, np.int64)
        total = np.zeros(3, np.int64)
        for j in range(voxels.shape[1]):
            for i in range(voxels.shape[2]):
                here = int(voxels[k, j, i])
                for axis in range(3):
                    if (axis == 1 and j + 1 == voxels.shape[1]) or (
                        axis == 2 and i + 1 == voxels.shape[2]
                    ):
                        continue
                    there = int(voxels[k + (axis == 0), j + (axis == 1), i + (axis == 2)])
                    if here > BODY_HU or there > BODY_HU:
                        count[axis] += 1
                        total[axis] += abs(there - here)
        for axis in range(3):
            changes[row, axis] = total[axis] / max(count[axis], 1)
