"""The settings of the node: frozen, complete, checked when they are read."""

from dataclasses import dataclass, field
from pathlib import Path

#: How results reach an archive, and scans come from it.
FETCH_METHODS = ("get", "move", "web")


@dataclass(frozen=True, slots=True, kw_only=True)
class TlsSettings:
    """Certificates of the node, for receiving and for sending.

    Attributes
    ----------
    certificate, key : Path
        The node's own, as PEM.
    authorities : Path or None
        Who signed the certificates of the peers: they must show one then. None where any peer may
        connect.
    """

    certificate: Path
    key: Path
    authorities: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Sender:
    """Who may send scans to the node.

    Attributes
    ----------
    ae_title : str
        As the sender calls itself.
    address : str
        Where it must connect from; empty for anywhere.
    """

    ae_title: str
    address: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Archive:
    """Where results go, and where scans are fetched from.

    Attributes
    ----------
    name : str
        For logs and for ``fetch --from``.
    ae_title, host, port
        Of its DICOM service; an empty title where it has a `url`.
    tls : bool
        Whether that service is reached with the node's certificate.
    url : str
        Of its DICOMweb service; empty where it has none.
    token_file : Path or None
        Holds the bearer token for the web service.
    authorities : Path or None
        Who signed the certificate of the web service, where this machine does not know.
    send : bool
        Whether results go there.
    commitment : bool
        Whether storage commitment is asked for, where the archive offers it.
    fetch : str
        How scans are fetched: ``get``, ``move`` or ``web``.
    """

    name: str
    ae_title: str = ""
    host: str = ""
    port: int = 104
    tls: bool = False
    url: str = ""
    token_file: Path | None = None
    authorities: Path | None = None
    send: bool = True
    commitment: bool = True
    fetch: str = "get"


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureSettings:
    """How received studies are measured.

    Attributes
    ----------
    deidentify : bool
        Neither results nor tables carry an identity.
    workers : int
        Studies measured at a time, each in a process of its own.
    case_timeout_s : float
        Longest time for a scan. [s]
    case_key : Path or None
        Holds the secret of the case names; None for the results folder's own.
    facts : Path or None
        The clinic's table.
    """

    deidentify: bool = False
    workers: int = 1
    case_timeout_s: float = 3600.0
    case_key: Path | None = None
    facts: Path | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What peers may ask of the node.

    Attributes
    ----------
    associations : int
        Open at a time.
    largest_object_bytes : int
        Of one object, which is held in memory until it is whole. [bytes]
    idle_s : float
        Longest silence of a peer. [s]
    association_s : float
        Longest life of an association. [s]
    free_bytes : int
        Nothing is received once the disk has less free space than this. [bytes]
    """

    associations: int = 8
    largest_object_bytes: int = 1024 * 2**20
    idle_s: float = 60.0
    association_s: float = 7200.0
    free_bytes: int = 5 * 2**30


@dataclass(frozen=True, slots=True, kw_only=True)
class NodeSettings:
    """Everything that a site decides.

    Attributes
    ----------
    ae_title, address, port
        Of the node.
    folder : Path
        Holds what was received, what is to be sent, and the node's memory of both.
    results : Path
        The results folder.
    quiet_s : float
        A study is complete once nothing of it has arrived for so long. [s]
    broken_quiet_s : float
        The same after an association that broke off, so that its sender can try again. [s]
    """

    ae_title: str
    address: str = "127.0.0.1"
    port: int = 11112
    folder: Path
    results: Path
    quiet_s: float = 60.0
    broken_quiet_s: float = 600.0
    measure: MeasureSettings = field(default_factory=MeasureSettings)
    limits: Limits = field(default_factory=Limits)
    tls: TlsSettings | None = None
    senders: tuple[Sender, ...] = ()
    archives: tuple[Archive, ...] = ()

    @property
    def inbox(self) -> Path:
        """Folder of what was received."""
        return self.folder / "inbox"

    @property
    def outbox(self) -> Path:
        """Folder of what is to be sent."""
        return self.folder / "outbox"
