"""A measured folder to review, the page served, and a browser that was let in."""

import json
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path

import pytest
from review_client import Client

from canalmorph.batch.outcomes import MeasureScan
from canalmorph.batch.reviews import ReviewAction, open_reviews
from canalmorph.batch.run import measure_inputs
from canalmorph.measure.rods import put_off_rods
from canalmorph.pipeline import Settings
from canalmorph.review.app import make_app
from canalmorph.review.desk import ReviewDesk, open_desk
from canalmorph.review.guard import Keys
from canalmorph.review.server import listen_here, make_server

N_CASES, N_SAID = 2000, 6
SHAPES = ("stovepipe", "normal", "champagne_flute")


@pytest.fixture(scope="session")
def measured(
    small_dicom: Path, known_measure: MeasureScan, tmp_path_factory: pytest.TempPathFactory
) -> Path:
    out = tmp_path_factory.mktemp("review") / "out"
    measure_inputs([small_dicom], out, Settings(), measure=known_measure)
    return out


@pytest.fixture
def results(measured: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(measured, tmp_path / "out"))


@pytest.fixture
def case_id(results: Path) -> str:
    (case,) = (results / "cases").iterdir()
    return case.name


@pytest.fixture
def whole() -> None:
    """Ask for pages and rods, too, which take most of the time."""


@pytest.fixture
def desk(
    results: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch
) -> Iterator[ReviewDesk]:
    if "whole" not in request.fixturenames:
        monkeypatch.setattr("canalmorph.review.desk.follow_review", lambda *args: False)
        monkeypatch.setattr("canalmorph.measure.facts.measure_rods", lambda *args: put_off_rods())
    with open_desk(results) as opened:
        opened.index.refresh(opened.reviews)
        yield opened


class Door:
    """The page as it is served, and browsers that knock."""

    def __init__(self, port: int, keys: Keys) -> None:
        self.port, self.keys = port, keys

    def knock(self, *, let_in: bool = False) -> Client:
        client = Client(self.port)
        if let_in:
            answer = client.get(f"/?token={self.keys.give_token()}")
            assert answer.status_code == 303
        return client


@contextmanager
def serve(desk: ReviewDesk) -> Iterator[Door]:
    with listen_here(0) as listener:
        port, keys = int(listener.getsockname()[1]), Keys()
        server = make_server(make_app(desk, port=port, keys=keys))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listener]})
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield Door(port, keys)
        server.should_exit = True
        thread.join()


@pytest.fixture(scope="session")
def serve_desk() -> Callable[[ReviewDesk], AbstractContextManager[Door]]:
    return serve


@pytest.fixture
def door(desk: ReviewDesk) -> Iterator[Door]:
    with serve(desk) as opened:
        yield opened


@pytest.fixture
def client(door: Door) -> Client:
    return door.knock(let_in=True)


@pytest.fixture
def do(client: Client, case_id: str) -> Callable[..., dict[str, object]]:
    """Return a function that does something with the case, and gives what came of it."""

    def act(action: str, *, expect: int = 200, **said: object) -> dict[str, object]:
        version = client.get(f"/api/cases/{case_id}?brief=1").json()["version"]
        content = {"action": action, "version": version, "by": "M. Okoro", **said}
        answer = client.post(f"/api/cases/{case_id}/do", json=content)
        assert answer.status_code == expect, answer.text
        return dict(answer.json())

    return act


@pytest.fixture(scope="session")
def many(measured: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of cases that differ in name, shape, index and flags."""
    results = tmp_path_factory.mktemp("many")
    for name in (".case_key", "columns.csv"):
        shutil.copy(measured / name, results)
    (case,) = (measured / "cases").iterdir()
    digest = json.loads((case / ".digest.json").read_bytes())
    digest["lines"] = {}
    for number in range(N_CASES):
        name = f"g{number:011d}"
        folder = results / "cases" / name
        folder.mkdir(parents=True)
        os.link(case / "result.json", folder / "result.json")
        (femur,) = digest["femora"]
        femur["case_id"] = name
        femur["canal_shape"] = SHAPES[number % 3]
        femur["cfi_ml"] = None if number % 7 == 0 else 2.0 + (number * 37 % 500) / 100
        femur["warnings"] = ";".join(
            ["metal"] * (number % 5 == 0) + ["narrow_canal"] * (number % 2)
        )
        (folder / ".digest.json").write_text(json.dumps(digest))
    with open_reviews(results) as reviews:
        for number in range(N_SAID):
            reviews.say(
                reviews.get(f"g{number:011d}"),
                ReviewAction.SIGN if number % 2 else ReviewAction.REJECT,
                by="M. Okoro",
                reason="",
                measured_with="",
            )
    return results
