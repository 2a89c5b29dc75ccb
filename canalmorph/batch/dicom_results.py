"""The DICOM objects of a case, and what is kept with it so that they can be made again.

A person's marks and signature change what the objects say, and there is no scan then: the series'
identifiers and its grid lie in a file of the case that only its owner may read.
"""

import json
import tempfile
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from canalmorph.batch.folder import write_private
from canalmorph.export.surfaces import SURFACES_NAME, read_surfaces
from canalmorph.model.dicom_source import DicomSource, SourceImage
from canalmorph.model.femur import AlignedFemur
from canalmorph.model.results import CaseResult
from canalmorph.model.volume import CtVolume, ScanFacts
from canalmorph.results_errors import RecordUnreadableError

#: Holds a case's DICOM objects, in its folder; and what they are made again from.
DICOM_FOLDER, SOURCE_NAME = "dicom", "dicom_source.json"
SOURCE_FORM = "canalmorph-dicom-source-1"


def write_dicom_results(
    case_folder: Path,
    case: CaseResult,
    aligned: Sequence[AlignedFemur],
    volume: CtVolume,
    sources: Sequence[DicomSource],
    *,
    deidentified: bool,
    report_pdf: Path,
) -> None:
    """Write a case as DICOM objects, and what they are made again from.

    Parameters
    ----------
    case_folder : Path
        Of the case.
    case, aligned, volume, sources, deidentified, report_pdf
        As of `canalmorph.export.dicom_objects.write_dicom_objects`.

    Raises
    ------
    OSError
        If a file cannot be written.
    """
    # Not installed where nobody asks for it.
    from canalmorph.export.dicom_objects import write_dicom_objects

    write_dicom_objects(
        case_folder / DICOM_FOLDER,
        case,
        aligned,
        volume,
        sources,
        deidentified=deidentified,
        report_pdf=report_pdf,
    )
    content = {
        "form": SOURCE_FORM,
        "sources": [asdict(source) for source in sources],
        "shape": list(volume.voxels_hu.shape),
        "index_to_lps_mm": volume.index_to_lps_mm.tolist(),
        "deidentified": deidentified,
    }
    write_private(case_folder / SOURCE_NAME, json.dumps(content).encode())


def remake_dicom_results(
    case_folder: Path, case: CaseResult, aligned: Sequence[AlignedFemur], report_pdf: Path
) -> bool:
    """Make a case's DICOM objects again as its review has it; return whether it has any.

    Parameters
    ----------
    case_folder : Path
        Of the case.
    case : CaseResult
        With its review.
    aligned : sequence of AlignedFemur
        What it was measured on; read from the case where empty.
    report_pdf : Path
        The report as drawn again.

    Raises
    ------
    RecordUnreadableError
        If what they are made from is damaged, or was not kept by an earlier version.
    OSError
        If a file cannot be written.
    """
    folder = case_folder / DICOM_FOLDER
    if not folder.is_dir():
        return False
    from canalmorph.export.dicom_objects import list_predecessors, write_dicom_objects

    sources, volume, deidentified = _read_source(case_folder / SOURCE_NAME)
    with tempfile.TemporaryDirectory(dir=case_folder, prefix=".dicom-") as aside:
        made = write_dicom_objects(
            Path(aside) / DICOM_FOLDER,
            case,
            aligned or read_surfaces(case_folder / SURFACES_NAME),
            volume,
            sources,
            deidentified=deidentified,
            report_pdf=report_pdf,
            predecessors=list_predecessors(folder),
        )
        for path in made:
            path.replace(folder / path.name)
    for left in {path.name for path in folder.iterdir()} - {path.name for path in made}:
        (folder / left).unlink()
    return True


def _read_source(path: Path) -> tuple[tuple[DicomSource, ...], CtVolume, bool]:
    """Return the series, a volume with its grid and no voxel, and whether identity was removed."""
    try:
        content = json.loads(path.read_bytes())
        if content["form"] != SOURCE_FORM:
            raise ValueError("another form")
        volume = CtVolume(
            # One number stands for all: nothing is read there.
            voxels_hu=np.broadcast_to(np.int16(0), content["shape"]),
            index_to_lps_mm=np.array(content["index_to_lps_mm"], dtype=np.float64),
            facts=ScanFacts(source="", file_format="", series_key="", input_sha256=""),
        )
        sources = tuple(_decode_source(plain) for plain in content["sources"])
        return sources, volume, bool(content["deidentified"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        detail = f"It is absent or damaged ({type(error).__name__})."
        raise RecordUnreadableError(file="/".join(path.parts[-3:]), detail=detail) from error


def _decode_source(plain: dict[str, Any]) -> DicomSource:
    row, column = plain["pixel_spacing_mm"]
    images = []
    for image in plain["images"]:
        x, y, z = image["position_mm"]
        images.append(SourceImage(**{**image, "position_mm": (x, y, z)}))
    return DicomSource(
        **{
            **plain,
            "orientation": tuple(plain["orientation"]),
            "pixel_spacing_mm": (row, column),
            "places": tuple(plain["places"]),
            "images": tuple(images),
        }
    )
