"""Stage 1, `read`: paths to CT volumes, or the reason why not.

`survey_scans` looks at headers only and lists every series, what is chosen and why the rest is
not; `read_series` loads one; `read_scans` loads all that were chosen, one after the other.
"""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from canalmorph.errors import (
    CanalMorphError,
    NoCtSeriesError,
    NoImagesError,
    NotAnImageError,
    ReadError,
    TruncatedFileError,
)
from canalmorph.model.counting import count_noun
from canalmorph.model.volume import CtVolume
from canalmorph.quiet import keep_libraries_quiet
from canalmorph.read.choice import choose_series
from canalmorph.read.dicom import survey_dicom
from canalmorph.read.dicom_volume import Progress, load_dicom
from canalmorph.read.found import DicomPlan, FilePlan, SeriesFound, refused
from canalmorph.read.gate import check_volume
from canalmorph.read.headers import looks_like_dicom, read_slice_headers
from canalmorph.read.research import load_raster, looks_like_raster, survey_raster
from canalmorph.read.settings import ReadSettings
from canalmorph.read.slices import OtherObject, SliceHeader
from canalmorph.read.sources import FileEntry, FileOpener, is_junk, list_files

#: Holds the header of nearly every CT slice.
_HEAD_BYTES = 32768


def survey_scans(
    paths: Iterable[Path | str] | Path | str,
    settings: ReadSettings | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[SeriesFound, ...]:
    """Return one line for every series in these files, folders and zips.

    Parameters
    ----------
    paths : path or iterable of paths
        Files, folders of any depth, zips.
    settings : ReadSettings, optional
        Bounds, and whether every series is chosen.
    progress : callable, optional
        Called with the number of files looked at so far.

    Returns
    -------
    tuple of SeriesFound
        Measurable, left-out and refused ones; nothing that was given goes unmentioned.
    """
    settings = settings or ReadSettings()
    given = [paths] if isinstance(paths, (str, Path)) else list(paths)
    survey = _Survey(settings, progress)
    with keep_libraries_quiet(), FileOpener() as opener:
        for name, files in list_files([Path(path) for path in given], settings):
            survey.add_input(name, files, opener)
        found = survey.finish(opener)
    return choose_series(found, settings)


def read_series(
    found: SeriesFound, settings: ReadSettings | None = None, progress: Progress | None = None
) -> CtVolume:
    """Return the volume of one measurable series.

    Parameters
    ----------
    found : SeriesFound
        As `survey_scans` returned it.
    settings : ReadSettings, optional
        Bounds.
    progress : callable, optional
        Called with the number of files read and their total.

    Raises
    ------
    ValueError
        If the series is not measurable.
    ReadError
        Naming the file, the tag and what to do.
    """
    settings = settings or ReadSettings()
    with keep_libraries_quiet():
        if isinstance(found.plan, DicomPlan):
            volume = load_dicom(found, settings, progress)
        elif isinstance(found.plan, FilePlan):
            volume = load_raster(found, settings)
        else:
            raise ValueError(
                f"'found' must be measurable, got a series that is {found.status!r} "
                f"({found.code or 'no plan'})."
            )
    return check_volume(volume, settings)


def read_scans(
    paths: Iterable[Path | str] | Path | str, settings: ReadSettings | None = None
) -> Iterator[tuple[SeriesFound, CtVolume | CanalMorphError]]:
    """Yield each chosen series with its volume, and each refused one with its reason."""
    for found in survey_scans(paths, settings):
        if found.error is not None:
            yield found, found.error
        if not found.chosen:
            continue
        try:
            yield found, read_series(found, settings)
        except CanalMorphError as error:
            yield found, error


class _Survey:
    """Collects what is found, input by input."""

    def __init__(self, settings: ReadSettings, progress: Callable[[int], None] | None) -> None:
        self._settings, self._progress = settings, progress
        self._headers: list[SliceHeader] = []
        self._others: list[OtherObject] = []
        self._strangers: list[FileEntry] = []
        self._found: list[SeriesFound] = []
        self._names: list[str] = []
        self._looked_at = 0

    def add_input(self, name: str, files: list[FileEntry] | ReadError, opener: FileOpener) -> None:
        """Look at every file of one input."""
        self._names.append(name)
        if isinstance(files, ReadError):
            self._found.append(refused(name, "other", files))
            return
        before = len(self._headers) + len(self._others) + len(self._found)
        junk: list[FileEntry] = []
        for entry in files:
            self._look_at(entry, opener, junk)
            self._looked_at += 1
            if self._progress is not None:
                self._progress(self._looked_at)
        if len(self._headers) + len(self._others) + len(self._found) == before:
            detail = f"None of its {len(files)} files is an image." if files else "It is empty."
            self._found.append(refused(name, "other", NoImagesError(file=name, detail=detail)))
        elif junk:
            self._found.append(_describe_junk(name, junk))

    def finish(self, opener: FileOpener) -> list[SeriesFound]:
        """Return all lines, DICOM series first."""
        series = survey_dicom(self._headers, self._others, self._strangers, opener, self._settings)
        found = series + self._found
        return found + [_refuse_input(name, found) for name in self._names if _is_idle(name, found)]

    def _look_at(self, entry: FileEntry, opener: FileOpener, junk: list[FileEntry]) -> None:
        if is_junk(entry.name) and not entry.given:
            junk.append(entry)
            return
        try:
            with opener.open(entry) as stream:
                head = stream.read(_HEAD_BYTES)
                if looks_like_dicom(head):
                    self._add_dicom(read_slice_headers(stream, head, entry, self._settings))
                    return
                if looks_like_raster(head):
                    found = survey_raster(stream, head, entry, opener, self._settings)
                    self._found.append(found)
                    return
        except ReadError as error:
            # Nobody knows what it was: its neighbours are warned.
            self._others.append(
                OtherObject(entry=entry, code=error.code, reason=str(error), error=error)
            )
            return
        if entry.size == 0:
            empty = TruncatedFileError(file=entry.name, detail="The file is empty.")
            self._others.append(
                OtherObject(entry=entry, code=empty.code, reason=str(empty), error=empty)
            )
        elif entry.given:
            detail = "Its content is that of no image format."
            self._found.append(
                refused(entry.name, "other", NotAnImageError(file=entry.name, detail=detail))
            )
        else:
            junk.append(entry)
            self._strangers.append(entry)

    def _add_dicom(self, result: list[SliceHeader] | OtherObject) -> None:
        if isinstance(result, OtherObject):
            self._others.append(result)
        else:
            self._headers += result


def _belongs(found: SeriesFound, name: str) -> bool:
    return found.source == name or found.source.startswith(f"{name}/")


def _is_idle(name: str, found: list[SeriesFound]) -> bool:
    """Return whether an input has only left-out lines, so that nobody would hear of it."""
    statuses = {series.status for series in found if _belongs(series, name)}
    return statuses == {"left_out"}


def _refuse_input(name: str, found: list[SeriesFound]) -> SeriesFound:
    reasons = [series for series in found if _belongs(series, name)]
    n_files = sum(series.n_files for series in reasons)
    detail = (
        f"None of its {n_files} files is of a CT series; the first reason: {reasons[0].message}"
    )
    return refused(name, "other", NoCtSeriesError(file=name, detail=detail))


def _describe_junk(name: str, junk: list[FileEntry]) -> SeriesFound:
    return SeriesFound(
        source=name,
        file_format="other",
        status="left_out",
        code="not-an-image",
        message=f"{count_noun(len(junk), 'file')} of no image format, the first is {junk[0].name}.",
        file=junk[0].name,
        n_files=len(junk),
    )
