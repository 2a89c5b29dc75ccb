"""What arrives is measured once and sent once, whatever ends in between."""

import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from canalmorph.network import outbox
from canalmorph.network.log import NodeLog
from canalmorph.network.memory import MEMORY_FORM, MEMORY_NAME, open_memory
from canalmorph.network.node import open_node, read_health
from canalmorph.network.settings import NodeSettings
from canalmorph.results_errors import NodeBusyError, NodeMemoryError

Make = Callable[..., NodeSettings]
pytestmark = pytest.mark.usefixtures("quick_pauses")


def test_a_study_is_measured_and_its_results_are_kept_by_the_archive(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    settings = make_settings(peer)
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        assert running.send(*kit.make_study("one"), *kit.make_study("two")) == [0] * 24
        kit.wait_until(lambda: running.count_kept() == 6)
        assert len(running.list_events("case")) == 2
        # The segmentation goes first: the report refers to it.
        assert len(peer.taken) == 6
        kit.wait_until(lambda: not list(settings.outbox.glob("*.dcm")))
        # What is sent again as it was is no other case.
        assert running.send(*kit.make_study("one")) == [0] * 12
        running.wait_for("case", 3)
        time.sleep(0.5)
    assert len(peer.taken) == 6
    assert read_health(settings)["studies_measured"] == 2
    # Nothing that was received is deleted.
    assert len(list(settings.inbox.rglob("*.dcm"))) == 24


def test_names_in_the_inbox_are_hashes(make_settings: Make, kit: SimpleNamespace) -> None:
    settings = make_settings()
    hostile = kit.make_slice(
        "x",
        SeriesInstanceUID="1.2/../../3",
        StudyInstanceUID="../../../x",
        SOPInstanceUID="../../escaped",
    )
    with kit.run_node(settings, kit.free_engine()) as running:
        assert running.send(hostile) == [0]
    (kept,) = settings.inbox.rglob("*.dcm")
    parts = [*kept.relative_to(settings.inbox).parts[:2], kept.stem]
    assert all(part.isalnum() and len(part) == 24 for part in parts)
    assert {path.name for path in settings.folder.parent.iterdir()} == {"node", "results"}


def test_what_was_received_and_not_measured_is_measured_after_a_restart(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    patient = make_settings(peer, quiet_s=1000.0, broken_quiet_s=1000.0)
    with kit.run_node(patient) as running:
        running.send(*kit.make_study("one"))
    assert read_health(patient)["studies_waiting"] == 1
    settings = replace(patient, quiet_s=0.2, broken_quiet_s=0.4)
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        kit.wait_until(lambda: running.count_kept() == 3)
    assert len(set(peer.taken)) == 3


def test_a_lost_memory_costs_time_and_no_results(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    settings = make_settings(peer)
    for _ in range(2):
        with kit.run_node(settings) as running:
            peer.node_port = running.node.port
            if not peer.taken:
                running.send(*kit.make_study("one"))
            kit.wait_until(lambda: running.count_kept() == 3)
        for file in settings.folder.glob("node.sqlite*"):
            file.unlink()
    # Sent again, under the same UIDs.
    assert len(peer.taken) == 6
    assert len(set(peer.taken)) == 3


def test_what_was_measured_and_not_sent_is_sent_after_a_restart(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    settings = make_settings(peer)
    away = replace(settings, archives=(replace(settings.archives[0], port=9),))
    with kit.run_node(away) as running:
        running.send(*kit.make_study("one"))
        running.wait_for("queued")
        assert running.wait_for("not_sent", 2)[0]["reason"] == "peer-unreachable"
    assert read_health(away)["objects_waiting"] == 3
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        kit.wait_until(lambda: running.count_kept() == 3)
        assert running.engine.taken == []
    assert len(peer.taken) == 3


@pytest.mark.parametrize("commits", ["later", "no", "never"])
def test_an_object_stays_in_the_outbox_until_the_archive_keeps_it(
    commits: str,
    make_settings: Make,
    kit: SimpleNamespace,
    peer: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    settings = make_settings(peer)
    peer.commits = commits
    if commits == "never":
        monkeypatch.setattr(outbox, "COMMITMENT_S", 0.3)
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        running.send(*kit.make_study("one"))
        if commits == "never":
            kit.wait_until(lambda: peer.questions >= 2)
            assert len(list(settings.outbox.glob("*.dcm"))) == 3
            assert running.count_kept() == 0
            peer.commits = "later"
        kit.wait_until(lambda: running.count_kept() == 3)
        kit.wait_until(lambda: not list(settings.outbox.glob("*.dcm")))
    assert (len(peer.taken) == 3) == (commits == "later")
    assert len(set(peer.taken)) == 3


def test_an_archive_without_commitment_has_what_it_took(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    settings = make_settings(peer)
    settings = replace(settings, archives=(replace(settings.archives[0], commitment=False),))
    with kit.run_node(settings) as running:
        running.send(*kit.make_study("one"))
        kit.wait_until(lambda: running.count_kept() == 3)
    assert peer.questions == 0


def test_a_refused_object_is_tried_again(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    settings = make_settings(peer)
    peer.status = 0xA700
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        running.send(*kit.make_study("one"))
        assert running.wait_for("refused", 6)[0]["reason"] == "status-A700"
        peer.status = 0x0000
        kit.wait_until(lambda: running.count_kept() == 3)


def test_late_slices_are_measured_with_the_rest(make_settings: Make, kit: SimpleNamespace) -> None:
    settings = make_settings()
    study = kit.make_study("one", 14)
    with kit.run_node(settings) as running:
        running.send(*study[:12])
        running.wait_for("case")
        running.send(*study[12:])
        running.wait_for("case", 2)
    # One case, twice: it is the same series.
    assert len(set(running.engine.taken)) == 1
    assert len(running.engine.taken) == 2


def test_a_study_is_not_complete_while_its_association_is_open_or_broke_off(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    settings = make_settings(quiet_s=0.2, broken_quiet_s=1.5)
    with kit.run_node(settings) as running:
        association = running.associate()
        for one in kit.make_study("one"):
            association.send_c_store(one)
        time.sleep(0.8)
        assert running.list_events("measuring") == []
        association.abort()
        (received,) = running.wait_for("received")
        assert (received["objects"], received["whole"]) == (12, False)
        time.sleep(0.7)
        assert running.list_events("measuring") == []
        running.wait_for("case")


def test_a_case_that_fails_is_tried_again_and_given_up(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    settings = make_settings()
    engine = kit.free_engine()
    engine.fail = 1
    with kit.run_node(settings, engine) as running:
        running.send(*kit.make_study("one"))
        states = [each["state"] for each in running.wait_for("case", 2)]
        assert states == ["failed", "measured"]
        engine.fail = 100
        running.send(*kit.make_study("two"))
        running.wait_for("case", 5)
        time.sleep(0.5)
        assert len(running.list_events("case")) == 5
    assert read_health(settings)["studies_failed"] == 1


def test_results_that_are_made_anew_are_sent_too(
    make_settings: Make, kit: SimpleNamespace, peer: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = make_settings(peer)
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        running.send(*kit.make_study("one"))
        kit.wait_until(lambda: running.count_kept() == 3)
        (old,) = settings.results.glob("cases/*/dicom/measurements.dcm")
        import pydicom

        dataset = pydicom.dcmread(old)
        dataset.SOPInstanceUID = dataset.file_meta.MediaStorageSOPInstanceUID = "2.25.77"
        dataset.save_as(old.with_name("new"), enforce_file_format=True)
        old.with_name("new").replace(old)
        kit.wait_until(lambda: running.count_kept() == 4)
    assert peer.taken[3:] == ["2.25.77"]


def test_a_damaged_object_stops_neither_the_node_nor_other_cases(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    settings = make_settings(peer)
    with kit.run_node(settings) as running:
        peer.node_port = running.node.port
        running.send(*kit.make_study("one"))
        kit.wait_until(lambda: running.count_kept() == 3)
        (damaged,) = settings.results.glob("cases/*/dicom/measurements.dcm")
        damaged.write_bytes(b"damaged on the disk")
        said = running.wait_for("cannot_queue", 2)[0]
        assert said["case"] == damaged.parents[1].name
        assert said["reason"].startswith("InvalidDicomError")
        running.send(*kit.make_study("two"))
        kit.wait_until(lambda: running.count_kept() == 6)


def test_two_nodes_cannot_share_a_folder(make_settings: Make, kit: SimpleNamespace) -> None:
    settings = make_settings()
    with (
        kit.run_node(settings),
        pytest.raises(NodeBusyError, match="another node"),
        open_node(settings, NodeLog(lambda line: None)),
    ):
        pass


def test_a_busy_results_folder_is_waited_for(
    make_settings: Make, kit: SimpleNamespace, tmp_path: Path
) -> None:
    from canalmorph.batch.folder import hold_results

    settings = make_settings()
    with kit.run_node(settings) as running:
        with hold_results(settings.results):
            running.send(*kit.make_study("one"))
            assert running.wait_for("measuring_failed")[0]["reason"] == "results-busy"
        running.wait_for("case")


@pytest.mark.parametrize("fault", ["damaged", "of a newer version"])
def test_a_memory_that_cannot_be_used_is_refused_and_left_as_it_is(
    tmp_path: Path, fault: str
) -> None:
    file = tmp_path / MEMORY_NAME
    if fault == "damaged":
        file.write_bytes(b"no data base" * 100)
    else:
        with closing(sqlite3.connect(file)) as connection:
            connection.execute(f"PRAGMA user_version = {MEMORY_FORM + 1}")
    before = file.read_bytes()
    with pytest.raises(NodeMemoryError, match="move it elsewhere"), open_memory(tmp_path):
        pass
    assert file.read_bytes() == before
