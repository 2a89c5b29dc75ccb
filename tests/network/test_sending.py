"""An object that cannot be sent holds up no other, and no error ends the sending."""

from collections.abc import Callable
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from canalmorph.network import outbox, web
from canalmorph.network.settings import Archive, NodeSettings
from canalmorph.results_errors import PeerRefusedError, PeerUnreachableError

ARCHIVE = Archive(name="web", url="https://archive.invalid/dicom-web")


class Answers:
    """An archive that takes, refuses or cannot be reached, in this order."""

    def __init__(self, *errors: Exception | None) -> None:
        self._errors = list(errors)

    def store_instances(self, datasets: list[Any]) -> None:
        error = self._errors.pop(0)
        if error is not None:
            raise error


@pytest.fixture
def send(
    monkeypatch: pytest.MonkeyPatch, kit: SimpleNamespace, tmp_path: Path
) -> Callable[..., web.Stored]:
    def act(*errors: Exception | None) -> web.Stored:
        answers = Answers(*errors)

        @contextmanager
        def open_answers(archive: Archive) -> Any:
            yield answers

        monkeypatch.setattr(web, "open_web", open_answers)
        files = []
        for k in range(4):
            file = tmp_path / f"{k}.dcm"
            kit.make_slice("s", k).save_as(file, enforce_file_format=True)
            files.append(("", str(k), file))
        files[0][2].write_bytes(b"damaged")
        files[1][2].unlink()
        return web.store_by_web(ARCHIVE, files)

    return act


def test_a_damaged_file_and_a_lost_one_hold_up_no_other(send: Callable[..., web.Stored]) -> None:
    stored = send(None, PeerRefusedError(archive="web", detail="No."))
    assert stored.uids == ["2"]
    assert stored.refused == dict.fromkeys("01", "file-unreadable") | {"3": PeerRefusedError.code}


def test_what_an_archive_took_before_it_went_away_is_not_sent_again(
    send: Callable[..., web.Stored],
) -> None:
    gone = PeerUnreachableError(archive="web", detail="Gone.")
    assert send(None, gone).uids == ["2"]
    with pytest.raises(PeerUnreachableError):
        send(gone)


@pytest.mark.usefixtures("quick_pauses")
def test_an_unforeseen_error_does_not_end_the_sending(
    make_settings: Callable[..., NodeSettings],
    kit: SimpleNamespace,
    peer: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    whole, failed = outbox.store_objects, []

    def fail_once(*words: Any) -> Any:
        if not failed:
            failed.append(words)
            raise ValueError("Quill^Rosalind")
        return whole(*words)

    monkeypatch.setattr(outbox, "store_objects", fail_once)
    with kit.run_node(make_settings(peer)) as running:
        peer.node_port = running.node.port
        running.send(*kit.make_study("one"))
        kit.wait_until(lambda: running.count_kept() == 3)
        (line,) = running.list_events("not_sent")
        assert line["reason"].startswith("ValueError")
    assert "Quill" not in str(running.lines)
