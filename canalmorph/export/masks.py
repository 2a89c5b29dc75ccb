"""Cortex and canal of each femur as a label image on the scan's own grid."""

import gzip
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import nibabel
import numpy as np
from numpy.typing import NDArray

from canalmorph.export.files import open_atomically
from canalmorph.export.tubes import fill_tube
from canalmorph.model.femur import AlignedFemur, Side
from canalmorph.model.volume import CtVolume

#: Label of the cortex and of the canal, by side; 0 is everything else.
LABELS = {Side.RIGHT: (1, 2), Side.LEFT: (3, 4)}
#: Patient space has +x to the left and +y to the back; NIfTI space to the right and front.
_LPS_TO_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])


def make_masks(volume: CtVolume, aligned: Sequence[AlignedFemur]) -> NDArray[np.uint8]:
    """Return the labels of every voxel of the scan, by the place of its centre.

    Parameters
    ----------
    volume : CtVolume
        The scan whose grid is used.
    aligned : sequence of AlignedFemur
        The femora measured in it.

    Returns
    -------
    (k, j, i) uint8 array
        1 right cortex, 2 right canal, 3 left cortex, 4 left canal, 0 elsewhere. Between two
        rings the outlines are interpolated; beside a ring with a point missing nothing is filled.
    """
    labels = np.zeros(volume.voxels_hu.shape, dtype=np.uint8)
    for femur in aligned:
        cortex_label, canal_label = LABELS[femur.cortex.femur.side]
        fill_tube(
            labels,
            volume.index_to_lps_mm,
            femur.cortex,
            cortex_label=cortex_label,
            canal_label=canal_label,
        )
    return labels


def write_masks(path: Path, volume: CtVolume, aligned: Sequence[AlignedFemur]) -> None:
    """Write the labels of `make_masks` as a compressed NIfTI file on the scan's grid.

    Parameters
    ----------
    path : Path
        Usually ``RESULTS/cases/CASE_ID/masks.nii.gz``; its folder must exist.
    volume, aligned
        As in `make_masks`.

    Raises
    ------
    OSError
        If the file cannot be written.

    Notes
    -----
    The file's axes are (i, j, k), as in the scan's own files, and its affine is that of the scan
    in NIfTI's space (right, front, up). It holds no patient facts, and its bytes depend on
    nothing but the labels and the grid.
    """
    labels = make_masks(volume, aligned).transpose(2, 1, 0)
    affine = _LPS_TO_RAS @ volume.index_to_lps_mm[:, [2, 1, 0, 3]]
    image = nibabel.Nifti1Image(labels, affine)
    image.header.set_xyzt_units("mm")
    image.header["descrip"] = b"1 R cortex 2 R canal 3 L cortex 4 L canal"
    with open_atomically(path) as stream:
        zipped: Any = gzip.GzipFile(
            filename="", mode="wb", compresslevel=1, fileobj=stream, mtime=0
        )
        with zipped:
            image.to_stream(zipped)
