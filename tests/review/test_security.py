"""Who is not meant is refused: no token, another host, another site, other files, too much."""

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from canalmorph.review.guard import COOKIE_NAME, LARGEST_BODY, MOST_WRONG, WRONG_WITHIN_S

PATHS = (
    "/",
    "/case?id=x",
    "/static/case.js",
    "/api/cases",
    "/api/cases/{case}",
    "/api/cases/{case}/section?side=right&level=0",
    "/cases/{case}/report.html",
    "/thumbnails/{case}/right",
    "/nothing",
)


@pytest.mark.parametrize("path", PATHS)
def test_without_a_token_nothing_is_given(door: Any, case_id: str, path: str) -> None:
    client = door.knock()
    path = path.replace("{case}", case_id)
    for cookie in ("", "guess", "\xff"):
        headers = {"cookie": f"{COOKIE_NAME}={cookie}"} if cookie else {}
        answer = client.get(path, headers=headers)
        assert answer.status_code == 401
        assert case_id not in answer.text


def test_a_token_opens_once_and_leaves_the_address(door: Any) -> None:
    client = door.knock()
    token = door.keys.give_token()
    answer = client.get(f"/?token={token}")
    assert (answer.status_code, answer.headers["location"]) == (303, "/")
    cookie = answer.headers["set-cookie"].lower()
    for part in ("httponly", "samesite=strict", "path=/"):
        assert part in cookie
    assert token not in cookie
    assert client.get("/").status_code == 200
    assert door.knock().get(f"/?token={token}").status_code == 401


@pytest.mark.parametrize(
    "host",
    ["example.org", "localhost:{port}", "127.0.0.1", "127.0.0.1:1", "127.0.0.1:{port}.x", ""],
)
def test_another_host_is_refused(client: Any, door: Any, host: str) -> None:
    headers = {"host": host.replace("{port}", str(door.port))}
    assert client.get("/api/cases", headers=headers).status_code == 400


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://example.org"},
        {"origin": "null"},
        {"origin": "http://127.0.0.1:1"},
        {"origin": "https://127.0.0.1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
    ids=str,
)
def test_another_site_cannot_act(
    client: Any, case_id: str, headers: dict[str, str], desk: Any
) -> None:
    content = {"action": "reject", "version": 0, "by": "x"}
    path = f"/api/cases/{case_id}/do"
    assert client.post(path, json=content, headers=headers).status_code == 403
    del client.headers["origin"]
    assert client.post(path, json=content).status_code == 403
    assert desk.reviews.get(case_id).version == 0


def test_a_form_of_any_site_cannot_act(client: Any, case_id: str, desk: Any) -> None:
    text = json.dumps({"action": "reject", "version": 0, "by": "x"})
    for kind in ("text/plain", "application/x-www-form-urlencoded", "multipart/form-data", ""):
        answer = client.post(
            f"/api/cases/{case_id}/do", content=text.encode(), headers={"content-type": kind}
        )
        assert answer.status_code == 422
    assert desk.reviews.get(case_id).version == 0


def test_another_site_cannot_read_or_frame(client: Any) -> None:
    headers = {"sec-fetch-site": "cross-site"}
    assert client.get("/api/cases", headers=headers).status_code == 403
    for path in ("/", "/api/cases", "/static/list.js", "/nothing"):
        sent = client.get(path).headers
        policy = sent["content-security-policy"]
        assert "default-src 'none'" in policy
        assert "unsafe-inline" not in policy
        assert "frame-ancestors 'none'" in policy
        assert sent["x-content-type-options"] == "nosniff"
        assert sent["cache-control"] == "no-store"
        assert "access-control-allow-origin" not in sent


TRAVERSALS = (
    "/cases/../ledger.sqlite",
    "/cases/%2e%2e/ledger.sqlite",
    "/cases/..%2fledger.sqlite/report.html",
    "/cases/{case}/..%2f..%2fledger.sqlite",
    "/cases/{case}/%2e%2e%2f%2e%2e%2f.case_key",
    "/cases/{case}/clinic.json",
    "/cases/{case}/.digest.json",
    "/cases/{case}/surfaces.npz",
    "/cases/{case}/report.html%00.pdf",
    "/cases/.unfinished-x/report.html",
    "/cases/linked/report.html",
    "/cases//etc/passwd",
    "/cases/{case}\\..\\..\\ledger.sqlite/report.html",
    "/static/../app.py",
    "/static/%2e%2e%2fapp.py",
    "/static/__init__.py",
    "/thumbnails/..%2f..%2fcases/right",
    "/thumbnails/{case}/..%2f..%2f.case_key",
    "/films/..%2f..%2fledger.sqlite",
    "/api/cases/..%2f..%2f",
    "/api/cases/linked",
)


@pytest.fixture
def outside(results: Path, case_id: str) -> Path:
    """Lay a case outside of the results, and links to it and its files within."""
    beside = results.parent / "beside"
    (results / "cases" / case_id).rename(beside)
    inside = results / "cases" / case_id
    inside.mkdir()
    for file in beside.iterdir():
        if file.name != "report.html":
            os.link(file, inside / file.name)
    (inside / "report.html").symlink_to(beside / "report.html")
    (results / "cases" / "linked").symlink_to(beside)
    return beside


@pytest.mark.parametrize("path", TRAVERSALS)
def test_no_other_file_is_given(client: Any, case_id: str, outside: Path, path: str) -> None:
    answer = client.get(path.replace("{case}", case_id))
    assert answer.status_code in (400, 404), answer.status_code
    for secret in ("SQLite", "Quill", "import ", "root:"):
        assert secret not in answer.text


def test_a_link_out_of_the_results_is_not_followed(
    client: Any, case_id: str, outside: Path
) -> None:
    assert client.get(f"/cases/{case_id}/report.html").status_code == 404
    answer = client.get(f"/cases/{case_id}/report.pdf")
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"].startswith("sandbox")


def test_too_much_is_refused(client: Any, case_id: str, desk: Any) -> None:
    path = f"/api/cases/{case_id}/do"
    large = json.dumps({"action": "comment", "reason": "x" * LARGEST_BODY, "version": 0})
    headers = {"content-type": "application/json"}
    assert client.post(path, content=large.encode(), headers=headers).status_code == 413

    def trickle() -> Iterator[bytes]:  # without a length
        for start in range(0, len(large), 4096):
            yield large[start : start + 4096].encode()

    assert client.post(path, content=trickle(), headers=headers).status_code == 413
    assert client.get("/api/cases?text=" + "x" * 3000).status_code == 414
    assert client.post(path, content=b"{}", headers={"content-length": "-1"}).status_code == 400
    assert desk.reviews.get(case_id).version == 0


def test_a_thousand_wrong_tokens_open_nothing(door: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    client = door.knock()
    told = [client.get(f"/?token=guess{number}").status_code for number in range(1000)]
    assert told[:MOST_WRONG] == [401] * MOST_WRONG
    assert set(told[MOST_WRONG:]) == {429}
    # A right one waits with the wrong ones, and is good after that.
    token = door.keys.give_token()
    assert client.get(f"/?token={token}").status_code == 429
    for place in range(len(door.keys.wrong)):
        door.keys.wrong[place] -= WRONG_WITHIN_S  # a minute later
    assert client.get(f"/?token={token}").status_code == 303


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS", "TRACE"])
def test_other_methods_are_refused(client: Any, method: str) -> None:
    assert client.request(method, "/api/cases").status_code == 405


CORRECT = b'{"action": "correct", "version": 0, "by": "x", "mark": '
NONSENSE = (
    b"",
    b"[]",
    b"null",
    b"{",
    b"\xff\xfe",
    b"[" * 100_000,
    b'{"action": "correct"}',
    b'{"action": "explode", "version": 0}',
    b'{"action": "correct", "version": "0", "by": "x"}',
    b'{"action": "correct", "version": 0, "by": "x"}',
    CORRECT + b'{"kind": "head"}}',
    CORRECT + b'{"kind": 7, "side": "right"}}',
    CORRECT + b'{"kind": "isthmus", "side": "right", "points_mm": [[NaN, 0, 0]]}}',
    CORRECT + b'{"kind": "isthmus", "side": "right", "points_mm": [[1e999, 0, 0]]}}',
    CORRECT + b'{"kind": "isthmus", "side": "left", "points_mm": [[0, 0, -100]]}}',
    CORRECT + b'{"kind": "isthmus", "side": "right", "points_mm": 7}}',
    b'{"action": "withdraw", "version": 0, "by": "x", "slot": ["head", "right", ""]}',
    b'{"action": "sign", "version": 0, "by": "   "}',
    b'{"action": "comment", "version": 0, "by": "x", "reason": ""}',
)


@pytest.mark.parametrize("body", NONSENSE, ids=lambda body: body[:60].decode("latin-1"))
def test_nonsense_is_a_sentence_and_changes_nothing(
    client: Any, case_id: str, desk: Any, body: bytes
) -> None:
    headers = {"content-type": "application/json"}
    answer = client.post(f"/api/cases/{case_id}/do", content=body, headers=headers)
    assert answer.status_code == 422
    assert answer.json()["error"]
    assert desk.reviews.get(case_id).version == 0


@pytest.mark.parametrize(
    "query", ["page=-1", "page=x", "sort=case_id;drop", "page=99999999", "sort=x"]
)
def test_a_query_that_is_none_is_refused(client: Any, query: str) -> None:
    assert client.get(f"/api/cases?{query}").status_code == 422


@pytest.mark.parametrize("text", ["'", '" OR 1=1 --', "%", "x'; DROP TABLE listed; --"])
def test_what_is_typed_never_becomes_a_statement(client: Any, text: str) -> None:
    for name in ("text", "flag", "state", "shape", "fixation"):
        answer = client.get("/api/cases", params={name: text})
        assert (answer.status_code, answer.json()["total"]) == (200, 0)
    assert client.get("/api/cases").json()["total"] == 1
