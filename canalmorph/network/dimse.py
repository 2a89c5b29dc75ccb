"""What the node asks of archives over DICOM's own protocol: echo, store, commit."""

import contextlib
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pydicom
from pydicom.dataset import Dataset
from pydicom.uid import (
    UID,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
)
from pynetdicom import build_context, evt
from pynetdicom.association import Association
from pynetdicom.presentation import PresentationContext
from pynetdicom.sop_class import (  # type: ignore[attr-defined]  # named at run time
    StorageCommitmentPushModel,
    StorageCommitmentPushModelInstance,
    Verification,
)

from canalmorph.network.guard import OUR_PDU_BYTES, NodeEntity
from canalmorph.network.settings import Archive, NodeSettings
from canalmorph.network.transport_security import make_client_context
from canalmorph.results_errors import PeerUnreachableError

#: Longest wait for an archive to answer. [s]
ANSWER_S = 60.0
#: An archive that answers a question for commitment at once does so within this time. [s]
PROMPT_REPORT_S = 2.0
#: Forms in which our objects are offered, one context each, so that the archive may take any.
_OFFERED = (DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian, ImplicitVRLittleEndian)


@dataclass(slots=True)
class Stored:
    """What an archive took, and why it did not take the rest."""

    uids: list[str] = field(default_factory=list)
    refused: dict[str, str] = field(default_factory=dict)


@contextlib.contextmanager
def associate(
    settings: NodeSettings,
    archive: Archive,
    contexts: Sequence[PresentationContext],
    *,
    handlers: Sequence[Any] = (),
    roles: Sequence[Any] = (),
) -> Iterator[Association]:
    """Give an association with an archive; it is released at the end.

    Raises
    ------
    PeerUnreachableError
        If there is none to be had.
    """
    entity = NodeEntity(ae_title=settings.ae_title)
    entity.maximum_pdu_size = OUR_PDU_BYTES
    entity.connection_timeout = entity.acse_timeout = ANSWER_S
    entity.dimse_timeout = entity.network_timeout = ANSWER_S
    secured: dict[str, Any] = {}
    if archive.tls and settings.tls is not None:
        secured = {"tls_args": (make_client_context(settings.tls), archive.host)}
    try:
        association = entity.associate(
            archive.host,
            archive.port,
            # An association of which nothing is accepted ends at once, and does not say why.
            contexts=[build_context(Verification), *contexts],
            ae_title=archive.ae_title,
            max_pdu=OUR_PDU_BYTES,
            ext_neg=list(roles),
            evt_handlers=list(handlers),
            **secured,
        )
    except OSError as error:  # the name of its host is not known
        raise _unreachable(archive, "Its host is not known.") from error
    if not association.is_established:
        raise _unreachable(archive, _tell_refusal(association))
    try:
        yield association
    finally:
        if association.is_established:
            association.release()


def ask_echo(settings: NodeSettings, archive: Archive) -> None:
    """Have an archive answer a C-ECHO.

    Raises
    ------
    PeerUnreachableError
        If it does not.
    """
    with associate(settings, archive, []) as association:
        status = association.send_c_echo()
    if status.get("Status") != 0x0000:
        raise _unreachable(archive, "It does not answer an echo.")


def store_objects(
    settings: NodeSettings, archive: Archive, files: Iterable[tuple[str, str, Path]]
) -> Stored:
    """Send objects, each named by its class, its UID and its file.

    Raises
    ------
    PeerUnreachableError
        If the archive cannot be reached.
    """
    files = list(files)
    classes = dict.fromkeys(sop_class for sop_class, _, _ in files)
    contexts = [build_context(each, syntax) for each in classes for syntax in _OFFERED]
    stored = Stored()
    with associate(settings, archive, contexts) as association:
        accepted = {
            (cx.abstract_syntax, cx.transfer_syntax[0]) for cx in association.accepted_contexts
        }
        for sop_class, uid, file in files:
            reason = _store(association, sop_class, file, accepted)
            if not reason:
                stored.uids.append(uid)
            elif association.is_established or stored.uids or stored.refused:
                stored.refused[uid] = reason
            else:
                raise _unreachable(archive, "It ended the association.")
            if not association.is_established:
                break
    return stored


def _store(
    association: Association, sop_class: str, file: Path, accepted: set[tuple[Any, Any]]
) -> str:
    """Send one object, and return why it was not taken; empty if it was."""
    if not any(taken == sop_class for taken, _ in accepted):
        return "class-not-accepted"
    try:
        dataset = pydicom.dcmread(file)
    except Exception:  # the library raises many kinds on a damaged file
        return "file-unreadable"
    if (sop_class, dataset.file_meta.TransferSyntaxUID) not in accepted:
        # Read, it is plain already.
        dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    try:
        status = association.send_c_store(dataset)
    except (ValueError, RuntimeError, AttributeError):
        return "not-sent"
    code = status.get("Status")
    if code is None:
        return "no-answer"
    # Success, or stored with a warning (PS3.4 annex B).
    return "" if code == 0x0000 or code & 0xF000 == 0xB000 else f"status-{code:04X}"


def ask_commitment(
    settings: NodeSettings,
    archive: Archive,
    objects: Sequence[tuple[str, str]],
    asked_as: str,
    take_report: Callable[[Dataset], None],
) -> bool:
    """Ask an archive whether it will keep objects, each named by its class and its UID.

    The answer comes at once or later, over an association of the archive's own.

    Parameters
    ----------
    settings, archive
        Who asks whom.
    objects : sequence of (class, UID)
        What was sent.
    asked_as : str
        UID of the question.
    take_report : callable
        Is given an answer that comes at once.

    Returns
    -------
    bool
        Whether the archive took the question; False where it offers no commitment.

    Raises
    ------
    PeerUnreachableError
        If it cannot be reached.
    """
    answered = threading.Event()

    def hear(event: evt.Event) -> tuple[int, None]:
        take_report(event.event_information)
        answered.set()
        return 0x0000, None

    question = Dataset()
    question.TransactionUID = asked_as
    question.ReferencedSOPSequence = [_refer(sop_class, uid) for sop_class, uid in objects]
    heard = [(evt.EVT_N_EVENT_REPORT, hear)]
    context = build_context(StorageCommitmentPushModel)
    with associate(settings, archive, [context], handlers=heard) as association:
        if StorageCommitmentPushModel not in list_accepted(association):
            return False
        status, _ = association.send_n_action(
            question, 1, StorageCommitmentPushModel, StorageCommitmentPushModelInstance
        )
        if status.get("Status") != 0x0000:
            return False
        answered.wait(PROMPT_REPORT_S)
    return True


def list_accepted(association: Association) -> set[str]:
    """Return the classes that the peer accepts."""
    return {str(context.abstract_syntax) for context in association.accepted_contexts}


def _refer(sop_class: str, uid: str) -> Dataset:
    item = Dataset()
    item.ReferencedSOPClassUID, item.ReferencedSOPInstanceUID = UID(sop_class), UID(uid)
    return item


def _unreachable(archive: Archive, detail: str) -> PeerUnreachableError:
    return PeerUnreachableError(archive=archive.name, detail=detail)


def _tell_refusal(association: Association) -> str:
    if association.is_rejected:
        return "It rejects the node."
    return "It does not answer."
