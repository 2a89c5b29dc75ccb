"""Connections with an end to everything that a peer may do.

The protocol library reads a unit as long as its header claims, waits for a peer in the middle of
one, keeps what arrives until it is whole, and loses a thread to a message out of turn; here each of
these has a bound, and whoever crosses it loses its connection.
"""

import contextlib
import socket
import ssl
import threading
import time
from collections.abc import Callable
from copy import deepcopy
from typing import Any

from pynetdicom import AE, evt
from pynetdicom.association import Association
from pynetdicom.dul import DULServiceProvider
from pynetdicom.transport import AssociationSocket, RequestHandler, ThreadedAssociationServer

from canalmorph.network.settings import Limits

#: What we ask peers to keep to, and the longest unit that is read at all: a request for an
#: association may be longer than data. [bytes]
OUR_PDU_BYTES, LONGEST_PDU_BYTES = 131072, 2**20
#: Messages that a peer may send ahead of our answers: none is agreed on.
MOST_AHEAD = 2
#: Connections beyond the associations, which are told that there are too many of these.
SPARE_CONNECTIONS = 4
_PIECE_BYTES = 65536


class ClosingSocket(AssociationSocket):
    """Closes what could not be connected, too."""

    def _shutdown_socket(self) -> None:
        connected = self.socket
        if connected is not None:
            with contextlib.suppress(OSError):
                connected.shutdown(socket.SHUT_RDWR)
            connected.close()


class NodeEntity(AE):
    """The node as it asks others.

    The protocol library's own thread may take an answer from the one who waits for it, on a busy
    machine once in some thousand; it gives it back here.
    """

    def associate(self, *args: Any, **kwargs: Any) -> Association:
        """Ask for an association, as the library does."""
        association = super().associate(*args, **kwargs)
        serve = association._serve_request

        def serve_or_give_back(message: Any, context_id: int) -> None:
            if message.is_valid_request:
                serve(message, context_id)
            else:
                association.dimse.msg_queue.put((context_id, message))

        association._serve_request = serve_or_give_back  # type: ignore[assignment, method-assign]  # there is no hook
        return association

    def _create_socket(
        self, assoc: Association, address: Any, tls_args: tuple[ssl.SSLContext, str] | None
    ) -> AssociationSocket:
        made = ClosingSocket(assoc, address=address)
        if tls_args:
            made.tls_args = tls_args
        return made


class GuardedSocket(ClosingSocket):
    """Reads no more, and no longer, than a peer may send."""

    def __init__(self, assoc: Association, connected: socket.socket, limits: Limits) -> None:
        super().__init__(assoc, client_socket=connected)
        self._limits = limits
        self._ends = time.monotonic() + limits.association_s
        #: Of the message that is arriving.
        self.n_bytes = 0

    def recv(self, nr_bytes: int) -> bytearray:
        """Read bytes, or raise `OSError`, which closes the connection."""
        self.n_bytes += nr_bytes
        if nr_bytes > LONGEST_PDU_BYTES:
            raise OSError("A unit is longer than any may be.")
        if self.n_bytes > self._limits.largest_object_bytes:
            raise OSError("An object is larger than any may be.")
        if self.assoc.dimse.msg_queue.qsize() > MOST_AHEAD:
            raise OSError("Messages are sent ahead of their answers.")
        # The association may end in another thread.
        connected = self.socket
        deadline = min(time.monotonic() + self._limits.idle_s, self._ends)
        content = bytearray()
        while connected is not None and len(content) < nr_bytes:
            if time.monotonic() > deadline:
                raise TimeoutError("The peer is too slow, or the association too long.")
            piece = connected.recv(min(_PIECE_BYTES, nr_bytes - len(content)))
            if not piece:
                self._wake_waiting()
                break
            content += piece
        return content

    def _wake_waiting(self) -> None:
        """Let go of a peer that left before it asked for anything, as a monitor's probe does."""
        if self.assoc.requestor.primitive is None:
            waiting: Any = self.assoc.dul.to_user_queue
            waiting.put(None)


class GuardedProtocol(DULServiceProvider):
    """Ends with its connection where a peer does what no state allows."""

    def run_reactor(self) -> None:
        """Take units until the end."""
        try:
            super().run_reactor()
        except Exception:  # the library raises on what is out of turn
            self._kill_thread = True
            if self.socket is not None:
                self.socket.close()


class GuardedAssociation(Association):
    """Tells of its end, however it comes."""

    tell_end: Callable[[Association], None] = staticmethod(lambda association: None)

    def __init__(self, ae: AE, mode: str) -> None:
        super().__init__(ae, mode)
        self.dul = GuardedProtocol(self)
        # Its clocks are set where these are.
        self.acse_timeout, self.network_timeout = ae.acse_timeout, ae.network_timeout

    def run_reactor(self) -> None:
        """Serve the peer until the end."""
        try:
            super().run_reactor()
        finally:
            self.tell_end(self)


class GuardedHandler(RequestHandler):
    """Makes a guarded association of a connection."""

    server: "GuardedServer"

    def _create_association(self) -> Association:
        """Return what the library makes, of our own classes, not begun yet."""
        server, entity = self.server, self.ae
        association = GuardedAssociation(entity, "acceptor")
        # The library finds its servers' associations by this name.
        association.name = f"AcceptorThread@{time.monotonic_ns()}"
        association._server, association.tell_end = server, server.end_association
        association.set_socket(GuardedSocket(association, self.request, server.limits))
        acceptor = association.acceptor
        acceptor.ae_title, acceptor.address_info = server.ae_title, self.local
        acceptor.maximum_length = entity.maximum_pdu_size
        acceptor.implementation_class_uid = entity.implementation_class_uid
        acceptor.implementation_version_name = entity.implementation_version_name
        acceptor.supported_contexts = deepcopy(server.contexts)
        association.requestor.address_info = self.remote
        bound: dict[evt.EventType, Any] = dict(server._handlers)
        for event, handlers in bound.items():
            # One handler of what must be answered, any number of what is only told.
            for each in [handlers] if event.is_intervention else handlers:
                association.bind(event, *each)
        association.bind(evt.EVT_DIMSE_RECV, _begin_message)
        return association


class GuardedServer(ThreadedAssociationServer):
    """Takes connections; neither their number nor their first steps can hold it up."""

    daemon_threads = True

    def __init__(
        self,
        ae: AE,
        address: Any,
        ae_title: str,
        contexts: Any,
        ssl_context: ssl.SSLContext | None = None,
        evt_handlers: Any = None,
        *,
        limits: Limits,
        tell_end: Callable[[Association], None],
    ) -> None:
        self.limits, self._tell_end = limits, tell_end
        self._free = threading.Semaphore(limits.associations + SPARE_CONNECTIONS)
        super().__init__(ae, address, ae_title, contexts, ssl_context, evt_handlers, GuardedHandler)

    def get_request(self) -> tuple[socket.socket, Any]:
        """Take a connection; what secures it is agreed on in a thread of its own."""
        assert self.socket is not None
        connected, address = self.socket.accept()
        connected.settimeout(self.limits.idle_s)
        return connected, address

    def verify_request(self, request: Any, client_address: Any) -> bool:
        """Return whether there are few enough connections."""
        return self._free.acquire(blocking=False)

    def finish_request(self, request: Any, client_address: Any) -> None:
        """Secure the connection and serve it."""
        if self.ssl_context is not None:
            request = self.ssl_context.wrap_socket(request, server_side=True)
        super().finish_request(request, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Forget a peer that could not be served; the default prints a traceback."""
        self._free.release()

    def end_association(self, association: Association) -> None:
        """Hear of the end of a connection that was served."""
        self._free.release()
        self._tell_end(association)


def _begin_message(event: evt.Event) -> None:
    connection = event.assoc.dul.socket
    if isinstance(connection, GuardedSocket):
        connection.n_bytes = 0
