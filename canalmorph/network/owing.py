"""Results that did not come through the node, and that it is to send all the same.

Who measures a folder or a zip into the node's results decides by a command that the archives shall
have what came of it: nothing is sent of its own accord that nobody sent to the node.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from canalmorph.batch.reviews import read_reviews
from canalmorph.model.corrections import ReviewState
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
    rejected : tuple of str
        Names of the cases that a person rejected, and that are left out.
    """

    with_objects: tuple[str, ...]
    without_objects: tuple[str, ...]
    rejected: tuple[str, ...]


def owe_cases(
    settings: NodeSettings, names: Sequence[str] = (), *, with_rejected: bool = False
) -> OwedCases:
    """Note cases of the node's results folder as owed to its archives; the node sends them.

    Parameters
    ----------
    settings : NodeSettings
        As the site decides.
    names : sequence of str
        Of cases; all that were measured where there is none.
    with_rejected : bool
        Whether cases that a person rejected on the review page are sent, too. What an archive has
        of a case is replaced all the same, by a report that says who rejected it.

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
    reviews = {} if with_rejected else read_reviews(settings.results)
    rejected = {name for name, one in reviews.items() if one.state is ReviewState.REJECTED}
    wanted = [name for name in chosen if name not in rejected]
    sendable = [name for name in wanted if any((cases / name / "dicom").glob("*.dcm"))]
    try:
        settings.folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ResultsNotWritableError(folder=str(settings.folder)) from error
    with open_memory(settings.folder) as memory:
        memory.note_owed(sendable)
    return OwedCases(
        with_objects=tuple(sendable),
        without_objects=tuple(name for name in wanted if name not in sendable),
        rejected=tuple(name for name in chosen if name in rejected),
    )
