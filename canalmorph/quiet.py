"""Keeps other libraries from telling a patient's name."""

import logging
import warnings
from collections.abc import Iterator
from contextlib import contextmanager

#: Loggers of libraries that quote values of the files.
_TALKERS = ("pydicom", "nibabel.global", "highdicom", "highdicom.base", "highdicom.valuerep")


@contextmanager
def keep_libraries_quiet() -> Iterator[None]:
    """Silence the warnings and logs of other libraries, which may quote a patient's name.

    What matters to a technician has a warning code of its own.
    """
    loggers = [logging.getLogger(name) for name in _TALKERS]
    before = [logger.disabled for logger in loggers]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for logger in loggers:
            logger.disabled = True
        try:
            yield
        finally:
            for logger, state in zip(loggers, before, strict=True):
                logger.disabled = state
