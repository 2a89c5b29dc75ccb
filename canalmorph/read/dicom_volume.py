"""Load a surveyed DICOM series into a volume.

A slice that cannot be decoded is a slice that is missing: it leaves a gap, as one does that was
cut in transfer, as long as a scan is left around it.
"""

import hashlib
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import CorruptFileError, MalformedTagError, ReadError, TruncatedFileError
from canalmorph.model.volume import CtVolume, PatientFacts, ScanFacts, list_gaps
from canalmorph.read.found import DicomPlan, SeriesFound
from canalmorph.read.headers import parse_dicom
from canalmorph.read.pixels import decode_plane, rescale_plane
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import SliceHeader
from canalmorph.read.sources import FileEntry, FileOpener
from canalmorph.read.tags import decode_text
from canalmorph.read.tilt import Tilt, place_slice

Progress = Callable[[int, int], None]
#: What one damaged file is refused for; every other reason concerns the series.
_DAMAGE = (CorruptFileError, MalformedTagError, TruncatedFileError)


@dataclass(slots=True)
class _Loaded:
    """What is known once all files were opened."""

    warnings: dict[str, None]
    hashes: dict[FileEntry, bytes] = field(default_factory=dict)
    lost: dict[int, ReadError] = field(default_factory=dict)


def load_dicom(
    found: SeriesFound, settings: ReadSettings, progress: Progress | None = None
) -> CtVolume:
    """Return the volume of a surveyed DICOM series, values not yet checked.

    Raises
    ------
    ReadError
        Naming the file that cannot be read, where more is lost than a gap.
    """
    whole = found.plan
    assert isinstance(whole, DicomPlan)
    voxels = np.empty(whole.shape, np.int16)
    with FileOpener() as opener:
        loaded = _load_slices(opener, found.warnings, whole, voxels, settings, progress)
        plan = _leave_out(whole, loaded.lost, settings)
        patient, decoded = _read_patient(opener, plan.slices[0])
    if loaded.lost:
        loaded.warnings |= dict.fromkeys(("gap-in-slices", "damaged-file-beside"))
        first = min(set(whole.places) - set(loaded.lost))
        voxels = voxels[first : first + plan.shape[0]]
    bridge_gaps(voxels, plan.places)
    if not decoded:
        loaded.warnings["text-undecodable"] = None
    return CtVolume(
        voxels_hu=voxels,
        index_to_lps_mm=np.array(plan.index_to_lps_mm),
        facts=_scan_facts(found, plan, loaded),
        patient=patient,
        gaps=plan.gaps,
        unread=tuple(loaded.lost[k] for k in sorted(loaded.lost)),
    )


def _load_slices(
    opener: FileOpener,
    warnings: Sequence[str],
    plan: DicomPlan,
    voxels_hu: NDArray[np.int16],
    settings: ReadSettings,
    progress: Progress | None,
) -> _Loaded:
    """Write every slice to its place in the volume; damaged ones are listed by their places."""
    headers = dict(zip(plan.places, plan.slices, strict=True))
    files: dict[FileEntry, list[int]] = defaultdict(list)
    for k, header in headers.items():
        files[header.entry].append(k)
    opener.prepare(files)
    loaded = _Loaded(warnings=dict.fromkeys(warnings))

    def load(item: tuple[FileEntry, list[int]]) -> tuple[bytes, set[str]] | ReadError:
        entry, places = item
        codes: set[str] = set()
        try:
            data = opener.read(entry)
            for k in places:
                codes |= _read_plane(data, headers[k], k, plan.tilt, voxels_hu[k])
        except _DAMAGE as error:
            if len(places) > 1:
                raise
            return error
        return hashlib.sha256(data).digest(), codes

    with ThreadPoolExecutor(settings.threads) as pool:
        try:
            done = pool.map(load, files.items())
            for n_done, ((entry, places), result) in enumerate(
                zip(files.items(), done, strict=True), start=1
            ):
                if isinstance(result, ReadError):
                    loaded.lost[places[0]] = result
                else:
                    loaded.hashes[entry], codes = result
                    loaded.warnings |= dict.fromkeys(sorted(codes))
                if progress is not None:
                    progress(n_done, len(files))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return loaded


def _leave_out(plan: DicomPlan, lost: dict[int, ReadError], settings: ReadSettings) -> DicomPlan:
    """Return the plan without lost slices, or raise their error where no scan is left."""
    if not lost:
        return plan
    n_left, error = len(plan.slices) - len(lost), lost[min(lost)]
    if n_left < max(settings.min_slices, (1 - settings.largest_missing_share) * plan.shape[0]):
        raise error
    left = plan.leave_out(lost)
    if any(gap.width_mm > settings.largest_gap_mm for gap in left.gaps):
        raise error
    return left


def _read_plane(
    data: bytes, header: SliceHeader, place: int, tilt: Tilt | None, out: NDArray[np.int16]
) -> set[str]:
    """Write one plane to its place in the volume and return warning codes."""
    bits = decode_plane(data, header)
    if tilt is None:
        return rescale_plane(bits, header, out)
    plane = np.empty((header.rows, header.columns), np.int16)
    codes = rescale_plane(bits, header, plane)
    place_slice(plane, tilt.shift_pixels(place), out)
    return codes


def bridge_gaps(voxels_hu: NDArray[np.int16], places: Sequence[int]) -> None:
    """Fill the slices between these places in line between their neighbours."""
    for low, high in pairwise(places):
        for k in range(low + 1, high):
            share = (k - low) / (high - low)
            between = (1 - share) * voxels_hu[low] + share * voxels_hu[high]
            voxels_hu[k] = np.rint(between)


def _scan_facts(found: SeriesFound, plan: DicomPlan, loaded: _Loaded) -> ScanFacts:
    input_sha256 = hashlib.sha256(b"".join(loaded.hashes.values())).hexdigest()
    first = plan.slices[0]
    return ScanFacts(
        source=found.source,
        file_format="dicom",
        series_key=found.series_key or input_sha256,
        input_sha256=input_sha256,
        n_files=len(loaded.hashes),
        kernel=found.kernel,
        manufacturer=first.manufacturer,
        patient_position=first.patient_position,
        kvp=found.kvp,
        slice_thickness_mm=found.slice_thickness_mm,
        warnings=tuple(loaded.warnings),
        slice_gaps=list_gaps(plan.gaps),
    )


def _read_patient(opener: FileOpener, header: SliceHeader) -> tuple[PatientFacts, bool]:
    """Return the identity for the report and whether every text could be decoded."""
    try:
        with opener.open(header.entry) as stream:
            dataset, _ = parse_dicom(stream, stream.read(132), stop_before_pixels=True)
    except Exception:  # the planes were read: a report without a name is better than none
        return PatientFacts(), False
    texts = {}
    for name, keyword in (
        ("name", "PatientName"),
        ("identifier", "PatientID"),
        ("birth_date", "PatientBirthDate"),
        ("sex", "PatientSex"),
        ("accession", "AccessionNumber"),
        ("study_date", "StudyDate"),
        ("age", "PatientAge"),
    ):
        texts[name] = decode_text(dataset, keyword)
    age = _age_years(texts.pop("age"), texts["birth_date"], texts["study_date"])
    whole = all("�" not in text for text in texts.values())
    return PatientFacts(**texts, age_years=age), whole


def _age_years(age: str, born: str, scanned: str) -> float | None:
    units = {"Y": 1.0, "M": 1 / 12, "W": 7 / 365.25, "D": 1 / 365.25}
    if len(age) == 4 and age[:3].isdecimal() and age[3] in units:
        return int(age[:3]) * units[age[3]]
    if len(born) == 8 and len(scanned) == 8 and (born + scanned).isdecimal():
        years = int(scanned[:4]) - int(born[:4]) - (scanned[4:] < born[4:])
        return float(years) if 0 <= years < 130 else None
    return None
