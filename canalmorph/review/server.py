"""The page served on this machine, at a free port, until it is stopped."""

import contextlib
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path

import uvicorn
from starlette.types import ASGIApp

from canalmorph.review.app import make_address, make_app
from canalmorph.review.desk import open_desk
from canalmorph.review.guard import HOST, Keys
from canalmorph.review.warming import start_loading


def serve_review(
    results: Path,
    *,
    port: int = 0,
    open_browser: bool = True,
    tell: Callable[[str], None] = print,
) -> None:
    """Serve the review page of a results folder until the process is interrupted.

    Parameters
    ----------
    results : Path
        Results folder of ``measure``.
    port : int
        Where; 0 for any that is free.
    open_browser : bool
        Whether the browser is opened, too.
    tell : callable
        Is given the address, which is good for one use.

    Raises
    ------
    ValueError
        If it is no results folder, or the port is taken.
    ResultsLedgerError, ResultsNotWritableError
        If its ledger cannot be used.
    """
    with open_desk(results) as desk, listen_here(port) as listener:
        taken = int(listener.getsockname()[1])
        keys = Keys()
        app = make_app(desk, port=taken, keys=keys)
        address = make_address(taken, keys)
        server = make_server(app)
        tell(address)
        start_loading(desk)
        if open_browser:
            threading.Thread(target=_open, args=(address,), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[listener])


def make_server(app: ASGIApp) -> uvicorn.Server:
    """Return the server of an application; it keeps no log, which would hold names and tokens."""
    config = uvicorn.Config(
        app,
        log_level="critical",
        access_log=False,
        ws="none",
        server_header=False,
        date_header=False,
        timeout_graceful_shutdown=3,
    )
    return uvicorn.Server(config)


def listen_here(port: int) -> socket.socket:
    """Return a socket that only this machine reaches; connections wait in it until all is ready."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listener.bind((HOST, port))
        listener.listen()
    except OSError as error:
        listener.close()
        raise ValueError(f"The port {port} is taken; leave out --port.") from error
    return listener


def _open(address: str) -> None:
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)
