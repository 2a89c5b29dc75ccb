"""Find files in files, folders and zips, and open them; nothing is ever unpacked to disk."""

import io
import os
import stat
import zipfile
from collections.abc import Iterable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import BinaryIO

from canalmorph.errors import (
    ArchiveUnreadableError,
    ArchiveUnsafeError,
    CorruptFileError,
    DetachedDataError,
    InputNotFoundError,
    ReadError,
)
from canalmorph.read.settings import ReadSettings

#: Files that operating systems and media leave beside images.
JUNK_NAMES = frozenset({".ds_store", "thumbs.db", "desktop.ini", "dicomdir", ".localized"})
#: Below this size a high compression ratio does no harm. [bytes]
HARMLESS_ARCHIVE_BYTES = 64 * 2**20


@dataclass(frozen=True, slots=True, kw_only=True)
class FileEntry:
    """One file, on disk or inside a zip.

    Attributes
    ----------
    path : str
        The file, or the zip that holds it.
    member : str
        Name inside the zip; empty for a file on disk.
    name : str
        Name relative to the input, for people; starts with the input's own name.
    size : int
        Length, unpacked. [bytes]
    given : bool
        The file itself was named as an input.
    """

    path: str
    member: str = ""
    name: str
    size: int
    given: bool = False

    @property
    def folder(self) -> str:
        """Name of the folder that holds the file, relative to the input."""
        return str(PurePosixPath(self.name).parent) if "/" in self.name else self.name


def is_junk(name: str) -> bool:
    """Return whether a file of this name never holds an image.

    Examples
    --------
    >>> is_junk("a/._IM0"), is_junk("a/DICOMDIR"), is_junk("a/IM0")
    (True, True, False)
    """
    path = PurePosixPath(name)
    return path.name.lower() in JUNK_NAMES or path.name.startswith("._") or "__MACOSX" in path.parts


def list_files(
    paths: Iterable[Path], settings: ReadSettings
) -> Iterator[tuple[str, list[FileEntry] | ReadError]]:
    """Yield each input's and each zip's name with its files, or the reason why it has none."""
    for path in paths:
        name = path.name or path.resolve().name or "input"
        if path.is_dir():
            files, archives, closed = _list_folder(path, name)
            # An input that holds only zips, or cannot be looked into, is not empty.
            if files or not (archives or closed):
                yield name, files
            for archive in archives:
                yield archive.name, _list_archive(archive, settings)
            for error in closed:
                yield error.file, error
        elif path.is_file():
            entry = FileEntry(path=str(path), name=name, size=path.stat().st_size, given=True)
            if _is_archive(entry):
                yield name, _list_archive(entry, settings)
            else:
                yield name, [entry]
        else:
            yield name, InputNotFoundError(file=name, detail="There is no such file or folder.")


def _list_folder(
    root: Path, name: str
) -> tuple[list[FileEntry], list[FileEntry], list[InputNotFoundError]]:
    """Return the files and zips below a folder, and what of it cannot be looked at."""
    files: list[FileEntry] = []
    archives: list[FileEntry] = []
    closed: list[InputNotFoundError] = []

    def name_folder(folder: str) -> str:
        relative = Path(folder).relative_to(root).as_posix()
        return name if relative == "." else f"{name}/{relative}"

    def note_closed(error: OSError) -> None:
        detail = f"The folder cannot be opened ({type(error).__name__})."
        closed.append(InputNotFoundError(file=name_folder(str(error.filename)), detail=detail))

    for folder, folders, names in os.walk(root, onerror=note_closed):
        folders.sort()
        prefix = name_folder(folder)
        # A link within the input leads to what is looked at anyway.
        for link in (one for one in folders if os.path.islink(os.path.join(folder, one))):
            if not Path(folder, link).resolve().is_relative_to(root.resolve()):
                detail = "It is a link to a folder elsewhere, which is not followed; give that one."
                closed.append(InputNotFoundError(file=f"{prefix}/{link}", detail=detail))
        lost = 0
        for file_name in sorted(names):
            path = os.path.join(folder, file_name)
            try:
                status = os.stat(path)
            except OSError:
                lost += not is_junk(file_name)
                continue
            if not stat.S_ISREG(status.st_mode):
                continue
            entry = FileEntry(path=path, name=f"{prefix}/{file_name}", size=status.st_size)
            (archives if _is_archive(entry) else files).append(entry)
        if lost:
            detail = f"{lost} of its files cannot be found, such as links that lead nowhere."
            closed.append(InputNotFoundError(file=prefix, detail=detail))
    return files, archives, closed


def _is_archive(entry: FileEntry) -> bool:
    return entry.name.lower().endswith(".zip") and not is_junk(entry.name)


def _list_archive(archive: FileEntry, settings: ReadSettings) -> list[FileEntry] | ReadError:
    try:
        with zipfile.ZipFile(archive.path) as opened:
            members = [info for info in opened.infolist() if not info.is_dir()]
            problem = _unsafe_reason(opened.infolist(), archive.size, settings)
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, EOFError) as error:
        return ArchiveUnreadableError(
            file=archive.name, detail=f"The archive cannot be opened ({type(error).__name__})."
        )
    if problem:
        return ArchiveUnsafeError(file=archive.name, detail=problem)
    if any(info.flag_bits & 0x1 for info in members):
        return ArchiveUnreadableError(file=archive.name, detail="The archive is encrypted.")
    return [
        FileEntry(
            path=archive.path,
            member=info.filename,
            name=f"{archive.name}/{info.filename}",
            size=info.file_size,
        )
        for info in sorted(members, key=lambda info: info.filename)
    ]


def _unsafe_reason(
    members: list[zipfile.ZipInfo], archive_bytes: int, settings: ReadSettings
) -> str:
    """Return why the whole archive is refused, or an empty string."""
    seen: set[str] = set()
    for info in members:
        # orig_filename: what the archive says, before zipfile replaces or cuts anything.
        raw = info.orig_filename
        parts = raw.replace("\\", "/").split("/")
        if raw.startswith(("/", "\\")) or (len(raw) > 1 and raw[1] == ":"):
            return "An entry has an absolute path."
        if ".." in parts:
            return "An entry climbs out of the archive's folder."
        if "\0" in raw:
            return "An entry's name holds a null character."
        if stat.S_ISLNK(info.external_attr >> 16):
            return "An entry is a symbolic link."
        if info.filename in seen:
            return "Two entries have the same name."
        seen.add(info.filename)
    total = sum(info.file_size for info in members)
    if total > settings.max_archive_bytes:
        return f"It unpacks to {total / 2**30:.0f} GB."
    if total > HARMLESS_ARCHIVE_BYTES and total > settings.max_archive_ratio * archive_bytes:
        return f"It unpacks to {total / max(archive_bytes, 1):.0f} times its size."
    return ""


class FileOpener:
    """Open entries, keeping each zip open for as long as the opener lives."""

    def __init__(self) -> None:
        self._stack = ExitStack()
        self._archives: dict[str, zipfile.ZipFile] = {}

    def __enter__(self) -> "FileOpener":
        return self

    def __exit__(self, *details: object) -> None:
        self._stack.close()
        self._archives.clear()

    def open(self, entry: FileEntry) -> BinaryIO:
        """Return a seekable stream of the file's bytes.

        Raises
        ------
        InputNotFoundError
            If the file may not be read or has gone.
        CorruptFileError
            If a zip's entry is damaged.
        """
        try:
            if not entry.member:
                return open(entry.path, "rb")
            return io.BytesIO(self._read_member(entry))
        except OSError as error:
            raise InputNotFoundError(
                file=entry.name, detail=f"It cannot be opened ({type(error).__name__})."
            ) from None

    def read(self, entry: FileEntry) -> bytes:
        """Return all bytes of the file."""
        with self.open(entry) as stream:
            return stream.read()

    def beside(self, entry: FileEntry, file_name: str) -> FileEntry:
        """Return the file of this name in the folder of `entry`.

        Raises
        ------
        DetachedDataError
            If the name leads elsewhere or there is no such file.
        """
        parts = PurePosixPath(file_name.replace("\\", "/")).parts
        if len(parts) != 1 or parts[0] in ("..", "/") or ":" in file_name or "\0" in file_name:
            raise DetachedDataError(
                file=entry.name, detail="It names a data file outside its own folder."
            )
        name = f"{entry.folder}/{file_name}" if "/" in entry.name else file_name
        try:
            if entry.member:
                member = str(PurePosixPath(entry.member).parent / file_name)
                size = self._archive(entry.path).getinfo(member).file_size
                return FileEntry(path=entry.path, member=member, name=name, size=size)
            path = Path(entry.path).parent / file_name
            # A link would lead out of the folder just as well as a path.
            if not path.is_file() or path.is_symlink():
                raise KeyError(file_name)
            return FileEntry(path=str(path), name=name, size=path.stat().st_size)
        except (KeyError, OSError):
            raise DetachedDataError(
                file=entry.name, detail="The data file that it names is not beside it."
            ) from None

    def prepare(self, entries: Iterable[FileEntry]) -> None:
        """Open the zips of these entries, so that threads only read."""
        for path in {entry.path for entry in entries if entry.member}:
            self._archive(path)

    def _archive(self, path: str) -> zipfile.ZipFile:
        if path not in self._archives:
            self._archives[path] = self._stack.enter_context(zipfile.ZipFile(path))
        return self._archives[path]

    def _read_member(self, entry: FileEntry) -> bytes:
        try:
            with self._archive(entry.path).open(entry.member) as member:
                # Never more than it declares: reading all at once would unpack all first.
                return member.read(entry.size + 1)
        except (zipfile.BadZipFile, EOFError, KeyError, NotImplementedError, RuntimeError) as error:
            raise CorruptFileError(
                file=entry.name,
                detail=f"The archive's entry is damaged ({type(error).__name__}).",
            ) from None
        except Exception as error:  # zlib, lzma and bz2 raise errors of their own
            if isinstance(error, OSError):
                raise
            raise CorruptFileError(
                file=entry.name,
                detail=f"The archive's entry cannot be unpacked ({type(error).__name__}).",
            ) from None
