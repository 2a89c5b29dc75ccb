"""The node's own service: takes CT images from known peers, answers C-ECHO, hears of commitments.

An image is on the disk before its sender is told so.
"""

import contextlib
import io
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import cast

import pydicom
from pydicom.dataset import Dataset
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import (
    UID,
    CTImageStorage,
    EnhancedCTImageStorage,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    LegacyConvertedEnhancedCTImageStorage,
)
from pynetdicom import AE, evt
from pynetdicom.association import Association
from pynetdicom.dimse_primitives import C_STORE
from pynetdicom.dsutils import encode_file_meta
from pynetdicom.sop_class import (  # type: ignore[attr-defined]  # named at run time
    StorageCommitmentPushModel,
    Verification,
)
from pynetdicom.transport import ThreadedAssociationServer

from canalmorph.network.arrivals import Arrivals
from canalmorph.network.guard import OUR_PDU_BYTES, GuardedServer
from canalmorph.network.inbox import Inbox
from canalmorph.network.log import NodeLog
from canalmorph.network.settings import NodeSettings
from canalmorph.network.transport_security import make_server_context
from canalmorph.results_errors import NodeMemoryError

#: What can be measured, and so is taken.
CT_CLASSES = (CTImageStorage, EnhancedCTImageStorage, LegacyConvertedEnhancedCTImageStorage)
#: Ways of compression that the reader may be able to undo, beside the plain forms. The deflated
#: form is not among them: it may unpack to any size.
_COMPRESSED = tuple(
    f"1.2.840.10008.1.2.{end}"
    for end in (
        "4.70", "4.57", "4.80", "4.90", "4.201", "4.202", "5",
        "4.81", "4.91", "4.203", "4.51", "4.50",
    )
)  # fmt: skip
#: Answers to C-STORE (PS3.4 annex B and PS3.7 annex C).
STORED, NOT_AUTHORISED = 0x0000, 0x0124
NO_SPACE, OTHER_CLASS, NOT_UNDERSTOOD = 0xA700, 0xA900, 0xC000
_LOOKED_AT = ["SOPClassUID", "SOPInstanceUID", "StudyInstanceUID", "SeriesInstanceUID", "Modality"]
#: Hears of a commitment: the archive's title, the question, what is kept, what is not.
TakeReport = Callable[[str, str, list[str], list[str]], None]


@dataclass(slots=True)
class _Visit:
    """What one association brought."""

    peer: str
    n_kept: int = 0
    n_refused: int = 0


class Provider:
    """Serves peers in threads of its own, from `start` to `stop`."""

    def __init__(
        self,
        settings: NodeSettings,
        inbox: Inbox,
        arrivals: Arrivals,
        log: NodeLog,
        take_report: TakeReport,
    ) -> None:
        self._settings, self._inbox, self._arrivals, self._log = settings, inbox, arrivals, log
        self._take_report = take_report
        self._senders = {each.ae_title: each for each in settings.senders}
        self._archives = {each.ae_title: each for each in settings.archives if each.ae_title}
        self._visits: dict[int, _Visit] = {}
        self._server: ThreadedAssociationServer | None = None
        self.port = settings.port

    def start(self) -> None:
        """Begin to serve.

        Raises
        ------
        ValueError
            If the port is taken, or a certificate cannot be used.
        """
        entity = self._make_entity()
        place = (self._settings.address, self._settings.port)
        try:
            server = entity.make_server(
                place,
                ssl_context=self._secure(),
                evt_handlers=[
                    (evt.EVT_REQUESTED, self._check_peer),
                    (evt.EVT_C_STORE, self._store),
                    (evt.EVT_N_EVENT_REPORT, self._hear_report),
                ],
                server_class=GuardedServer,
                limits=self._settings.limits,
                tell_end=self._end_visit,
            )
        except OSError as error:
            raise ValueError(
                f"The node cannot listen at {place[0]} port {place[1]} ({error.strerror})."
            ) from error
        entity._servers.append(server)
        self._server, self.port = server, int(server.server_address[1])
        threading.Thread(target=server.serve_forever, args=(0.05,), daemon=True).start()

    def stop(self) -> None:
        """End the service; open associations are aborted."""
        if self._server is None:
            return
        for association in self._server.active_associations:
            association.abort(block=False)
        self._server.shutdown()
        self._server = None

    def _make_entity(self) -> AE:
        limits = self._settings.limits
        entity = AE(ae_title=self._settings.ae_title)
        entity.require_called_aet = True
        entity.require_calling_aet = sorted({*self._senders, *self._archives})
        entity.maximum_associations = limits.associations
        entity.maximum_pdu_size = OUR_PDU_BYTES
        entity.network_timeout = entity.acse_timeout = entity.dimse_timeout = limits.idle_s
        entity.add_supported_context(Verification)
        for sop_class in CT_CLASSES:
            entity.add_supported_context(sop_class, list_syntaxes())
        # An archive that answers later connects by itself, in its own role.
        entity.add_supported_context(StorageCommitmentPushModel, scu_role=False, scp_role=True)
        return entity

    def _secure(self) -> ssl.SSLContext | None:
        tls = self._settings.tls
        return None if tls is None else make_server_context(tls)

    def _check_peer(self, event: evt.Event) -> None:
        """Refuse a peer that connects from elsewhere than it should; titles are checked next."""
        association = event.assoc
        title = str(getattr(association.requestor.primitive, "calling_ae_title", ""))
        address = association.requestor.address
        known = self._senders.get(title)
        name = title if title in self._senders or title in self._archives else "unknown"
        self._visits[id(association)] = _Visit(peer=name)
        if known is not None and known.address not in ("", address):
            association.acse.send_reject(0x01, 0x01, 0x03)
            association.kill()
        if name == "unknown" or association.is_rejected:
            self._log.tell("refused_peer", peer=name, address=address)

    def _store(self, event: evt.Event) -> int:
        """Keep one object and return the answer to its sender."""
        status, reason = self._keep(event)
        # What the disk took is no silence of the peer.
        event.assoc.dul._idle_timer.restart()
        visit = self._visits[id(event.assoc)]
        if status == STORED:
            visit.n_kept += 1
        else:
            visit.n_refused += 1
            # Of many the first tells enough; the number follows at the end.
            if visit.n_refused == 1:
                self._log.tell(
                    "refused_object", peer=visit.peer, status=f"{status:04X}", reason=reason
                )
        return status

    def _keep(self, event: evt.Event) -> tuple[int, str]:
        if self._visits[id(event.assoc)].peer not in self._senders:
            return NOT_AUTHORISED, "not-a-sender"
        request = cast(C_STORE, event.request)
        stream = cast(io.BytesIO, request.DataSet)
        content = stream.getbuffer()
        try:
            uids = _read_uids(stream, event.context.transfer_syntax)
        except Exception:  # the library raises many kinds on what is no data set
            return NOT_UNDERSTOOD, "not-a-data-set"
        if uids["SOPClassUID"] != event.context.abstract_syntax:
            return OTHER_CLASS, "of-another-class"
        if uids["Modality"] not in ("CT", ""):
            return OTHER_CLASS, "not-ct"
        if not all(uids[word] for word in _LOOKED_AT[1:4]):
            return OTHER_CLASS, "without-uid"
        if uids["SOPInstanceUID"] != str(request.AffectedSOPInstanceUID):
            return OTHER_CLASS, "of-another-uid"
        if self._inbox.measure_free() < self._settings.limits.free_bytes + len(content):
            return NO_SPACE, "disk-nearly-full"
        study = self._inbox.name_study(uids["StudyInstanceUID"])
        try:
            self._arrivals.begin_object(study, id(event.assoc))
            self._inbox.keep(
                read_head(event),
                content,
                study=study,
                series_uid=uids["SeriesInstanceUID"],
                object_uid=uids["SOPInstanceUID"],
            )
        except (OSError, NodeMemoryError):
            return NO_SPACE, "cannot-write"
        return STORED, ""

    def _hear_report(self, event: evt.Event) -> tuple[int, Dataset | None]:
        archive = self._archives.get(self._visits[id(event.assoc)].peer)
        if archive is None:
            return NOT_AUTHORISED, None
        try:
            asked_as, kept, lost = read_report(event.event_information)
        except Exception:  # as above
            return 0x0110, None
        self._take_report(archive.ae_title, asked_as, kept, lost)
        return STORED, None

    def _end_visit(self, association: Association) -> None:
        visit = self._visits.pop(id(association), None)
        whole = bool(association.is_released)
        # Its studies must not stay open, whatever cannot be written now.
        with contextlib.suppress(NodeMemoryError):
            self._arrivals.end_association(id(association), whole=whole)
        if visit is not None and visit.n_kept + visit.n_refused:
            self._log.tell(
                "received",
                peer=visit.peer,
                objects=visit.n_kept,
                refused=visit.n_refused,
                whole=whole,
            )


def read_head(event: evt.Event) -> bytes:
    """Return what a file of a received object begins with."""
    return b"\0" * 128 + b"DICM" + encode_file_meta(event.file_meta)


def list_syntaxes() -> list[str]:
    """Return the transfer syntaxes that can be read here, plain ones first."""
    return [ExplicitVRLittleEndian, ImplicitVRLittleEndian, *_list_decodable()]


def _list_decodable() -> Iterator[str]:
    for syntax in _COMPRESSED:
        with contextlib.suppress(NotImplementedError):
            if get_decoder(UID(syntax)).is_available:
                yield syntax


def _read_uids(stream: io.BytesIO, syntax: str) -> dict[str, str]:
    """Return what tells an object from others; its pixels are not looked at."""
    stream.seek(0)
    dataset = pydicom.filereader.read_dataset(
        stream,
        is_implicit_VR=syntax == ImplicitVRLittleEndian,
        is_little_endian=True,
        stop_when=_is_after_series,
        specific_tags=[pydicom.tag.Tag(word) for word in _LOOKED_AT],
    )
    return {word: str(dataset.get(word, "") or "").strip(" \0") for word in _LOOKED_AT}


def _is_after_series(tag: pydicom.tag.BaseTag, *_: object) -> bool:
    return int(tag) > 0x0020000E


def read_report(information: Dataset) -> tuple[str, list[str], list[str]]:
    """Return the question that an archive answers, and which objects it keeps and does not keep."""

    def list_uids(keyword: str) -> list[str]:
        return [str(item.ReferencedSOPInstanceUID) for item in information.get(keyword, None) or ()]

    return (
        str(information.TransactionUID),
        list_uids("ReferencedSOPSequence"),
        list_uids("FailedSOPSequence"),
    )
