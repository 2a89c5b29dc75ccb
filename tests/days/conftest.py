"""Results folders for the days of people who use them."""

from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import nibabel
import numpy as np
import pytest
from closed_femora import Shape, make_case_result, make_femur

from canalmorph.batch.run import measure_inputs
from canalmorph.model.femur import Side
from canalmorph.model.volume import CtVolume
from canalmorph.pipeline import ScanMeasurement, Settings

#: Patient space of DICOM to that of NIfTI.
LPS_TO_RAS = np.diag([-1.0, -1.0, 1.0, 1.0])


def write_crop(volume: CtVolume, path: Path) -> None:
    """Write a volume as NIfTI, whose columns come first."""
    affine = LPS_TO_RAS @ volume.index_to_lps_mm[:, [2, 1, 0, 3]]
    image = nibabel.nifti1.Nifti1Image(volume.voxels_hu.transpose(2, 1, 0), affine)
    image.header.set_xyzt_units("mm")
    image.to_filename(path)


@pytest.fixture(scope="session")
def measure_shapes() -> Callable[[Path, Mapping[str, Shape]], Path]:
    """Return a maker of results of right femora in closed form: all but their measuring is real."""

    def measure(folder: Path, shapes: Mapping[str, Shape]) -> Path:
        known = {}
        scans = folder / "scans"
        scans.mkdir()
        for name, shape in shapes.items():
            femur, aligned = make_femur(Side.RIGHT, shape)
            write_crop(aligned.cortex.femur.crop, scans / f"{name}.nii")
            known[name] = (make_case_result([femur]), aligned)

        def look_up(
            volume: CtVolume, settings: Settings, *, case_id: str, **others: object
        ) -> ScanMeasurement:
            case, aligned = known[Path(volume.facts.source).stem]
            shown = replace(
                case, case_id=case_id, scan=volume.facts, settings_hash=settings.hash_text()
            )
            return ScanMeasurement(case=shown, aligned=(aligned,))

        measure_inputs([scans], folder / "results", Settings(), measure=look_up)
        return folder / "results"

    return measure
