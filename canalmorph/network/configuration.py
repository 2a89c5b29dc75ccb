"""The node's configuration file (TOML): read once, every word of it checked.

What is wrong is a `ValueError` of one sentence that names the place and what may stand there.
"""

import difflib
import ipaddress
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from canalmorph.network.settings import (
    FETCH_METHODS,
    Archive,
    Limits,
    MeasureSettings,
    NodeSettings,
    Sender,
    TlsSettings,
)

#: Of an application entity's title.
LONGEST_TITLE = 16


def read_configuration(file: Path) -> NodeSettings:
    """Return the settings in a configuration file; paths in it are relative to its folder.

    Raises
    ------
    ValueError
        In one sentence, with the place in the file and what may stand there.
    """
    try:
        with open(file, "rb") as stream:
            content = tomllib.load(stream)
    except OSError as error:
        raise ValueError(f"{file} cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ValueError(f"{file} is no TOML: {error}.") from error
    top = _Table(content, "the file", file.absolute().parent)
    settings = _read_node(top.table("node"), top)
    top.end()
    _check_names(settings)
    return settings


def _read_node(node: "_Table", top: "_Table") -> NodeSettings:
    measure, limits = top.table("measure", optional=True), top.table("limits", optional=True)
    tls = top.table("tls", optional=True)
    settings = NodeSettings(
        ae_title=node.title("ae_title"),
        address=node.address("address", "127.0.0.1"),
        port=node.whole("port", 11112, low=0, high=65535),
        folder=node.path("folder"),
        results=node.path("results"),
        quiet_s=node.number("quiet_s", 60.0, low=0.1, high=86400.0),
        broken_quiet_s=node.number("broken_quiet_s", 600.0, low=0.1, high=86400.0),
        measure=_read_measure(measure),
        limits=_read_limits(limits),
        tls=_read_tls(tls) if tls.given else None,
        senders=tuple(_read_sender(each) for each in top.tables("senders")),
        archives=tuple(_read_archive(each) for each in top.tables("archives")),
    )
    node.end()
    return settings


def _read_measure(table: "_Table") -> MeasureSettings:
    settings = MeasureSettings(
        deidentify=table.flag("deidentify", False),
        workers=table.whole("workers", 1, low=1, high=256),
        case_timeout_s=60.0 * table.number("case_timeout_min", 60.0, low=0.1, high=10000.0),
        case_key=table.file("case_key"),
        facts=table.file("facts"),
    )
    table.end()
    return settings


def _read_limits(table: "_Table") -> Limits:
    limits = Limits(
        associations=table.whole("associations", 8, low=1, high=100),
        largest_object_bytes=2**20 * table.whole("largest_object_mb", 1024, low=1, high=65536),
        idle_s=table.number("idle_s", 60.0, low=0.1, high=3600.0),
        association_s=60.0 * table.number("association_min", 120.0, low=0.01, high=10000.0),
        free_bytes=int(2**30 * table.number("free_gb", 5.0, low=0.0, high=1e6)),
    )
    table.end()
    return limits


def _read_tls(table: "_Table") -> TlsSettings:
    settings = TlsSettings(
        certificate=table.needed_file("certificate"),
        key=table.needed_file("key"),
        authorities=table.file("authorities"),
    )
    table.end()
    return settings


def _read_sender(table: "_Table") -> Sender:
    sender = Sender(ae_title=table.title("ae_title"), address=table.address("address", ""))
    table.end()
    return sender


def _read_archive(table: "_Table") -> Archive:
    web = "url" in table.given
    archive = Archive(
        name=table.text("name"),
        ae_title="" if web and "ae_title" not in table.given else table.title("ae_title"),
        host="" if web and "host" not in table.given else table.text("host"),
        port=table.whole("port", 104, low=1, high=65535),
        tls=table.flag("tls", False),
        url=table.url("url"),
        token_file=table.file("token_file"),
        authorities=table.file("authorities"),
        send=table.flag("send", True),
        commitment=table.flag("commitment", True),
        fetch=table.choice("fetch", FETCH_METHODS, "web" if web else "get"),
    )
    if archive.fetch == "web" and not web:
        raise ValueError(f"{table.place}.fetch is 'web', which needs a url.")
    if archive.fetch != "web" and not archive.ae_title:
        raise ValueError(f"{table.place}.fetch is {archive.fetch!r}, which needs an ae_title.")
    table.end()
    return archive


def _check_names(settings: NodeSettings) -> None:
    if settings.broken_quiet_s < settings.quiet_s:
        raise ValueError("node.broken_quiet_s must not be below node.quiet_s.")
    folders = (settings.folder.resolve(), settings.results.resolve())
    if folders[1].is_relative_to(folders[0]) or folders[0].is_relative_to(folders[1]):
        raise ValueError("node.folder and node.results must not lie in each other.")
    for kind, names in (
        ("senders.ae_title", [each.ae_title for each in settings.senders]),
        ("archives.name", [each.name for each in settings.archives]),
    ):
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"{kind} {name!r} stands twice.")
    if any(each.tls for each in settings.archives) and settings.tls is None:
        raise ValueError("An archive has tls = true, which needs the table tls.")


class _Table:
    """One table of the file, whose words are taken one after the other."""

    def __init__(self, content: Mapping[str, Any], place: str, folder: Path) -> None:
        self.given, self.place = dict(content), place
        self._folder = folder
        self._known: list[str] = []

    def end(self) -> None:
        """Refuse words that nobody asked for."""
        for word in self.given:
            if word not in self._known:
                close = difflib.get_close_matches(word, self._known, 1)
                hint = (
                    f"did you mean {close[0]!r}?" if close else f"known: {', '.join(self._known)}."
                )
                raise ValueError(f"{self.place} has an unknown word {word!r}; {hint}")

    def table(self, name: str, *, optional: bool = False) -> "_Table":
        content = self._take(name, {} if optional else None)
        if not isinstance(content, dict):
            raise self._wrong(name, "a table", content)
        return _Table(content, name, self._folder)

    def tables(self, name: str) -> Iterator["_Table"]:
        content = self._take(name, [])
        if not isinstance(content, list) or not all(isinstance(each, dict) for each in content):
            raise self._wrong(name, f"tables, each under [[{name}]]", content)
        for number, each in enumerate(content, start=1):
            yield _Table(each, f"{name}[{number}]", self._folder)

    def text(self, name: str, default: str | None = None) -> str:
        value = self._take(name, default)
        if not isinstance(value, str) or (default is None and not value.strip()):
            raise self._wrong(name, "text in quotes", value)
        return value

    def title(self, name: str) -> str:
        value = self.text(name).strip()
        if (
            len(value) > LONGEST_TITLE
            or not value.isascii()
            or not value.isprintable()
            or "\\" in value
        ):
            raise self._wrong(name, f"at most {LONGEST_TITLE} plain characters", value)
        return value

    def address(self, name: str, default: str) -> str:
        value = self.text(name, default)
        try:
            return str(ipaddress.ip_address(value)) if value else ""
        except ValueError:
            raise self._wrong(name, "a numeric IP address", value) from None

    def url(self, name: str) -> str:
        value = self.text(name, "")
        if value and (
            urlsplit(value).scheme not in ("http", "https") or not urlsplit(value).netloc
        ):
            raise self._wrong(name, "an address that begins with https:// or http://", value)
        return value.rstrip("/")

    def choice(self, name: str, allowed: Sequence[str], default: str) -> str:
        value = self.text(name, default)
        if value not in allowed:
            raise self._wrong(name, " or ".join(repr(each) for each in allowed), value)
        return value

    def flag(self, name: str, default: bool) -> bool:
        value = self._take(name, default)
        if not isinstance(value, bool):
            raise self._wrong(name, "true or false", value)
        return value

    def whole(self, name: str, default: int, *, low: int, high: int) -> int:
        value = self._take(name, default)
        if not isinstance(value, int) or isinstance(value, bool) or not low <= value <= high:
            raise self._wrong(name, f"a whole number from {low} to {high}", value)
        return value

    def number(self, name: str, default: float, *, low: float, high: float) -> float:
        value = self._take(name, default)
        if (
            not isinstance(value, (int, float))
            or isinstance(value, bool)
            or not low <= value <= high
        ):
            raise self._wrong(name, f"a number from {low:g} to {high:g}", value)
        return float(value)

    def path(self, name: str) -> Path:
        return self._folder / self.text(name)

    def file(self, name: str) -> Path | None:
        """Return a file that can be read, or None where none is named."""
        if name in self.given:
            return self.needed_file(name)
        self._known.append(name)
        return None

    def needed_file(self, name: str) -> Path:
        path = self._folder / self.text(name)
        try:
            path.open("rb").close()
        except OSError as error:
            raise ValueError(
                f"{self.place}.{name} names {path}, which cannot be read ({error.strerror})."
            ) from error
        return path

    def _take(self, name: str, default: Any) -> Any:
        self._known.append(name)
        value = self.given.get(name, default)
        if value is None:
            raise ValueError(f"{self.place} lacks {name!r}.")
        return value

    def _wrong(self, name: str, allowed: str, value: object) -> ValueError:
        return ValueError(f"{self.place}.{name} must be {allowed}, got {value!r}.")
