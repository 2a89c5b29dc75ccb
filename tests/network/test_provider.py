"""What peers may do, and what becomes of those who do something else: logged without identity."""

import contextlib
import random
import shutil
import socket
import struct
import subprocess
import threading
import time
from collections import namedtuple
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from pydicom.uid import UID, CTImageStorage, MRImageStorage
from pynetdicom import AE, build_context

from canalmorph.network import guard
from canalmorph.network.node import read_health
from canalmorph.network.provider import list_syntaxes
from canalmorph.network.settings import Limits, NodeSettings, Sender, TlsSettings

Make = Callable[..., NodeSettings]
VERIFICATION = "1.2.840.10008.1.1"
#: Damaged requests, in CI and by hand.
N_DAMAGED, N_DAMAGED_BY_HAND = 60, 5000
#: Begins the answer to a request for an association that is accepted.
ACCEPTED = b"\x02"
#: Messages without waiting for an answer: far more than buffers hold.
MOST_SENT = 20000


def is_alive(running: Any) -> bool:
    """Return whether a known peer is still served."""
    association = running.associate(VERIFICATION)
    answer = association.send_c_echo() if association.is_established else {}
    association.release()
    return bool(answer) and answer.Status == 0x0000


def connect(running: Any) -> socket.socket:
    return socket.create_connection(("127.0.0.1", running.node.port), timeout=10)


def ends(connection: socket.socket) -> bool:
    """Return whether the other side closes a connection, whatever it says first."""
    try:
        while connection.recv(4096):
            pass
    except (ConnectionError, TimeoutError) as error:
        return not isinstance(error, TimeoutError)
    return True


def record_request(kit: SimpleNamespace) -> list[bytes]:
    """Return the units that a well-behaved sender of one image sends."""
    entity = AE(ae_title=kit.sender)
    sent: list[bytes] = []
    from pynetdicom import evt

    server = AE(ae_title=kit.node)
    server.add_supported_context(CTImageStorage)
    listening = server.start_server(
        ("127.0.0.1", 0), block=False, evt_handlers=[(evt.EVT_C_STORE, lambda event: 0)]
    )
    assert listening is not None
    association = entity.associate(
        "127.0.0.1",
        listening.server_address[1],
        contexts=[build_context(CTImageStorage)],
        ae_title=kit.node,
        evt_handlers=[(evt.EVT_DATA_SENT, lambda event: sent.append(bytes(event.data)))],
    )
    association.send_c_store(kit.make_slice("one"))
    association.release()
    server.shutdown()
    return sent


def test_an_echo_is_answered_and_strangers_are_turned_away(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    settings = make_settings(
        senders=(Sender(ae_title=kit.sender), Sender(ae_title="ELSEWHERE", address="192.0.2.1"))
    )
    with kit.run_node(settings) as running:
        assert is_alive(running)
        for title, called in (
            ("STRANGER", kit.node),
            ("ELSEWHERE", kit.node),
            (kit.sender, "ANOTHER"),
            ("Quill^Rosalind", kit.node),
        ):
            association = running.associate(title=title, called=called)
            assert association.is_rejected, title
        refused = running.list_events("refused_peer")
        assert [each["peer"] for each in refused] == ["unknown", "ELSEWHERE", "unknown"]
        assert is_alive(running)


def test_what_is_no_ct_is_refused(make_settings: Make, kit: SimpleNamespace) -> None:
    settings = make_settings()
    with kit.run_node(settings) as running:
        # By its class: the context is not accepted.
        assert not running.associate(MRImageStorage).is_established
        # By what it is, whatever class it came under; without a UID; of another UID than told.
        wrong = [
            kit.make_slice("one", 1, Modality="MR"),
            kit.make_slice("one", 2, SOPClassUID=UID(MRImageStorage)),
            kit.make_slice("one", 3, SeriesInstanceUID=""),
        ]
        association = running.associate()
        for each in wrong[:1] + wrong[2:]:
            assert association.send_c_store(each).Status == 0xA900
        association.release()
        (line,) = running.wait_for("refused_object")
        assert line["reason"] == "not-ct"
        assert running.send(kit.make_slice("one")) == [0]
    assert len(list(settings.inbox.rglob("*.dcm"))) == 1


def test_an_archive_may_report_and_not_send(
    make_settings: Make, kit: SimpleNamespace, peer: Any
) -> None:
    with kit.run_node(make_settings(peer)) as running:
        assert running.send(kit.make_slice("one"), title=kit.archive) == [0x0124]


def test_a_full_disk_is_said_and_nothing_half_is_left(
    make_settings: Make, kit: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = make_settings(limits=Limits(free_bytes=10**9))
    usage = namedtuple("usage", "total used free")
    with kit.run_node(settings) as running:
        with monkeypatch.context() as patched:
            patched.setattr(shutil, "disk_usage", lambda path: usage(10**10, 0, 10**9))
            assert running.send(kit.make_slice("one")) == [0xA700]
        with monkeypatch.context() as patched:
            patched.setattr("canalmorph.network.inbox.os.replace", _raise_full)
            assert running.send(kit.make_slice("one")) == [0xA700]
        assert [path for path in settings.inbox.rglob("*") if path.is_file()] == []
        assert running.send(kit.make_slice("one")) == [0]


def _raise_full(*_: object) -> None:
    raise OSError(28, "No space left on device")


def test_a_huge_unit_is_not_waited_for(make_settings: Make, kit: SimpleNamespace) -> None:
    with kit.run_node(make_settings()) as running:
        for kind in (0x01, 0x04):
            with connect(running) as connection:
                connection.sendall(struct.pack(">BBL", kind, 0, 0xFFFFFFFF))
                assert ends(connection)
        assert is_alive(running)


def test_an_object_larger_than_any_may_be_ends_the_association(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    settings = make_settings(limits=Limits(largest_object_bytes=300_000, free_bytes=0))
    with kit.run_node(settings) as running:
        association = running.associate()
        large = kit.make_slice("one", Rows=512, Columns=512, PixelData=bytes(2 * 512 * 512))
        assert "Status" not in association.send_c_store(large)
        kit.wait_until(lambda: not association.is_established)
        # Many small ones are no large one.
        assert running.send(*kit.make_study("two", 40)) == [0] * 40
        assert list(settings.inbox.glob("*/*/*")) != []
        assert is_alive(running)


def test_idle_slow_and_endless_peers_lose_their_connection(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    limits = Limits(idle_s=0.4, association_s=1.2, associations=4, free_bytes=0)
    with kit.run_node(make_settings(limits=limits)) as running:
        with connect(running) as silent, connect(running) as slow:
            slow.sendall(b"\x01\x00\x00")
            assert ends(silent)
            assert ends(slow)
        idle = running.associate(VERIFICATION)
        kit.wait_until(lambda: not idle.is_established)
        # It has something to say all the time.
        endless = running.associate(VERIFICATION)
        began = time.monotonic()
        while endless.is_established and time.monotonic() < began + 30:
            endless.send_c_echo()
            time.sleep(0.05)
        assert not endless.is_established
        assert is_alive(running)


def test_there_is_an_end_to_associations_and_connections(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    limits = Limits(associations=2, idle_s=20.0, free_bytes=0)
    with kit.run_node(make_settings(limits=limits)) as running:
        held = [running.associate(VERIFICATION) for _ in range(2)]
        assert all(each.is_established for each in held)
        assert running.associate(VERIFICATION).is_rejected
        idle = [connect(running) for _ in range(guard.SPARE_CONNECTIONS + 2)]
        assert ends(idle[-1])
        for each in idle:
            each.close()
        for association in held:
            association.release()
        kit.wait_until(lambda: is_alive(running))


def test_messages_ahead_of_their_answers_are_not_piled_up(
    make_settings: Make, kit: SimpleNamespace, monkeypatch: pytest.MonkeyPatch
) -> None:
    units = record_request(kit)
    with kit.run_node(make_settings()) as running, connect(running) as connection:
        connection.sendall(units[0])
        with contextlib.suppress(OSError):
            for _ in range(MOST_SENT):
                connection.sendall(b"".join(units[1:-1]))
            pytest.fail("All of it was taken.")
        assert is_alive(running)


def damage(units: list[bytes], chance: random.Random) -> list[bytes]:
    """Return the units with some bytes changed, of the request or of what follows it."""
    damaged = [bytearray(unit) for unit in units]
    hit = damaged[:1] if chance.random() < 0.3 else damaged[1:]
    for _ in range(chance.randint(1, 8)):
        unit = chance.choice(hit)
        unit[chance.randrange(len(unit))] = chance.randrange(256)
    if chance.random() < 0.1:
        del damaged[chance.randrange(1, len(damaged))]
    return [bytes(unit) for unit in damaged]


@pytest.mark.parametrize(
    ("n_damaged", "seed"),
    [(N_DAMAGED, 11), pytest.param(N_DAMAGED_BY_HAND, 12, marks=pytest.mark.slow)],
)
def test_damaged_requests_end_nothing_but_themselves(
    n_damaged: int, seed: int, make_settings: Make, kit: SimpleNamespace
) -> None:
    units = record_request(kit)
    chance = random.Random(seed)
    settings = make_settings(limits=Limits(idle_s=0.2, free_bytes=0))
    with kit.run_node(settings) as running:
        assert is_alive(running)
        n_threads = threading.active_count()
        for _ in range(n_damaged):
            damaged = damage(units, chance)
            with connect(running) as connection, contextlib.suppress(OSError):
                connection.sendall(damaged[0])
                # Nothing is said before the answer, or it would be looked at by nobody.
                if connection.recv(4096)[:1] == ACCEPTED:
                    connection.sendall(b"".join(damaged[1:]))
                connection.shutdown(socket.SHUT_WR)
                assert ends(connection)
        assert is_alive(running)
        # No thread waits for a peer that has gone, and what was kept is surveyed like any scan.
        kit.wait_until(lambda: threading.active_count() <= n_threads)
        kit.wait_until(lambda: read_health(settings)["studies_waiting"] == 0)
        for name in ("measuring_failed", "cannot_take", "cannot_queue"):
            assert running.list_events(name) == []
        received = running.list_events("received")
        kept, refused = (sum(each[word] for each in received) for word in ("objects", "refused"))
        strangers = len(running.list_events("refused_peer"))
        print(
            f"\n{n_damaged} damaged: {kept} kept, {refused} objects and {strangers} peers refused"
        )
    # Data sets were reached; each file is under its own name, none half.
    assert min(kept, refused) > 0
    assert list((settings.inbox / ".arriving").iterdir()) == []
    assert len(list(settings.inbox.rglob("*.dcm"))) <= kept


def test_all_that_can_be_read_is_taken(make_settings: Make) -> None:
    taken = list_syntaxes()
    assert taken[:2] == ["1.2.840.10008.1.2.1", "1.2.840.10008.1.2"]
    # JPEG lossless, JPEG 2000, JPEG-LS and RLE, as scanners and archives send.
    assert {f"1.2.840.10008.1.2.{end}" for end in ("4.70", "4.90", "4.80", "5")} < set(taken)
    assert "1.2.840.10008.1.2.1.99" not in taken


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder with a certificate for this machine, signed by itself, and its key."""
    folder = tmp_path_factory.mktemp("certificates")
    program = shutil.which("openssl")
    if program is None:
        pytest.skip("The program openssl is not installed.")
    files = ["-keyout", str(folder / "key.pem"), "-out", str(folder / "certificate.pem")]
    names = ["-subj", "/CN=localhost", "-addext", "subjectAltName=IP:127.0.0.1,DNS:localhost"]
    kind = ["-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"]
    subprocess.run([program, "req", *kind, *files, *names], check=True, capture_output=True)
    return folder


def test_with_tls_only_peers_with_a_certificate_are_served(
    make_settings: Make, kit: SimpleNamespace, certificates: Path, peer: Any
) -> None:
    from canalmorph.network.peers import check_peers
    from canalmorph.network.settings import Archive

    certificate = certificates / "certificate.pem"
    tls = TlsSettings(
        certificate=certificate, key=certificates / "key.pem", authorities=certificate
    )
    settings = make_settings(tls=tls, limits=Limits(idle_s=1.0, free_bytes=0))
    with kit.run_node(settings) as running:
        assert not running.associate(VERIFICATION).is_established
        with connect(running) as silent:
            # One that never begins to agree holds up no other.
            itself = Archive(
                name="itself", ae_title=kit.node, host="127.0.0.1", port=running.node.port
            )
            asking = replace(settings, ae_title=kit.sender, archives=(replace(itself, tls=True),))
            assert check_peers(asking) == []
            assert ends(silent)
        plain = replace(settings, ae_title=kit.sender, archives=(itself,))
        (failure,) = check_peers(plain)
        assert "Archive itself: It does not answer." in failure


def test_an_answer_that_another_thread_takes_reaches_who_asked(
    make_settings: Make, kit: SimpleNamespace
) -> None:
    """The library's thread for requests takes what lies in the queue, as here all the time."""
    with kit.run_node(make_settings()) as running:
        association = running.associate(VERIFICATION)
        ended = threading.Event()

        def take_all() -> None:
            while not ended.is_set():
                context_id, message = association.dimse.get_msg(block=False)
                if message is not None:
                    association._serve_request(message, context_id)
                time.sleep(0.001)

        thief = threading.Thread(target=take_all)
        thief.start()
        association.dimse_timeout = 5.0
        try:
            assert [association.send_c_echo().get("Status") for _ in range(30)] == [0x0000] * 30
            association.release()
        finally:
            ended.set()
            thief.join()
