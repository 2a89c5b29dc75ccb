"""Results that did not come through the node, and that it is to send all the same.

Who measures a folder or a zip into the node's results decides by a command that the archives shall
have what came of it: nothing is sent of its own accord that nobody sent to the node.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from canalmorph.network.memory import open_memory
from canalmorph.network.settings import NodeSettings
from canalmorph.results_errors import ResultsNotWritableError


@dataclass(frozen=True, slots=True, kw_only=True)
class OwedCases:
    """What the node owes the archives from now on.

    Attributes
    ----------
    with_objects, without_objects : tuple of str
        Names of the cases that have DICOM objects, and of those that have none.
    """

    with_objects: tuple[str, ...]
    without_objects: tuple[str, ...]


def owe_cases(settings: NodeSettings, names: Sequence[str] = ()) -> OwedCases:
    """Note cases of the node's results folder as owed to its archives; the node sends them.

    Parameters
    ----------
    settings : NodeSettings
        As the site decides.
    names : sequence of str
        Of cases; all that were measured where there is none.

    Raises
    ------
    ValueError
        If there is no such case, or no archive takes results.
    ResultsFolderError
        If the node's folder or memory cannot be used.
    """
    if not any(archive.send for archive in settings.archives):
        raise ValueError("No archive of the file takes results; add one with send = true.")
    cases = settings.results / "cases"
    known = sorted(record.parent.name for record in cases.glob("[!.]*/result.json"))
    strange = sorted(set(names).difference(known))
    if strange:
        raise ValueError(f"The node's results have no case {', '.join(strange)}.")
    chosen = list(dict.fromkeys(names)) or known
    sendable = [name for name in chosen if any((cases / name / "dicom").glob("*.dcm"))]
    try:
        settings.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsNotWritableError(folder=str(settings.folder)) from error
    with open_memory(settings.folder) as memory:
        memory.note_owed(sendable)
    return OwedCases(
        with_objects=tuple(sendable),
        without_objects=tuple(name for name in chosen if name not in sendable),
    )
