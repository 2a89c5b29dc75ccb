"""Errors that nobody foresaw: told by their place, never by their text."""

import traceback
from pathlib import Path


def name_place(error: BaseException) -> str:
    """Return type, module and line of an error that nobody foresaw, without its text.

    The text may quote the file, and so a patient; the innermost line of this program does not.
    """
    frames = traceback.extract_tb(error.__traceback__)
    ours = [frame for frame in frames if "canalmorph" in Path(frame.filename).as_posix()]
    innermost = (ours or frames)[-1:]
    places = [f" in {Path(each.filename).stem}, line {each.lineno}" for each in innermost]
    return f"{type(error).__name__}{''.join(places)}"
