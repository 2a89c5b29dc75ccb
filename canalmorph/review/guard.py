"""Who may speak to the page: one machine, one address, whoever was given the token, nobody else.

Stands before everything. A request that is not for this address, comes from another site, carries
no session or too much is answered here, and reaches nothing behind.
"""

import hmac
import secrets
import time
from collections import deque
from dataclasses import dataclass, field
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"
COOKIE_NAME = "canalmorph_review"
#: Random bytes of a token: guessing one of 2**256 is hopeless at any rate.
TOKEN_BYTES = 32
#: More wrong tokens than this within this long, and none is looked at for as long. [s]
MOST_WRONG, WRONG_WITHIN_S = 20, 60.0
#: Largest body: an outline of 400 points is 20 kB. [bytes]
LARGEST_BODY = 262_144
#: Longest address. [characters]
LONGEST_QUERY = 2_000
#: What a page may load and run: its own files, and pictures that its script made.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
#: A report has a policy of its own; shown here it cannot speak for the reader.
REPORT_POLICY = "sandbox allow-scripts allow-popups; frame-ancestors 'none'"
_HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


@dataclass(slots=True)
class Keys:
    """Tokens that were given out and not used, and the sessions that they were turned into."""

    tokens: set[str] = field(default_factory=set)
    sessions: set[str] = field(default_factory=set)
    wrong: deque[float] = field(default_factory=deque)

    def give_token(self) -> str:
        """Return a new token, good for one use."""
        token = secrets.token_urlsafe(TOKEN_BYTES)
        self.tokens.add(token)
        return token

    def is_locked(self) -> bool:
        """Return whether too many wrong tokens came lately."""
        now = time.monotonic()
        while self.wrong and now - self.wrong[0] > WRONG_WITHIN_S:
            self.wrong.popleft()
        return len(self.wrong) >= MOST_WRONG

    def open_session(self, token: str) -> str | None:
        """Return a session for a token, which is used up; None where it is wrong."""
        found = [one for one in self.tokens if _are_equal(one, token)]
        if not found:
            self.wrong.append(time.monotonic())
            return None
        self.tokens.discard(found[0])
        session = secrets.token_urlsafe(TOKEN_BYTES)
        self.sessions.add(session)
        return session

    def knows(self, session: str) -> bool:
        """Return whether a session is one of ours."""
        return any(_are_equal(one, session) for one in self.sessions)


def _are_equal(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode(), other.encode("utf-8", "replace"))


class Guard:
    """The application behind, for those who may speak to it."""

    def __init__(self, app: ASGIApp, *, port: int, keys: Keys) -> None:
        self._app, self._keys = app, keys
        self._host = f"{HOST}:{port}"
        self._origin = f"http://{self._host}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or hand it on."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return  # A web socket is not answered at all.
        sender = _make_sender(send)
        refusal = self._find_fault(scope)
        if refusal is not None:
            await refusal(scope, receive, sender)
            return
        await self._app(scope, _limit_body(receive), sender)

    def _find_fault(self, scope: Scope) -> PlainTextResponse | RedirectResponse | None:
        """Return the answer to a request that goes no further."""
        headers = Headers(scope=scope)
        method = scope["method"]
        if headers.getlist("host") != [self._host]:
            return PlainTextResponse("This page answers at its own address only.", 400)
        if method not in ("GET", "HEAD", "POST"):
            return PlainTextResponse("Not allowed.", 405)
        site = headers.get("sec-fetch-site", "none" if method != "POST" else "same-origin")
        if site not in ("same-origin", "none"):
            return PlainTextResponse("This page is not for other sites.", 403)
        if method == "POST" and headers.getlist("origin") != [self._origin]:
            return PlainTextResponse("This page is not for other sites.", 403)
        if len(scope["query_string"]) > LONGEST_QUERY:
            return PlainTextResponse("The address is too long.", 414)
        length = headers.get("content-length", "0")
        if not length.isdecimal() or int(length) > LARGEST_BODY:
            return PlainTextResponse("The request is too large.", 413)
        query = parse_qs(scope["query_string"].decode("latin-1"))
        if scope["path"] == "/" and method == "GET" and "token" in query:
            return self._let_in(query["token"][0])
        if not self._keys.knows(_read_cookie(headers)):
            return PlainTextResponse(
                "Open the page by the address that the command printed. It is good for one use; "
                "a page that is open gives another.",
                401,
            )
        return None

    def _let_in(self, token: str) -> PlainTextResponse | RedirectResponse:
        if self._keys.is_locked():
            return PlainTextResponse("Too many wrong addresses; wait a minute.", 429)
        session = self._keys.open_session(token)
        if session is None:
            return PlainTextResponse("This address is not, or no longer, good.", 401)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE_NAME, session, httponly=True, samesite="strict", path="/")
        return answer


def _read_cookie(headers: Headers) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE_NAME)
    except CookieError:
        return ""
    return "" if found is None else found.value


def _limit_body(receive: Receive) -> Receive:
    """Return a reader that ends a body that is longer than it may be, whatever its header said."""
    n_bytes = 0

    async def read() -> Message:
        nonlocal n_bytes
        message = await receive()
        n_bytes += len(message.get("body", b""))
        if n_bytes > LARGEST_BODY:
            return {"type": "http.disconnect"}
        return message

    return read


def _make_sender(send: Send) -> Send:
    """Return a sender that adds the headers of every answer."""

    async def add(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return add
