"""Survey DICOM planes into series and load one series into a volume."""

import hashlib
import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from itertools import pairwise
from pathlib import PurePosixPath

import numpy as np
from numpy.typing import NDArray

from canalmorph.errors import ReadError, TooFewSlicesError, TooLargeError, TruncatedFileError
from canalmorph.model.volume import CtVolume, PatientFacts, ScanFacts, SliceGap
from canalmorph.read.found import DicomPlan, SeriesFound, describe_grid, refused
from canalmorph.read.grid import fit_grid
from canalmorph.read.grouping import SliceGroup, group_slices
from canalmorph.read.headers import parse_dicom
from canalmorph.read.pixels import check_syntax, decode_plane, is_lossy, rescale_plane
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import OtherObject, SliceHeader
from canalmorph.read.sources import FileEntry, FileOpener
from canalmorph.read.tags import decode_text
from canalmorph.read.tilt import Tilt, place_slice

Progress = Callable[[int, int], None]


def survey_dicom(
    headers: Sequence[SliceHeader],
    others: Sequence[OtherObject],
    strangers: Sequence[FileEntry],
    opener: FileOpener,
    settings: ReadSettings,
) -> list[SeriesFound]:
    """Return every series of these planes and every group of objects that were left out.

    Parameters
    ----------
    headers, others
        Planes, and DICOM objects that are none.
    strangers : sequence of FileEntry
        Files of no known format: one that is named like the slices beside it may have been one.
    opener : FileOpener
        For files whose pixels must be compared.
    settings : ReadSettings
        Bounds.
    """

    def digest(header: SliceHeader) -> str:
        bits = decode_plane(opener.read(header.entry), header)
        scale = f"{header.slope} {header.intercept}".encode()
        return hashlib.sha256(np.ascontiguousarray(bits).tobytes() + scale).hexdigest()

    # A slice that was cut in transfer leaves a gap; any other fault may lie in all of them.
    damaged = [other for other in others if other.error and _is_lost_slice(other)]
    lost = {id(other) for other in damaged}
    spoilt = {
        other.series_uid: other
        for other in others
        if other.error and other.series_uid and id(other) not in lost
    }
    found: list[SeriesFound] = []
    for group in _group_safely(headers, digest, settings):
        fault = next(
            (
                spoilt[header.series_uid].error
                for header in group.slices
                if header.series_uid in spoilt
            ),
            None,
        )
        found.append(_describe_group(group, fault, settings))
    spots = {_spot(entry) for entry in (*[other.entry for other in damaged], *strangers)}
    found = [_warn_beside(series, spots) for series in _leave_out_short(found)]
    known = {header.series_uid for header in headers}
    return found + _describe_others(others, known, lost)


def _is_lost_slice(other: OtherObject) -> bool:
    """Whether an object that cannot be read is one slice, known or likely, that was cut short."""
    return not other.series_uid or isinstance(other.error, TruncatedFileError)


def _group_safely(
    headers: Sequence[SliceHeader],
    digest: Callable[[SliceHeader], str],
    settings: ReadSettings,
) -> list[SliceGroup]:
    """Group each study on its own, so that a damaged copy spoils no other study."""
    studies: dict[str, list[SliceHeader]] = defaultdict(list)
    for header in headers:
        studies[header.study_uid].append(header)
    groups: list[SliceGroup] = []
    for study in studies.values():
        try:
            groups += group_slices(study, digest, settings)
        except ReadError as error:
            groups.append(
                SliceGroup(slices=tuple(study), series_key=study[0].series_uid, error=error)
            )
    return groups


def _describe_group(
    group: SliceGroup, fault: ReadError | None, settings: ReadSettings
) -> SeriesFound:
    first = group.slices[0]
    source = common_source([header.entry for header in group.slices])
    facts: dict[str, object] = {
        "series_key": group.series_key,
        "study_key": f"{first.patient_key}/{first.study_uid or source}",
        "frame_key": first.frame_of_reference,
        "n_slices": len(group.slices),
        "n_files": len({header.entry for header in group.slices}),
        "slice_thickness_mm": first.thickness_mm,
        "kvp": first.kvp,
        "kernel": first.kernel,
        "image_type": first.image_type,
        "warnings": group.warnings + _header_warnings(group.slices),
    }
    if group.code:
        return SeriesFound(
            source=source,
            file_format="dicom",
            status="left_out",
            code=group.code,
            message=group.reason,
            **facts,  # type: ignore[arg-type]
        )
    error = group.error or fault or check_syntax(first)
    if error is None:
        try:
            grid = fit_grid(group.slices, source, settings)
        except ReadError as failure:
            error = failure
        else:
            error = _too_large(grid.shape, source, settings)
    if error is not None:
        return refused(source, "dicom", error, **facts)
    facts |= describe_grid(grid.index_to_lps_mm, grid.shape)
    facts["n_slices"] = len(grid.slices)
    facts["message"] = describe_gaps(grid.gaps)
    odd = {"gap-in-slices": grid.gaps, "slices-thinned": grid.thinned, "tilt-undone": grid.tilt}
    told = tuple(code for code, is_so in odd.items() if is_so)
    facts["warnings"] = group.warnings + _header_warnings(group.slices) + told
    plan = DicomPlan(
        slices=grid.slices,
        places=grid.places,
        gaps=grid.gaps,
        shape=grid.shape,
        tilt=grid.tilt,
        index_to_lps_mm=tuple(tuple(map(float, row)) for row in grid.index_to_lps_mm),
    )
    return SeriesFound(source=source, file_format="dicom", status="measurable", plan=plan, **facts)  # type: ignore[arg-type]


def describe_gaps(gaps: Sequence[SliceGap]) -> str:
    """Return where slices are missing, in a sentence; empty where none are."""
    if not gaps:
        return ""
    return f"Slices are missing: {list_gaps(gaps)}."


def list_gaps(gaps: Sequence[SliceGap]) -> str:
    """Return how wide each gap is and where it lies."""
    return "; ".join(gap.describe() for gap in gaps)


def _too_large(
    shape: tuple[int, int, int], source: str, settings: ReadSettings
) -> ReadError | None:
    if math.prod(shape) <= settings.max_voxels:
        return None
    size = " x ".join(map(str, shape))
    return TooLargeError(file=source, detail=f"The series has {size} voxels.")


def _header_warnings(slices: Sequence[SliceHeader]) -> tuple[str, ...]:
    codes = dict.fromkeys(code for header in slices for code in header.warnings)
    if any(is_lossy(header) for header in slices):
        codes["lossy-compression"] = None
    return tuple(codes)


def _leave_out_short(found: Sequence[SeriesFound]) -> list[SeriesFound]:
    """Return the series with short ones left out, not refused, where their study has a volume.

    Many studies hold single slices that watch the contrast arrive.
    """
    studies = {series.study_key for series in found if series.status == "measurable"}
    return [
        replace(series, status="left_out", error=None)
        if isinstance(series.error, TooFewSlicesError) and series.study_key in studies
        else series
        for series in found
    ]


def _spot(entry: FileEntry) -> tuple[str, str]:
    """Return folder and suffix: files that share both seem to belong together."""
    return entry.folder, PurePosixPath(entry.name).suffix.lower()


def _warn_beside(series: SeriesFound, spots: set[tuple[str, str]]) -> SeriesFound:
    if series.status != "measurable" or not isinstance(series.plan, DicomPlan):
        return series
    if not spots & {_spot(header.entry) for header in series.plan.slices}:
        return series
    return replace(series, warnings=(*series.warnings, "damaged-file-beside"))


def _describe_others(
    others: Sequence[OtherObject], known: set[str], lost: set[int]
) -> list[SeriesFound]:
    """Return one line for each series of left-out objects and each kind of failure."""
    groups: dict[tuple[str, str, str], list[OtherObject]] = defaultdict(list)
    for other in others:
        if other.error is not None and other.series_uid in known and id(other) not in lost:
            continue  # the whole series is refused with this error
        groups[(other.series_uid, other.entry.folder, other.code)].append(other)
    found = []
    for (series_uid, _, code), members in groups.items():
        first = members[0]
        source = common_source([member.entry for member in members])
        if first.error is not None:
            found.append(refused(source, "dicom", first.error, n_files=len(members)))
            continue
        found.append(
            SeriesFound(
                source=source,
                file_format="dicom",
                status="left_out",
                code=code,
                message=first.reason,
                file=first.entry.name,
                series_key=series_uid,
                n_files=len(members),
                image_type=first.image_type,
            )
        )
    return found


def common_source(entries: Sequence[FileEntry]) -> str:
    """Return the file's name, or the folder that holds all of the files."""
    names = sorted({entry.name for entry in entries})
    if len(names) == 1:
        return names[0]
    parts = [PurePosixPath(name).parent.parts for name in names]
    shared = []
    for level in zip(*parts, strict=False):
        if len(set(level)) > 1:
            break
        shared.append(level[0])
    return "/".join(shared) or names[0]


def load_dicom(
    found: SeriesFound, settings: ReadSettings, progress: Progress | None = None
) -> CtVolume:
    """Return the volume of a surveyed DICOM series, values not yet checked.

    Raises
    ------
    ReadError
        Naming the file that cannot be read.
    """
    plan = found.plan
    assert isinstance(plan, DicomPlan)
    first = plan.slices[0]
    voxels = np.empty(plan.shape, np.int16)
    files: dict[FileEntry, list[int]] = defaultdict(list)
    headers = dict(zip(plan.places, plan.slices, strict=True))
    for k, header in headers.items():
        files[header.entry].append(k)
    warnings: dict[str, None] = dict.fromkeys(found.warnings)
    hashes: dict[FileEntry, bytes] = {}
    with FileOpener() as opener, ThreadPoolExecutor(settings.threads) as pool:
        opener.prepare(files)

        def load(item: tuple[FileEntry, list[int]]) -> tuple[FileEntry, bytes, set[str]]:
            entry, places = item
            data = opener.read(entry)
            codes: set[str] = set()
            for k in places:
                header = headers[k]
                codes |= _read_plane(data, header, k, plan.tilt, voxels[k])
            return entry, hashlib.sha256(data).digest(), codes

        try:
            for entry, sha256, codes in pool.map(load, files.items()):
                hashes[entry] = sha256
                warnings |= dict.fromkeys(sorted(codes))
                if progress is not None:
                    progress(len(hashes), len(files))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
        patient, decoded = _read_patient(opener, first)
    bridge_gaps(voxels, plan.places)
    if not decoded:
        warnings["text-undecodable"] = None
    return CtVolume(
        voxels_hu=voxels,
        index_to_lps_mm=np.array(plan.index_to_lps_mm),
        facts=_scan_facts(found, first, hashes, tuple(warnings)),
        patient=patient,
        gaps=plan.gaps,
    )


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


def _scan_facts(
    found: SeriesFound,
    first: SliceHeader,
    hashes: dict[FileEntry, bytes],
    warnings: tuple[str, ...],
) -> ScanFacts:
    input_sha256 = hashlib.sha256(b"".join(hashes.values())).hexdigest()
    return ScanFacts(
        source=found.source,
        file_format="dicom",
        series_key=found.series_key or input_sha256,
        input_sha256=input_sha256,
        n_files=len(hashes),
        kernel=found.kernel,
        manufacturer=first.manufacturer,
        patient_position=first.patient_position,
        kvp=found.kvp,
        slice_thickness_mm=found.slice_thickness_mm,
        warnings=warnings,
        slice_gaps=list_gaps(found.plan.gaps) if isinstance(found.plan, DicomPlan) else "",
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
    if len(age) == 4 and age[:3].isdigit() and age[3] in units:
        return int(age[:3]) * units[age[3]]
    if len(born) == 8 and len(scanned) == 8 and (born + scanned).isdigit():
        years = int(scanned[:4]) - int(born[:4]) - (scanned[4:] < born[4:])
        return float(years) if 0 <= years < 130 else None
    return None
