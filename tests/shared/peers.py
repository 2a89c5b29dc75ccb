"""An archive in this process that speaks DICOM, and whoever else talks to the node."""

import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from pydicom.dataset import Dataset
from pynetdicom import AE, build_context, build_role, evt

from canalmorph.network.guard import NodeEntity

SENDER, NODE, ARCHIVE = "SCANNER", "CANALMORPH", "ARCHIVE"
#: Classes of our three objects.
CLASSES = {
    "segmentation": "1.2.840.10008.5.1.4.1.1.66.4",
    "measurements": "1.2.840.10008.5.1.4.1.1.88.33",
    "report": "1.2.840.10008.5.1.4.1.1.104.1",
}
COMMITMENT, COMMITMENT_INSTANCE = "1.2.840.10008.1.20.1", "1.2.840.10008.1.20.1.1"


@dataclass
class Peer:
    """An archive that does as it is told, and counts what it was given."""

    port: int = 0
    taken: list[str] = field(default_factory=list)
    status: int = 0x0000
    #: ``later`` over an association of its own, ``never``, ``no`` (not kept, once) or ``absent``.
    commits: str = "later"
    node_port: int = 0
    questions: int = 0

    def store(self, event: evt.Event) -> int:
        if self.status == 0x0000:
            self.taken.append(str(event.request.AffectedSOPInstanceUID))
        return self.status

    def commit(self, event: evt.Event) -> tuple[int, None]:
        self.questions += 1
        if self.commits != "never":
            threading.Thread(target=self.report, args=(event.action_information,)).start()
        return 0x0000, None

    def report(self, question: Dataset) -> None:
        answer = Dataset()
        answer.TransactionUID = question.TransactionUID
        kept = self.commits == "later"
        word = "ReferencedSOPSequence" if kept else "FailedSOPSequence"
        setattr(answer, word, question.ReferencedSOPSequence)
        if not kept:
            self.commits = "later"
            for item in answer.FailedSOPSequence:
                item.FailureReason = 0x0112
        role = build_role(COMMITMENT, scp_role=True)
        association = make_entity(ARCHIVE).associate(
            "127.0.0.1",
            self.node_port,
            contexts=[build_context(COMMITMENT)],
            ae_title=NODE,
            ext_neg=[role],
        )
        if not association.is_established:
            return  # the node has ended meanwhile; it will ask again
        association.send_n_event_report(answer, 1 if kept else 2, COMMITMENT, COMMITMENT_INSTANCE)
        association.release()


def make_entity(title: str) -> AE:
    entity = NodeEntity(ae_title=title)
    # A loaded machine answers late.
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 120
    return entity


@contextmanager
def run_peer() -> Iterator[Peer]:
    """Give an archive that takes our objects until the block ends."""
    made, entity = Peer(), make_entity(ARCHIVE)
    for sop_class in ("1.2.840.10008.1.1", COMMITMENT, *CLASSES.values()):
        entity.add_supported_context(sop_class)
    handlers = [(evt.EVT_C_STORE, made.store), (evt.EVT_N_ACTION, made.commit)]
    server = entity.start_server(("127.0.0.1", 0), block=False, evt_handlers=handlers)
    assert server is not None
    made.port = int(server.server_address[1])
    yield made
    entity.shutdown()


def wait_until(true: Callable[[], object], longest_s: float = 60.0) -> None:
    end = time.monotonic() + longest_s
    while not true():
        assert time.monotonic() < end, "It did not come to pass."
        time.sleep(0.02)
