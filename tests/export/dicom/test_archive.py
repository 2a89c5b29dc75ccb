"""A real archive takes the objects, finds them in the scan's study and gives them back equal."""

from pathlib import Path
from typing import Any

import pydicom
import pytest

from canalmorph.export.dicom_context import ObjectContext

pytestmark = pytest.mark.archive


def test_objects_survive_the_archive_and_a_resend_multiplies_nothing(
    archive: Any, context: ObjectContext, written: dict[str, Path]
) -> None:
    archive.send(*written.values())
    archive.send(*written.values())
    study = f"studies/{context.source.study_uid}"
    series = archive.query(f"{study}/series")
    assert sorted(one["00080060"]["Value"][0] for one in series) == ["DOC", "SEG", "SR"]
    instances = archive.query(f"{study}/instances")
    assert len(instances) == 3
    for path in written.values():
        ours = pydicom.dcmread(path)
        place = f"{study}/series/{ours.SeriesInstanceUID}/instances/{ours.SOPInstanceUID}"
        # Every element: numbers, units, sides, texts in three alphabets, mask and PDF.
        assert archive.retrieve(place) == ours
    (patient,) = archive.query("studies?PatientID=PX-552317&includefield=00100010")
    assert patient["00100010"]["Value"][0]["Ideographic"] == "山田^花子"
