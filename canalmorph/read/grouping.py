"""Sort image planes into volumes by geometry, so that one position occurs once.

Planes that share patient, study, frame of reference, orientation, matrix, pixel spacing, kernel,
tube voltage and kind of image belong together; the series UID divides them further unless each
plane carries one of its own. What cannot be told apart is refused, never mixed.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from canalmorph.errors import (
    ConflictingCopiesError,
    MixedPatientsError,
    ReadError,
    RepeatedPositionsError,
    TooFewSlicesError,
)
from canalmorph.model.counting import count_noun
from canalmorph.read.grid import heights_mm
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import SliceHeader
from canalmorph.read.splitting import (
    SAME_POSITION_MM,
    first_repeat,
    has_repeats,
    split_at_gaps,
    split_interleaved,
    split_repeated,
    split_uneven,
)
from canalmorph.read.tags import tag_label

PixelDigest = Callable[[SliceHeader], str]


@dataclass(frozen=True, slots=True, kw_only=True)
class SliceGroup:
    """Planes that form one volume, or the reason why they do not.

    Attributes
    ----------
    slices : tuple of SliceHeader
        At least one.
    series_key : str
        Series UID, with a suffix where one UID held several volumes.
    warnings : tuple of str
        What was odd.
    error : ReadError or None
        Why they are refused.
    code, reason : str
        Why they are left out, where they are not refused.
    """

    slices: tuple[SliceHeader, ...]
    series_key: str
    warnings: tuple[str, ...] = ()
    error: ReadError | None = None
    code: str = ""
    reason: str = ""


def group_slices(
    headers: Sequence[SliceHeader], digest: PixelDigest, settings: ReadSettings
) -> list[SliceGroup]:
    """Return the volumes in these planes.

    Parameters
    ----------
    headers : sequence of SliceHeader
        All planes of an input.
    digest : callable
        Returns a hash of a plane's stored pixels; called only for planes that may be copies.
    settings : ReadSettings
        Bounds.
    """
    groups: list[SliceGroup] = []
    for series in _split_by_series(headers):
        error = _find_mixed_patients(series)
        if error:
            groups.append(_group(series, error=error))
            continue
        kept, copied, error = _drop_copies(series, digest)
        if error:
            groups.append(_group(series, error=error))
            continue
        groups += _group_series(kept, copied, digest, settings)
    return groups


def _group(slices: Sequence[SliceHeader], **facts: Any) -> SliceGroup:
    key = facts.pop("series_key", slices[0].series_uid)
    return SliceGroup(slices=tuple(slices), series_key=str(key), **facts)


def _split_by_series(headers: Iterable[SliceHeader]) -> list[list[SliceHeader]]:
    """Return planes by series UID; planes with a UID each are joined by what else they share."""
    by_uid: dict[tuple[str, str, str], list[SliceHeader]] = defaultdict(list)
    for header in headers:
        # Without a series UID only what lies in one folder can belong together.
        folder = "" if header.series_uid else header.entry.folder
        by_uid[(header.study_uid, header.series_uid, folder)].append(header)
    singles: dict[tuple[object, ...], list[SliceHeader]] = defaultdict(list)
    for series in by_uid.values():
        if len(series) == 1 and series[0].series_uid:
            singles[(series[0].patient_key, *_common_key(series[0]))] += series
    joined = [group for group in singles.values() if len(group) > 1]
    taken = {id(header) for group in joined for header in group}
    return joined + [series for series in by_uid.values() if id(series[0]) not in taken]


def _common_key(header: SliceHeader) -> tuple[object, ...]:
    """Return what all planes of one volume share, orientation aside."""
    return (
        header.study_uid,
        header.frame_of_reference,
        header.rows,
        header.columns,
        tuple(round(value, 5) for value in header.pixel_spacing_mm),
        header.kernel,
        header.kvp,
        header.thickness_mm,
        "\\".join(header.image_type.split("\\")[:3]),
    )


def _find_mixed_patients(series: Sequence[SliceHeader]) -> ReadError | None:
    first = series[0]
    for header in series:
        if header.patient_key != first.patient_key:
            return MixedPatientsError(
                file=header.entry.name,
                tag=tag_label("PatientID"),
                detail=f"It is of another patient than {first.entry.name} in the same series.",
            )
    return None


def _drop_copies(
    series: Sequence[SliceHeader], digest: PixelDigest
) -> tuple[list[SliceHeader], bool, ReadError | None]:
    """Return the planes without identical copies, and whether there were any."""
    by_uid: dict[tuple[str, int], list[SliceHeader]] = defaultdict(list)
    for index, header in enumerate(series):
        # Without an instance UID a plane is its own kind; copies then show by their position.
        by_uid[(header.sop_uid or f"none {index}", header.frame)].append(header)
    kept: list[SliceHeader] = []
    for copies in by_uid.values():
        first = copies[0]
        kept.append(first)
        for other in copies[1:]:
            same_place = np.allclose(first.position_mm, other.position_mm, atol=1e-3)
            if not same_place or digest(first) != digest(other):
                error = ConflictingCopiesError(
                    file=other.entry.name,
                    tag=tag_label("SOPInstanceUID"),
                    detail=f"It has the instance UID of {first.entry.name} and other content.",
                )
                return [], False, error
    return kept, len(kept) < len(series), None


def _group_series(
    series: list[SliceHeader], copied: bool, digest: PixelDigest, settings: ReadSettings
) -> list[SliceGroup]:
    """Return the volumes of one series: by orientation and format, then by acquisition."""
    warnings: tuple[str, ...] = ("duplicate-files",) if copied else ()
    if len({header.series_uid for header in series}) > 1:
        warnings += ("series-uid-per-slice",)
    parts: list[list[SliceHeader]] = []
    for block in _split_by_key(series):
        parts += _split_by_orientation(block, settings.tilt_tolerance)
    parts.sort(key=lambda part: (-len(part), part[0].entry.name))
    volumes: list[list[SliceHeader]] = [parts[0]]
    odd: list[list[SliceHeader]] = []
    for part in parts[1:]:
        (volumes if len(part) >= settings.min_slices else odd).append(part)
    groups: list[SliceGroup] = []
    for part in volumes:
        groups += _split_repeats(part, digest, settings)
    if odd:
        warnings += ("odd-slices-left-out",)
    groups = _name_groups(groups, warnings)
    for part in odd:
        reason = "Its orientation, size or kind differs from the rest of its series."
        groups.append(_group(part, code="odd-slice", reason=reason))
    return groups


def _split_by_key(series: Iterable[SliceHeader]) -> list[list[SliceHeader]]:
    blocks: dict[tuple[object, ...], list[SliceHeader]] = defaultdict(list)
    for header in series:
        blocks[_common_key(header)].append(header)
    return list(blocks.values())


def _split_by_orientation(
    series: Sequence[SliceHeader], tolerance: float
) -> list[list[SliceHeader]]:
    clusters: list[tuple[np.ndarray[tuple[int, ...], np.dtype[np.float64]], list[SliceHeader]]] = []
    for header in series:
        cosines = np.array(header.orientation)
        for centre, members in clusters:
            if np.abs(centre - cosines).max() <= tolerance:
                members.append(header)
                break
        else:
            clusters.append((cosines, [header]))
    return [members for _, members in clusters]


def _split_repeats(
    part: list[SliceHeader], digest: PixelDigest, settings: ReadSettings
) -> list[SliceGroup]:
    """Return volumes in which no position repeats and no acquisitions are interleaved."""
    volumes = split_interleaved(part, settings)
    if not volumes and not has_repeats(part):
        volumes = split_uneven(part, settings)
        if not volumes:
            return _split_gaps(part, settings)
    volumes = volumes or split_repeated(part)
    if volumes and max(map(len, volumes)) < settings.min_slices:
        return [_refuse_short(part, len(volumes), settings)]
    if volumes:
        return [_group(group, warnings=("split-series",)) for group in volumes]
    single = _drop_equal_pixels(part, digest)
    if single and not has_repeats(single):
        return [
            replace(group, warnings=("duplicate-files", *group.warnings))
            for group in _split_gaps(single, settings)
        ]
    repeated = first_repeat(part)
    error = RepeatedPositionsError(
        file=repeated[1].entry.name,
        tag=tag_label("ImagePositionPatient"),
        detail=f"It lies where {repeated[0].entry.name} lies, in the same series.",
    )
    return [_group(part, error=error)]


def _refuse_short(part: Sequence[SliceHeader], n_times: int, settings: ReadSettings) -> SliceGroup:
    """Return a series that shows a few places many times: one line, not one for each time."""
    n_places = -(-len(part) // n_times)
    error = TooFewSlicesError(
        file=part[0].entry.name,
        detail=f"The series' {len(part)} slices lie at {count_noun(n_places, 'place')}, several "
        f"at each; "
        f"{settings.min_slices} places are needed.",
    )
    return _group(part, error=error)


def _split_gaps(part: Sequence[SliceHeader], settings: ReadSettings) -> list[SliceGroup]:
    blocks = split_at_gaps(part, settings)
    if not blocks:
        return [_group(part)]
    return [_group(block, warnings=("split-at-gap",)) for block in blocks]


def _drop_equal_pixels(part: Sequence[SliceHeader], digest: PixelDigest) -> list[SliceHeader]:
    """Return the planes without those that repeat the pixels of another at their position."""
    heights = heights_mm(part)
    order = np.argsort(heights, kind="stable")
    kept: list[int] = []
    for index in order:
        if kept and heights[index] - heights[kept[-1]] < SAME_POSITION_MM:
            if digest(part[int(index)]) != digest(part[kept[-1]]):
                return []
            continue
        kept.append(int(index))
    return [part[index] for index in kept]


def _name_groups(groups: list[SliceGroup], warnings: tuple[str, ...]) -> list[SliceGroup]:
    """Return the groups with the series' warnings and, where there are several, numbered keys."""
    named = []
    for number, group in enumerate(groups, start=1):
        key = min(header.series_uid for header in group.slices)
        if len(groups) > 1:
            key = f"{key}#{number}"
        codes = tuple(dict.fromkeys(warnings + group.warnings))
        named.append(replace(group, series_key=key, warnings=codes))
    return named
