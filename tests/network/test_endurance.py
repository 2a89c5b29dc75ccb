"""A day's load, and kills at any moment: every study is there whole, with one set of results.

By hand: ``python -m pytest -m slow -s tests/network/test_endurance.py``, some ten minutes.
"""

import json
import multiprocessing
import random
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import psutil
import pydicom
import pytest
from pydicom.dataset import Dataset
from pydicom.uid import CTImageStorage
from pynetdicom import build_context

from canalmorph.network.log import NodeLog
from canalmorph.network.node import open_node
from canalmorph.network.settings import Archive, Limits, NodeSettings

Make = Callable[..., NodeSettings]
pytestmark = [pytest.mark.slow, pytest.mark.archive]
LOG_NAME = "node.log"
#: Associations at a time.
N_SENDERS = 4
#: Growth that is no leak: buffers, caches, the library's own. [bytes]
LARGEST_GROWTH_BYTES = 80 * 2**20


def serve(settings: NodeSettings, engine: Any) -> None:
    with (settings.folder.parent / LOG_NAME).open("a", encoding="utf-8", buffering=1) as stream:
        log = NodeLog(lambda line: stream.write(f"{line}\n"))
        with open_node(settings, log, engine=engine) as node:
            node.run(threading.Event())


def count_log(settings: NodeSettings) -> Counter[str]:
    """Return how many lines of each event a node wrote, through all its lives.

    For ``sent`` how many objects; the last line of a life that was killed may be cut.
    """
    counts: Counter[str] = Counter()
    for line in (settings.folder.parent / LOG_NAME).read_text("utf-8").splitlines():
        with suppress(json.JSONDecodeError):
            said = json.loads(line)
            counts[said["event"]] += said["objects"] if said["event"] == "sent" else 1
    return counts


class NodeProcess:
    """A node that can be killed."""

    def __init__(self, settings: NodeSettings, engine: Any) -> None:
        self._settings, self._engine = settings, engine
        self.start()

    def start(self) -> None:
        context = multiprocessing.get_context("fork")
        self.process = context.Process(target=serve, args=(self._settings, self._engine))
        self.process.start()

    def restart(self) -> None:
        self.process.kill()
        self.process.join()
        self.start()

    def end(self) -> None:
        self.process.kill()
        self.process.join()


def send_study(kit: SimpleNamespace, port: int, study: list[Dataset]) -> bool:
    """Send a study as a scanner does; return whether all of it was taken."""
    association = kit.make_entity(kit.sender).associate(
        "127.0.0.1", port, contexts=[build_context(CTImageStorage)], ae_title=kit.node
    )
    with suppress(RuntimeError, ValueError):
        for image in study:
            if association.send_c_store(image).get("Status") != 0x0000:
                return False
        association.release()
        return True
    return False


@contextmanager
def send_all(
    kit: SimpleNamespace, port: int, names: list[str], n_slices: int, again: Counter[str]
) -> Iterator[list[threading.Thread]]:
    """Send studies from several places at once, each again and again until it is taken.

    `again` counts how often each had to be sent again.
    """
    waiting, lock = list(names), threading.Lock()

    def work() -> None:
        while True:
            with lock:
                if not waiting:
                    return
                name = waiting.pop()
            study = kit.make_study(name, n_slices)
            while not send_study(kit, port, study):
                again[name] += 1
                time.sleep(0.5)

    threads = [threading.Thread(target=work) for _ in range(N_SENDERS)]
    for thread in threads:
        thread.start()
    yield threads
    for thread in threads:
        thread.join()


def assert_all_is_kept(
    kit: SimpleNamespace, settings: NodeSettings, names: list[str], n_slices: int
) -> None:
    """None is lost and none mixed: each study's folder holds its images and no other's."""
    expected = {
        frozenset(str(image.SOPInstanceUID) for image in kit.make_study(name, n_slices))
        for name in names
    }
    kept: dict[Path, list[str]] = {}
    for path in settings.inbox.rglob("*.dcm"):
        image = pydicom.dcmread(path, stop_before_pixels=True)
        kept.setdefault(path.parent, []).append(str(image.SOPInstanceUID))
    assert {len(uids) for uids in kept.values()} == {n_slices}
    assert {frozenset(uids) for uids in kept.values()} == expected
    assert len(kept) == len(names)


def test_a_days_load_loses_nothing_and_memory_stays_flat(
    archive: Any, make_settings: Make, kit: SimpleNamespace
) -> None:
    pacs = Archive(name="pacs", ae_title="ARCHIVE", host="127.0.0.1", port=archive.dicom_port)
    settings = make_settings(port=archive.node_port, archives=(pacs,), quiet_s=2.0)
    # A busy machine may be silent for long.
    settings = replace(settings, broken_quiet_s=10.0, limits=Limits(free_bytes=0))
    node = NodeProcess(settings, kit.free_engine())
    sizes: list[int] = []
    again: Counter[str] = Counter()
    began = time.monotonic()
    try:
        names = [f"study {number}" for number in range(50)]
        with send_all(kit, archive.node_port, names, 200, again) as threads:
            while any(thread.is_alive() for thread in threads):
                sizes.append(psutil.Process(node.process.pid).memory_info().rss)
                time.sleep(1.0)
        sent_s = time.monotonic() - began
        kit.wait_until(lambda: count_results(archive) == {3: 50}, longest_s=300.0)
    finally:
        node.end()
    assert_all_is_kept(kit, settings, names, 200)
    quarter = len(sizes) // 4
    print(
        f"\n10,000 images in {sent_s:.0f} s, {again.total()} studies sent again; "
        f"memory {[size >> 20 for size in sizes[::quarter]]} MB; node: {dict(count_log(settings))}"
    )
    # Nobody was in the way: nothing had to be sent twice, in or out.
    assert again.total() == 0
    log = count_log(settings)
    assert (log["not_sent"], log["refused"]) == (0, 0)
    assert max(sizes[quarter:]) - max(sizes[:quarter]) < LARGEST_GROWTH_BYTES


def count_results(archive: Any) -> Counter[int]:
    """Return how many studies in the archive have how many results."""
    found = archive.query("instances?limit=10000")
    return Counter(Counter(each["0020000D"]["Value"][0] for each in found).values())


def test_after_every_kill_each_study_has_one_set_of_results(
    archive: Any, make_settings: Make, kit: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    # An archive that is killed forgets what it was asked; the node asks again.
    monkeypatch.setattr("canalmorph.network.outbox.COMMITMENT_S", 10.0)
    pacs = Archive(name="pacs", ae_title="ARCHIVE", host="127.0.0.1", port=archive.dicom_port)
    # Long enough for a sender to come back, as it is meant to be.
    settings = make_settings(port=archive.node_port, archives=(pacs,), quiet_s=3.0)
    settings = replace(settings, broken_quiet_s=30.0)
    chance = random.Random(5)
    node = NodeProcess(settings, kit.free_engine())
    kills: Counter[str] = Counter()
    again: Counter[str] = Counter()
    try:
        names = [f"study {number}" for number in range(24)]
        with send_all(kit, archive.node_port, names, 60, again):
            for victim in chance.sample(["node"] * 20 + ["archive"] * 5, 25):
                time.sleep(chance.uniform(0.5, 6.0))
                kills[victim] += 1
                if victim == "node":
                    node.restart()
                else:
                    archive.restart()
        kit.wait_until(lambda: count_results(archive)[3] == 24, longest_s=300.0)
        # Nothing more comes of it.
        time.sleep(40.0)
        assert count_results(archive) == {3: 24}
    finally:
        node.end()
    assert kills == {"node": 20, "archive": 5}
    assert_all_is_kept(kit, settings, names, 60)
    log = count_log(settings)
    print(f"\n{again.total()} studies sent again after a kill; node: {dict(log)}")
    assert log["started"] == 21
    assert list(settings.outbox.glob("*.dcm")) == []
