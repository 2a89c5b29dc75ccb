"""The reasons why a results folder, its key or one of its records cannot be used."""

import zipfile
import zlib
from typing import ClassVar

from canalmorph.errors import CanalMorphError


class ResultsFolderError(CanalMorphError):
    """A folder that cannot take results; the base of its reasons.

    Parameters
    ----------
    folder : str
        The folder as the user named it.
    """

    code = "results-folder"
    #: What is wrong, after the folder's name.
    finding: ClassVar[str] = "cannot take results."
    remedy = "Name another folder."

    def __init__(self, *, folder: str) -> None:
        super().__init__(f"{folder} {self.finding} {self.remedy}")
        self.folder = folder


class ResultsInsideInputError(ResultsFolderError):
    """The results would be written among the scans."""

    code = "results-inside-input"
    finding = "lies inside an input."
    remedy = "Name a results folder outside the scans."


class ResultsForeignFolderError(ResultsFolderError):
    """The folder holds something else than results."""

    code = "results-foreign-folder"
    finding = "exists, is not empty and holds no results of canalmorph."
    remedy = "Name a new folder."


class ResultsBusyError(ResultsFolderError):
    """Another run writes to the folder."""

    code = "results-busy"
    finding = "is in use by another run."
    remedy = "Wait for its end or name another folder."


class ResultsNotWritableError(ResultsFolderError):
    """The folder cannot be made or written."""

    code = "results-not-writable"
    finding = "cannot be written."
    remedy = "Check the right to write there and the space on the disk."


class ResultsOtherKeyError(ResultsFolderError):
    """The folder's case names were made with another key."""

    code = "results-other-key"
    finding = "was made with another case key, so that the same scan would get two names."
    remedy = "Give the same --case-key, or name a new folder."


class ResultsLedgerError(ResultsFolderError):
    """The folder's ledger cannot be read."""

    code = "results-ledger"
    finding = "has a ledger.sqlite that is damaged or of a newer version of this program."
    remedy = (
        "Move that file elsewhere and run the command again: finished cases are known by their "
        "own folders. Keep the file: corrections made by hand are in it."
    )


class ResultsNoTablesError(ResultsFolderError):
    """The folder holds no tables of results."""

    code = "results-no-tables"
    finding = "holds no columns.csv, so that it is no folder of results."
    remedy = "Name a folder that `canalmorph measure` wrote."


class ResultsOtherSettingsError(ResultsFolderError):
    """The settings of the folder cannot be repeated by this version."""

    code = "results-other-settings"
    finding = (
        "was made with several settings, with settings that this version does not have, or holds "
        "no measured case."
    )
    remedy = (
        "Install the version that femurs.csv names, take a folder of one run, or leave out --like."
    )


class NodeMemoryError(ResultsFolderError):
    """The node's memory of what it owes cannot be read or written."""

    code = "node-memory"
    finding = "has a node.sqlite that is damaged, of a newer version, or cannot be written."
    remedy = (
        "Check the right to write there and the space on the disk. If the file is damaged, move it "
        "elsewhere: what lies in the inbox is then measured and sent again."
    )


class NodeBusyError(ResultsFolderError):
    """Another node uses the folder."""

    code = "node-busy"
    finding = "is in use by another node."
    remedy = "Stop that one, or name another folder."


class FetchBusyError(ResultsFolderError):
    """Another fetch writes to the folder."""

    code = "fetch-busy"
    finding = "is in use by another fetch."
    remedy = "Wait for its end and try again, or name another folder with --out."


class PeerError(CanalMorphError):
    """An archive that cannot be used now; the base of its reasons.

    Parameters
    ----------
    archive : str
        Its name in the configuration.
    detail : str
        What was found, a whole sentence.
    """

    code = "peer"
    remedy = "Try again later."

    def __init__(self, *, archive: str, detail: str) -> None:
        super().__init__(f"Archive {archive}: {detail} {self.remedy}")
        self.archive, self.detail = archive, detail


class PeerUnreachableError(PeerError):
    """An archive cannot be reached, or does not accept the node."""

    code = "peer-unreachable"
    remedy = (
        "Check host, port, titles and certificates in the configuration, and that the archive "
        "knows this node."
    )


class PeerRefusedError(PeerError):
    """An archive does not do what it was asked."""

    code = "peer-refused"
    remedy = "Check in the archive's log what it refuses and why."


class TableUnreadableError(CanalMorphError):
    """A table of a results folder cannot be read.

    Parameters
    ----------
    file : str
        The table's name.
    detail : str
        What was found, a whole sentence.
    """

    code = "table-unreadable"
    remedy = (
        "Run `canalmorph measure` into the folder again: it makes all tables anew from the cases."
    )

    def __init__(self, *, file: str, detail: str) -> None:
        super().__init__(f"{file}: {detail} {self.remedy}")
        self.file, self.detail = file, detail


class CaseKeyUnusableError(CanalMorphError):
    """The file that should hold the case key holds none."""

    code = "case-key-unusable"
    remedy = "Make one from random bytes and keep it secret."

    def __init__(self, *, file: str, shortest_bytes: int) -> None:
        super().__init__(
            f"{file} is no case key: it must be a file of at least {shortest_bytes} bytes that "
            f"can be read. {self.remedy}"
        )
        self.file, self.shortest_bytes = file, shortest_bytes


#: What numpy and its helpers raise at a packed file of ours that is absent, damaged or another's.
UNREADABLE = (
    OSError,
    ValueError,
    KeyError,
    TypeError,
    EOFError,
    zipfile.BadZipFile,
    zlib.error,
)


class RecordUnreadableError(CanalMorphError):
    """A case's result.json cannot be read back.

    Parameters
    ----------
    file : str
        The record, relative to the results folder.
    detail : str
        What was found, a whole sentence.
    """

    code = "record-unreadable"
    remedy = "Delete the case's folder and measure its scan again."

    def __init__(self, *, file: str, detail: str) -> None:
        super().__init__(f"{file}: {detail} {self.remedy}")
        self.file, self.detail = file, detail


class CaseFailedError(CanalMorphError):
    """A scan that no process could finish; the base of its reasons.

    Parameters
    ----------
    file : str
        The scan, relative to the input.
    """

    code = "case-failed"
    #: What happened, after the scan's name.
    finding: ClassVar[str] = "It was not finished."
    remedy = "Run the command again."

    def __init__(self, *, file: str) -> None:
        super().__init__(f"{file}: {self.finding} {self.remedy}")
        self.file = file


class OutOfMemoryError(CaseFailedError):
    """The memory did not suffice for a scan."""

    code = "out-of-memory"
    finding = "The memory did not suffice for this scan; the others were not touched."
    remedy = "Run the command again with fewer --workers, so that each has more memory."


class CaseTimeoutError(CaseFailedError):
    """Measuring a scan took longer than it may, twice."""

    code = "case-timeout"
    finding = "Measuring it took longer than --case-timeout, twice; the others were not touched."
    remedy = "Run the command again with a longer --case-timeout."


class WorkerDiedError(CaseFailedError):
    """The process that measured a scan died, twice."""

    code = "worker-died"
    finding = "The process that measured it died, twice; the others were not touched."
    remedy = (
        "Run the command again with --workers 1, so that it has all memory; if it dies again, "
        "report it."
    )


class ClusterError(CanalMorphError):
    """A cluster that cannot measure; the base of its reasons.

    Parameters
    ----------
    detail : str
        What was found, a whole sentence.
    """

    code = "cluster"
    remedy = "Run the command again without --scheduler."

    def __init__(self, *, detail: str) -> None:
        super().__init__(f"{detail} {self.remedy}")
        self.detail = detail


class ClusterUnreachableError(ClusterError):
    """There is no scheduler at the address, or none whose workers can be used."""

    code = "cluster-unreachable"
    remedy = "Check the address and that scheduler and workers run."


class ClusterLostError(ClusterError):
    """The scheduler ended while cases were measured."""

    code = "cluster-lost"
    remedy = "Run the command again; finished cases are kept."


class ReviewOutrunError(CanalMorphError):
    """Somebody else changed the case in the meantime.

    Parameters
    ----------
    case : str
        Name of the case.
    """

    code = "review-outrun"
    remedy = "Load the case again and look at what was changed."

    def __init__(self, *, case: str) -> None:
        super().__init__(f"Somebody else changed the case {case} in the meantime. {self.remedy}")
        self.case = case
