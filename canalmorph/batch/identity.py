"""What de-identified results say in place of the names of files."""

from dataclasses import replace

from canalmorph.batch.folder import ResultsFolder
from canalmorph.model.results import Refusal
from canalmorph.model.volume import CtVolume, PatientFacts

#: Shorter parts of a path (``CT``, ``1``) stand in any sentence and tell nothing of a person.
SHORTEST_TELLING_PART = 3


def hide_refusal(refusal: Refusal, file: str, folder: ResultsFolder) -> Refusal:
    """Return the refusal with keyed hashes in place of its file's name.

    Parameters
    ----------
    refusal : Refusal
        Its message may name `refusal.source` and `file`.
    file : str
        The file at fault, where it is not the whole source.
    folder : ResultsFolder
        Holds the key.
    """
    hidden = folder.hide_text(refusal.source)
    message = refusal.message
    # The longer name first: the source is often its beginning.
    for name in sorted({file, refusal.source} - {""}, key=len, reverse=True):
        message = message.replace(name, hidden)
    parts = {part for name in (file, refusal.source) for part in name.split("/")}
    if any(part in message for part in parts if len(part) >= SHORTEST_TELLING_PART):
        message = (
            f"{hidden}: it was refused for the reason {refusal.code}; the full sentence names a "
            "file and is shown without --deidentify."
        )
    return replace(refusal, source=hidden, message=message)


def hide_volume(volume: CtVolume, folder: ResultsFolder) -> CtVolume:
    """Return the volume without its patient's facts and with a keyed hash for its source."""
    facts = replace(volume.facts, source=folder.hide_text(volume.facts.source))
    return replace(volume, facts=facts, patient=PatientFacts())
