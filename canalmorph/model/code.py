"""What a code is: a short stable name, with what it means and what to do about it."""

from dataclasses import dataclass
from enum import StrEnum

_NOTHING = "Nothing"


class CodeKind(StrEnum):
    """Where a code stands."""

    #: In ``refusals.csv``: a scan or a side was not measured, or a folder cannot be used.
    REFUSAL = "refusal"
    #: In ``refusals.csv``: beside a scan that was measured, and no loss.
    LEFT_OUT = "left out"
    #: In ``warnings``: odd in the files, yet the scan was read; said of both its femora.
    SCAN_WARNING = "scan warning"
    #: In ``warnings``: doubt about one femur.
    FEMUR_WARNING = "femur warning"
    #: In ``quality``: doubt about one section.
    QUALITY_FLAG = "quality flag"


@dataclass(frozen=True, slots=True, kw_only=True)
class Code:
    """One code of one kind.

    Attributes
    ----------
    name : str
        As it stands in the tables; reading joins words with dashes, measuring with underscores.
    kind : CodeKind
        Where it stands.
    meaning, action : str
        What was found, and what to do: whole sentences.
    again : bool
        Whether the scan, sent or taken again, would give what is blank or in doubt.

    Examples
    --------
    >>> code = Code(name="a-b", kind=CodeKind.LEFT_OUT, meaning="It is odd.", action="Look at it.")
    >>> code.sentence
    'It is odd. Look at it.'
    """

    name: str
    kind: CodeKind
    meaning: str
    action: str
    again: bool = False

    @property
    def sentence(self) -> str:
        """What the reader of a page or a survey is told."""
        action = self.action
        if action.startswith(_NOTHING):  # enough in a table under "what to do", not in a sentence
            action = f"{_NOTHING} to do{action.removeprefix(_NOTHING)}"
        return f"{self.meaning} {action}"
