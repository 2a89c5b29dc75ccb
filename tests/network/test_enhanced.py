"""One object of 1,200 frames and as many classic images of the same scan give the same numbers.

By hand: ``python -m pytest -m slow tests/network/test_enhanced.py``, some minutes.
"""

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.sequence import Sequence
from pydicom.uid import EnhancedCTImageStorage

from canalmorph.batch.engine import InProcessEngine
from canalmorph.network.settings import Limits, NodeSettings
from canalmorph_phantoms.build import build_scan
from canalmorph_phantoms.catalogue import SMALL
from canalmorph_phantoms.write import make_uid, write_dicom

pytestmark = pytest.mark.slow
N_SLICES = 1200
#: Columns that name the input and not the femur.
OF_THE_INPUT = {"case_id", "source", "input_sha256", "n_files", "series"}


def take_tags(source: Dataset, *keywords: str) -> Sequence:
    item = Dataset()
    for keyword in keywords:
        setattr(item, keyword, getattr(source, keyword))
    return Sequence([item])


def make_enhanced(images: list[Dataset]) -> Dataset:
    """Return the same scan as one object, with another study and series."""
    first, frames = images[0], []
    for image in images:
        frame, kind = Dataset(), Dataset()
        frame.PlanePositionSequence = take_tags(image, "ImagePositionPatient")
        kind.FrameType = image.ImageType
        frame.CTImageFrameTypeSequence = Sequence([kind])
        frames.append(frame)
    shared = Dataset()
    shared.PlaneOrientationSequence = take_tags(first, "ImageOrientationPatient")
    shared.PixelMeasuresSequence = take_tags(first, "PixelSpacing", "SliceThickness")
    shared.PixelValueTransformationSequence = take_tags(
        first, "RescaleSlope", "RescaleIntercept", "RescaleType"
    )
    shared.CTReconstructionSequence = take_tags(first, "ConvolutionKernel")
    shared.CTXRayDetailsSequence = take_tags(first, "KVP")
    shared.CTAcquisitionDetailsSequence = take_tags(first, "KVP")
    whole = first
    whole.SharedFunctionalGroupsSequence = Sequence([shared])
    whole.PerFrameFunctionalGroupsSequence = Sequence(frames)
    whole.NumberOfFrames = len(frames)
    whole.PixelData = b"".join(image.PixelData for image in images)
    whole.SOPClassUID = whole.file_meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    whole.StudyInstanceUID, whole.SeriesInstanceUID = make_uid("es"), make_uid("ese")
    whole.SOPInstanceUID = whole.file_meta.MediaStorageSOPInstanceUID = make_uid("eso")
    for keyword in ("ImagePositionPatient", "ImageOrientationPatient", "PixelSpacing"):
        delattr(whole, keyword)
    return whole


def test_both_forms_of_a_long_scan_give_the_same_numbers(
    make_settings: Callable[..., NodeSettings], kit: SimpleNamespace, tmp_path: Path
) -> None:
    small = SMALL["small_right"]
    low, high = small.scanner.z_range_mm
    spacing_mm = (high - low) / (N_SLICES - 1)
    scanner = replace(small.scanner, slice_spacing_mm=spacing_mm, slice_thickness_mm=0.5)
    paths = write_dicom(build_scan(replace(small, scanner=scanner)), tmp_path / "classic")
    classic = [pydicom.dcmread(path) for path in paths]
    assert len(classic) == N_SLICES
    enhanced = make_enhanced([pydicom.dcmread(path) for path in paths])
    with kit.run_node(make_settings(limits=Limits(free_bytes=0)), InProcessEngine()) as running:
        assert running.send(*classic) == [0] * N_SLICES
        assert running.send(enhanced) == [0]
        kit.wait_until(lambda: len(running.list_events("case")) == 2, longest_s=1200.0)
        assert {each["state"] for each in running.list_events("case")} == {"measured"}
    with (tmp_path / "results/femurs.csv").open(encoding="utf-8", newline="") as stream:
        one, other = csv.DictReader(stream)
    assert one["case_id"] != other["case_id"]
    differing = {name for name in one if one[name] != other[name]}
    assert differing <= OF_THE_INPUT
    assert float(one["isthmus_canal_ml_mm"]) > 5.0
