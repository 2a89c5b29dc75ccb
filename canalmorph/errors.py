"""The reasons to refuse: one class each, with a code, fields and a sentence on what to do.

A message may name a file (relative to the input) and a tag; it never carries a patient's identity.
"""

from functools import partial
from typing import Any, ClassVar


class CanalMorphError(Exception):
    """A scan or a femur that cannot be measured.

    Subclasses take keyword-only fields and store each under its own name, so that a worker
    process can send the error back whole.
    """

    code: ClassVar[str] = "error"

    def __reduce__(self) -> tuple[Any, ...]:
        """Rebuild from the keyword-only fields, which plain pickling of exceptions cannot."""
        return partial(type(self), **self.__dict__), ()
