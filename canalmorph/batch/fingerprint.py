"""Whether an input is what it was: a hash that needs no second reading of the pixels."""

import hashlib
import os
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import PurePosixPath

from canalmorph.read.found import DicomPlan, FilePlan, SeriesFound
from canalmorph.read.slices import SliceHeader
from canalmorph.read.sources import FileEntry

#: Bytes looked at in one place of a file.
SAMPLE_BYTES = 4096
#: Places that are looked at, evenly spread over the files and over each of them. A reconstruction,
#: a recalibration or a burnt-in text changes pixels everywhere; every file is in the hash by its
#: header and its length.
SAMPLED_PLACES = 64
#: Files of a series whose pixels are looked at.
SAMPLED_FILES = 16
#: A smaller file holds no scan: it is a header, and its voxels lie in a file that it names.
LARGEST_HEADER_BYTES = 65536
#: What another process would say of the same file: neither its place nor the patient, whose key
#: lives as long as a process (the samples of the files' beginnings have the patient).
_HEADER_FIELDS = tuple(
    field.name for field in fields(SliceHeader) if field.name not in ("entry", "patient_key")
)


@dataclass(frozen=True, slots=True, kw_only=True)
class InputMark:
    """What tells one state of an input from another.

    Attributes
    ----------
    content : str
        Hash over the planes' headers, the files' lengths and samples of their bytes. It holds no
        path and no time, so that a scan that was moved or copied is known again.
    dated : str
        Hash over the times of the files' last change too.
    """

    content: str
    dated: str


class InputMarker:
    """Makes marks; keeps what the last zip and the last folder hold."""

    def __init__(self) -> None:
        self._archive = self._folder = ""
        self._checksums: dict[str, int] = {}
        self._names: dict[str, list[str]] = {}

    def mark_input(self, series: SeriesFound) -> InputMark:
        """Return the mark of a series and of the block of the knees that goes with it.

        A file that cannot be looked at counts as changed by its error: reading it will tell.
        """
        content, times = hashlib.sha256(), hashlib.sha256()
        for one in (series, series.knees):
            parts = [] if one is None else list(self._list_parts(one))
            for entry, header in parts:
                content.update(f"{header} {entry.size};".encode("utf-8", "surrogateescape"))
                times.update(_read_time(entry.path).encode())
            samples = _choose_samples([entry for entry, _ in parts])
            for entry in samples:
                content.update(self._sample(entry, SAMPLED_PLACES // len(samples)))
        return InputMark(
            content=content.hexdigest(), dated=hashlib.sha256(times.digest()).hexdigest()
        )

    def _sample(self, entry: FileEntry, n_places: int) -> bytes:
        """Return some bytes of a file, or the checksum that its zip has of it."""
        try:
            if entry.member:
                return str(self._list_checksums(entry.path).get(entry.member)).encode()
            with open(entry.path, "rb") as file:
                sample = b""
                for index in range(n_places):
                    # The last place is the file's end: packed data has its checksum there.
                    last = max(entry.size - SAMPLE_BYTES, 0)
                    file.seek(last * index // (n_places - 1))
                    sample += file.read(SAMPLE_BYTES)
                return sample
        except (OSError, zipfile.BadZipFile) as error:
            return type(error).__name__.encode()

    def _list_parts(self, series: SeriesFound) -> Iterator[tuple[FileEntry, tuple[object, ...]]]:
        """Yield every file that will be read, with what its header said of planes that have one."""
        plan = series.plan
        if isinstance(plan, DicomPlan):
            for one in plan.slices:
                yield one.entry, tuple(getattr(one, name) for name in _HEADER_FIELDS)
        elif isinstance(plan, FilePlan):
            for entry in (plan.entry, *self._list_named(plan.entry)):
                yield entry, ()

    def _list_named(self, entry: FileEntry) -> list[FileEntry]:
        """Return the files on disk that a detached header names, all in its own folder."""
        if entry.member or entry.size > LARGEST_HEADER_BYTES:
            return []
        folder, own_name = os.path.split(entry.path)
        try:
            with open(entry.path, "rb") as file:
                words = _list_words(file.read())
            by_stem = self._list_names(folder)
        except OSError:
            return []
        stem = PurePosixPath(own_name).stem
        beside = {name for word in words for name in by_stem.get(PurePosixPath(word).stem, ())}
        found = []
        for name in sorted({*by_stem.get(stem, ()), *(beside & words)} - {own_name}):
            path = os.path.join(folder, name)
            if os.path.isfile(path):
                found.append(FileEntry(path=path, name=name, size=os.path.getsize(path)))
        return found

    def _list_names(self, folder: str) -> dict[str, list[str]]:
        """Return the names in a folder by what they are without their last suffix."""
        if folder != self._folder or not self._names:
            self._names = {}
            for name in os.listdir(folder or "."):
                self._names.setdefault(PurePosixPath(name).stem, []).append(name)
            self._folder = folder
        return self._names

    def _list_checksums(self, archive: str) -> dict[str, int]:
        if archive != self._archive:
            with zipfile.ZipFile(archive) as opened:
                self._checksums = {info.filename: info.CRC for info in opened.infolist()}
            self._archive = archive
        return self._checksums


def _choose_samples(entries: list[FileEntry]) -> list[FileEntry]:
    entries = list(dict.fromkeys(entries))
    n_wanted = min(SAMPLED_FILES, len(entries))
    return [entries[index * len(entries) // n_wanted] for index in range(n_wanted)]


def _list_words(text: bytes) -> set[str]:
    """Return what a header may mean by a name: lines, their values, their words; no folders."""
    words: set[bytes] = set()
    for line in text.splitlines():
        words |= {line.strip(), *(line.partition(mark)[2].strip() for mark in (b"=", b":"))}
        words |= set(line.split())
    return {os.path.basename(os.fsdecode(word)) for word in words}


def _read_time(path: str) -> str:
    try:
        return f"{os.stat(path).st_mtime_ns};"
    except OSError as error:
        return type(error).__name__
