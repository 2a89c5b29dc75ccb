"""Errors that nobody foresaw: told by their place; by their text only where it was asked for."""

import traceback
from pathlib import Path

#: Errors that led to each other are told up to this many.
LONGEST_CHAIN = 10


def name_place(error: BaseException) -> str:
    """Return type, module and line of an error that nobody foresaw, without its text.

    The text may quote the file, and so a patient; the innermost line of this program does not.
    """
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "canalmorph" in Path(frame.filename).as_posix()]
    innermost = (ours or frames)[-1:]
    places = [f" in {Path(each.filename).stem}, line {each.lineno}" for each in innermost]
    return f"{type(error).__name__}{''.join(places)}"


def format_bug(error: BaseException, *, hide_text: bool) -> str:
    r"""Return an error's traceback; without the texts of errors where they may quote a patient.

    Examples
    --------
    >>> format_bug(KeyError("Quill^Rosalind"), hide_text=True)
    'KeyError\n'
    """
    if not hide_text:
        return "".join(traceback.format_exception(error))
    parts: list[str] = []
    one: BaseException | None = error
    while one is not None and len(parts) < LONGEST_CHAIN:
        place = "".join(traceback.format_tb(one.__traceback__))
        parts.append(f"{place}{type(one).__name__}\n")
        one = one.__cause__ or one.__context__
    return "raised after:\n".join(parts)
