"""Survey DICOM planes into series."""

import hashlib
import math
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from canalmorph.errors import ReadError, TooFewSlicesError, TooLargeError, TruncatedFileError
from canalmorph.model.volume import list_gaps
from canalmorph.read.found import DicomPlan, SeriesFound, describe_grid, refused
from canalmorph.read.grid import fit_grid
from canalmorph.read.grouping import SliceGroup, group_slices
from canalmorph.read.pixels import check_syntax, decode_plane, is_lossy
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import OtherObject, SliceHeader
from canalmorph.read.sources import FileEntry, FileOpener


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
    facts: dict[str, Any] = {
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
            **facts,
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
    facts["message"] = f"Slices are missing: {list_gaps(grid.gaps)}." if grid.gaps else ""
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
    return SeriesFound(source=source, file_format="dicom", status="measurable", plan=plan, **facts)


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
