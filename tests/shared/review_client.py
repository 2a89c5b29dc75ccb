"""Asks the review page as a browser does, and as no browser would."""

import json
from collections.abc import Iterable, Mapping
from contextlib import closing, suppress
from dataclasses import dataclass
from email.message import Message
from http.client import HTTPConnection
from json import dumps as dump_json
from typing import Any
from urllib.parse import urlencode


@dataclass(frozen=True, kw_only=True)
class Answer:
    """What the server sent."""

    status_code: int
    headers: Message
    content: bytes

    @property
    def text(self) -> str:
        return self.content.decode("utf-8", "replace")

    def json(self) -> Any:
        return json.loads(self.content)


class Client:
    """A browser without any manners: it sends what it is told, paths as they are."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.headers = {"host": f"127.0.0.1:{port}", "origin": f"http://127.0.0.1:{port}"}

    def request(
        self,
        method: str,
        path: str,
        *,
        content: bytes | Iterable[bytes] = b"",
        headers: Mapping[str, str] | None = None,
    ) -> Answer:
        connection = HTTPConnection("127.0.0.1", self._port, timeout=120)
        with closing(connection):
            connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
            sent = {**self.headers, **(headers or {})}
            chunked = not isinstance(content, bytes)
            if chunked:
                sent["transfer-encoding"] = "chunked"
            elif method not in ("GET", "HEAD"):
                sent.setdefault("content-length", str(len(content)))
            for name, value in sent.items():
                connection.putheader(name, value.encode("latin-1"))
            with suppress(BrokenPipeError, ConnectionResetError):  # it had enough
                connection.endheaders(content or None, encode_chunked=chunked)
            answer = connection.getresponse()
            if cookie := answer.headers.get("set-cookie"):
                self.headers["cookie"] = cookie.partition(";")[0]
            return Answer(status_code=answer.status, headers=answer.headers, content=answer.read())

    def get(
        self, path: str, *, params: Mapping[str, str] | None = None, headers: Any = None
    ) -> Answer:
        query = f"?{urlencode(params)}" if params else ""
        return self.request("GET", path + query, headers=headers)

    def post(
        self, path: str, *, json: Any = None, content: Any = None, headers: Any = None
    ) -> Answer:
        if content is None:
            content = dump_json(json).encode()
            headers = {"content-type": "application/json", **(headers or {})}
        return self.request("POST", path, content=content, headers=headers)
