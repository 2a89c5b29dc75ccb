"""The application behind the guard: pages, pictures, and what a person does."""

import json
import re
from base64 import b64decode
from collections.abc import Awaitable, Callable, Mapping
from functools import lru_cache
from importlib.resources import files
from typing import Any

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, Response
from starlette.routing import Route

from canalmorph.batch.digest import read_digest
from canalmorph.batch.reviews import ReviewAction
from canalmorph.errors import CanalMorphError
from canalmorph.model.corrections import Correction, Review
from canalmorph.model.femur import Side
from canalmorph.report.content import format_date
from canalmorph.results_errors import ReviewOutrunError
from canalmorph.review.case_index import ListQuery
from canalmorph.review.desk import OpenCase, ReviewDesk
from canalmorph.review.films import FilmStore
from canalmorph.review.guard import HOST, REPORT_POLICY, Guard, Keys
from canalmorph.review.payload import (
    describe_case,
    describe_section,
    place_mark,
)

#: Files of the page, by the name under which they are given, with their kind.
STATIC = {
    "list.html": "text/html",
    "case.html": "text/html",
    "review.css": "text/css",
    "list.js": "text/javascript",
    "case.js": "text/javascript",
    "view.js": "text/javascript",
    "talk.js": "text/javascript",
}
#: What may be opened of a case's folder.
REPORTS = {"report.html": "text/html", "report.pdf": "application/pdf"}
#: Names of cases are hashes.
_CASE_ID = re.compile(r"[A-Za-z0-9_-]{1,64}")
_Handler = Callable[[Request], Awaitable[Response]]


def make_app(desk: ReviewDesk, *, port: int, keys: Keys) -> Guard:
    """Return the application of one results folder, guarded.

    Parameters
    ----------
    desk : ReviewDesk
        The work on the folder.
    port : int
        At which it is served.
    keys : Keys
        Tokens and sessions.
    """
    page = _Page(desk, port, keys)
    routes = [
        Route("/", page.give_list),
        Route("/case", page.give_case),
        Route("/static/{name}", page.give_static),
        Route("/thumbnails/{case}/{side}", page.give_thumbnail),
        Route("/films/{key}", page.give_film),
        Route("/cases/{case}/{name}", page.give_report),
        Route("/api/cases", page.list_cases),
        Route("/api/cases/{case}", page.open_case),
        Route("/api/cases/{case}/section", page.cut_section),
        Route("/api/cases/{case}/watch", page.watch, methods=["POST"]),
        Route("/api/cases/{case}/do", page.act, methods=["POST"]),
        Route("/api/address", page.give_address, methods=["POST"]),
    ]
    return Guard(Starlette(routes=routes), port=port, keys=keys)


def _refuse(status: int, sentence: str, **more: Any) -> JSONResponse:
    return JSONResponse({"error": sentence, **more}, status)


def _tell_errors(handler: Callable[..., Awaitable[Response]]) -> Callable[..., Awaitable[Response]]:
    """Return a handler whose errors are one sentence; a bug's own text is not shown."""

    async def handle(page: "_Page", request: Request) -> Response:
        try:
            return await handler(page, request)
        except KeyError:
            return _refuse(404, "There is no such case in these results.")
        except ReviewOutrunError as error:
            return _refuse(409, str(error))
        except CanalMorphError as error:
            return _refuse(422, str(error))
        except ValueError as error:
            return _refuse(422, str(error))
        except ClientDisconnect:
            return _refuse(413, "The request is too large, or was broken off.")

    return handle


class _Page:
    """The handlers of one results folder."""

    def __init__(self, desk: ReviewDesk, port: int, keys: Keys) -> None:
        self._desk, self._port, self._keys = desk, port, keys
        self._films = FilmStore(desk.results / "cases")

    async def give_list(self, request: Request) -> Response:
        """Give the page of all cases."""
        return _give_file("list.html")

    async def give_case(self, request: Request) -> Response:
        """Give the page of one case; its script asks for the case."""
        return _give_file("case.html")

    async def give_static(self, request: Request) -> Response:
        """Give a file of the page."""
        name = request.path_params["name"]
        return _give_file(name) if name in STATIC else _refuse(404, "There is no such file.")

    @_tell_errors
    async def give_thumbnail(self, request: Request) -> Response:
        """Give a femur's small picture."""
        case_id, side = _read_case_id(request), request.path_params["side"]
        digest = await run_in_threadpool(read_digest, self._desk.find_folder(case_id))
        pictures = {} if digest is None else digest.thumbnails
        review = await run_in_threadpool(self._desk.reviews.get, case_id)
        content = b64decode(pictures[Side(side).other.value if review.swaps_sides else side])
        return Response(content, media_type="image/jpeg")

    @_tell_errors
    async def give_film(self, request: Request) -> Response:
        """Give a film that a case named."""
        film = self._films.find(request.path_params["key"])
        if film is None:
            raise KeyError("film")
        return Response(await run_in_threadpool(film.make_png), media_type="image/png")

    @_tell_errors
    async def give_report(self, request: Request) -> Response:
        """Give a case's report."""
        folder, name = self._desk.find_folder(_read_case_id(request)), request.path_params["name"]
        if name not in REPORTS:
            raise KeyError(name)
        path = (folder / name).resolve()
        if path.parent != folder or not path.is_file():
            raise KeyError(name)
        headers = {"content-security-policy": REPORT_POLICY}
        return FileResponse(path, media_type=REPORTS[name], headers=headers)

    @_tell_errors
    async def list_cases(self, request: Request) -> Response:
        """Give one page of the list."""
        query = _read_query(request.query_params)

        def read() -> dict[str, Any]:
            self._desk.index.refresh(self._desk.reviews)
            return self._desk.index.read_page(query)

        return JSONResponse(await run_in_threadpool(read))

    @_tell_errors
    async def open_case(self, request: Request) -> Response:
        """Give one case as it stands."""
        case_id = _read_case_id(request)
        query = _read_query(request.query_params)
        brief = request.query_params.get("brief") == "1"
        opened = await run_in_threadpool(self._desk.open_case, case_id, brief=brief)
        told = await run_in_threadpool(self._describe, case_id, opened)
        before, after = self._desk.index.find_neighbours(query, case_id)
        return JSONResponse({**told, "before": before, "after": after})

    @_tell_errors
    async def cut_section(self, request: Request) -> Response:
        """Give one section of a femur."""
        asked = request.query_params
        level, axial = float(asked.get("level", "0")), asked.get("axial") == "1"
        if not -1000.0 < level < 1000.0:
            raise ValueError("'level' must lie within 1000 mm.")
        side = Side(asked.get("side", ""))
        opened = await run_in_threadpool(self._desk.open_case, _read_case_id(request), brief=True)
        for femur, aligned in zip(
            opened.corrected.case.femora, opened.corrected.aligned, strict=False
        ):
            if femur.side is side:
                told = await run_in_threadpool(describe_section, aligned, femur, level, axial=axial)
                return JSONResponse(told)
        if opened.corrected.aligned:
            raise ValueError(f"This case shows no {side.value} femur.")
        raise ValueError("The CT of this case was not kept: it was measured by an earlier version.")

    @_tell_errors
    async def watch(self, request: Request) -> Response:
        """Note that a browser shows a case; tell it what others do."""
        case_id = _read_case_id(request)
        self._desk.find_folder(case_id)
        said = await _read_json(request)
        browser = str(said.get("browser", ""))
        others = await run_in_threadpool(self._desk.watch, case_id, browser)
        version = await run_in_threadpool(lambda: self._desk.reviews.get(case_id).version)
        return JSONResponse({"others": others, "version": version})

    @_tell_errors
    async def act(self, request: Request) -> Response:
        """Do what a person says, and give the case as it stands then."""
        case_id, said = _read_case_id(request), await _read_json(request)
        action = ReviewAction(str(said.get("action")))
        version = said.get("version")
        if not isinstance(version, int):
            raise ValueError("'version' must be a whole number.")

        def act() -> dict[str, Any]:
            plain, slot = said.get("mark"), said.get("slot")
            mark = None
            if isinstance(plain, dict):
                mark = place_mark(self._desk.open_case(case_id, brief=True), plain)
            elif isinstance(slot, list):
                mark = _find_mark(self._desk.reviews.get(case_id), slot)
            opened = self._desk.change(
                case_id,
                action,
                version=version,
                by=str(said.get("by", "")),
                reason=str(said.get("reason", "")),
                mark=mark,
            )
            return self._describe(case_id, opened)

        return JSONResponse(await run_in_threadpool(act))

    async def give_address(self, request: Request) -> Response:
        """Give a new address, good for one use, for another browser on this machine."""
        return JSONResponse({"address": make_address(self._port, self._keys)})

    def _describe(self, case_id: str, opened: OpenCase) -> dict[str, Any]:
        return describe_case(
            opened, self._films, self._desk.list_entries(case_id), self._name_patient(case_id)
        )

    def _name_patient(self, case_id: str) -> dict[str, str]:
        """Return who the patient is, as the report says; nothing where it is hidden or unknown."""
        try:
            clinic = self._desk.read_clinic(case_id)
        except CanalMorphError:
            return {}
        patient = clinic.patient
        facts = {
            "Name": patient.name.replace("^", " ").strip(),
            "ID": patient.identifier,
            "Scanned": format_date(patient.study_date),
        }
        hidden = clinic.deidentified
        return {} if hidden else {name: fact for name, fact in facts.items() if fact}


def make_address(port: int, keys: Keys) -> str:
    """Return the address of the page with a token that is good for one use."""
    return f"http://{HOST}:{port}/?token={keys.give_token()}"


def _read_case_id(request: Request) -> str:
    name = request.path_params["case"]
    if not _CASE_ID.fullmatch(name):
        raise KeyError(name)
    return str(name)


def _find_mark(review: Review, slot: list[Any]) -> Correction:
    for mark in review.corrections:
        if list(mark.slot) == slot:
            return mark
    raise ValueError("There is no such mark any more.")


def _read_query(asked: Mapping[str, str]) -> ListQuery:
    page = asked.get("page", "0")
    if not page.isdecimal() or len(page) > 6:
        raise ValueError("'page' must be a whole number.")
    texts = {name: asked.get(name, "")[:80] for name in ("state", "shape", "fixation", "flag")}
    return ListQuery(
        page=int(page),
        text=asked.get("text", "")[:80],
        sort=asked.get("sort", "case"),
        down=asked.get("down") == "1",
        **texts,
    )


async def _read_json(request: Request) -> dict[str, Any]:
    """Return the body of a request; only JSON is taken, which no form of another site can send."""
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if kind != "application/json":
        raise ValueError("The request must be JSON.")
    try:
        said = json.loads(await request.body())
    except (UnicodeDecodeError, RecursionError) as error:
        raise ValueError("The request must be JSON.") from error
    if not isinstance(said, dict):
        raise ValueError("The request must be a JSON object.")
    return said


@lru_cache
def _read_static(name: str) -> bytes:
    return (files("canalmorph.review") / "static" / name).read_bytes()


def _give_file(name: str) -> Response:
    return Response(_read_static(name), media_type=STATIC[name])
