"""The server's side of a connection, with an end to everything that a peer may do.

The protocol library reads a unit as long as its header claims, waits for a peer in the middle of
one, and keeps what arrives until it is whole; here each of these has a bound, and whoever crosses
it loses its connection.
"""

import socket
import ssl
import time
from collections.abc import Callable
from copy import deepcopy
from typing import Any

from pynetdicom import evt
from pynetdicom.ae import ApplicationEntity
from pynetdicom.association import Association
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


class GuardedSocket(AssociationSocket):
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
                break
            content += piece
        return content


class GuardedAssociation(Association):
    """Tells of its end, however it comes."""

    tell_end: Callable[[Association], None] = staticmethod(lambda association: None)

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
        association._server, association.tell_end = server, server.tell_end
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
        ae: ApplicationEntity,
        address: Any,
        ae_title: str,
        contexts: Any,
        ssl_context: ssl.SSLContext | None = None,
        evt_handlers: Any = None,
        *,
        limits: Limits,
        tell_end: Callable[[Association], None],
    ) -> None:
        self.limits, self.tell_end = limits, tell_end
        super().__init__(ae, address, ae_title, contexts, ssl_context, evt_handlers, GuardedHandler)

    def get_request(self) -> tuple[socket.socket, Any]:
        """Take a connection; what secures it is agreed on in a thread of its own."""
        assert self.socket is not None
        connected, address = self.socket.accept()
        connected.settimeout(self.limits.idle_s)
        return connected, address

    def verify_request(self, request: Any, client_address: Any) -> bool:
        """Return whether there are few enough connections."""
        return len(self.active_associations) < self.limits.associations + SPARE_CONNECTIONS

    def finish_request(self, request: Any, client_address: Any) -> None:
        """Secure the connection and serve it."""
        if self.ssl_context is not None:
            request = self.ssl_context.wrap_socket(request, server_side=True)
        super().finish_request(request, client_address)

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing of a peer that could not be served: the default prints a traceback."""


def _begin_message(event: evt.Event) -> None:
    connection = event.assoc.dul.socket
    if isinstance(connection, GuardedSocket):
        connection.n_bytes = 0
