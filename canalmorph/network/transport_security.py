"""TLS for associations: the node's certificate, and who signed those of its peers."""

import ssl
from pathlib import Path

from canalmorph.network.settings import TlsSettings


def make_server_context(tls: TlsSettings) -> ssl.SSLContext:
    """Return how connections to the node are secured.

    Raises
    ------
    ValueError
        If a certificate or its key cannot be used.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    _load(context, tls)
    if tls.authorities is not None:
        context.verify_mode = ssl.CERT_REQUIRED
    return context


def make_client_context(tls: TlsSettings) -> ssl.SSLContext:
    """Return how connections from the node to an archive are secured.

    The archive must show a certificate for its host, signed by `TlsSettings.authorities`, or by an
    authority that this machine knows where none are named.

    Raises
    ------
    ValueError
        If a certificate or its key cannot be used.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    _load(context, tls)
    if tls.authorities is None:
        context.load_default_certs()
    return context


def _load(context: ssl.SSLContext, tls: TlsSettings) -> None:
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        context.load_cert_chain(tls.certificate, tls.key, password=_refuse_password)
    except (OSError, ValueError) as error:
        raise ValueError(
            f"tls.certificate and tls.key cannot be used together ({_tell(tls.certificate)})."
        ) from error
    if tls.authorities is not None:
        try:
            context.load_verify_locations(tls.authorities)
        except OSError as error:
            raise ValueError(
                f"tls.authorities holds no certificates ({_tell(tls.authorities)})."
            ) from error


def _refuse_password() -> str:
    """Stand in for a prompt, at which a service would wait forever."""
    raise ValueError("The key has a password.")


def _tell(file: Path) -> str:
    return file.name
