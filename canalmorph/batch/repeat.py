"""The settings of an earlier run, taken from its records, so that it can be repeated."""

import csv
from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from canalmorph.batch.digest import RECORD_NAME
from canalmorph.export.record import read_record
from canalmorph.pipeline import Settings
from canalmorph.results_errors import ResultsNoTablesError, ResultsOtherSettingsError


def read_settings(results: Path) -> Settings:
    """Return the settings with which a results folder was made.

    Raises
    ------
    ResultsNoTablesError
        If it is no results folder.
    ResultsOtherSettingsError
        If it has no measured case, was made with several settings, or with some that this version
        does not have: what cannot be repeated is not repeated nearly.
    RecordUnreadableError
        If the record that is needed is damaged.
    """
    try:
        with (results / "femurs.csv").open(encoding="utf-8", newline="") as file:
            cases = {row["settings_hash"]: row["case_id"] for row in csv.DictReader(file)}
    except (OSError, UnicodeDecodeError, KeyError, csv.Error) as error:
        raise ResultsNoTablesError(folder=str(results)) from error
    if len(cases) != 1:
        raise ResultsOtherSettingsError(folder=str(results))
    ((name, case_id),) = cases.items()
    case = read_record(results / "cases" / case_id / RECORD_NAME)
    try:
        settings = decode_settings(case.settings)
    except (TypeError, ValueError) as error:
        raise ResultsOtherSettingsError(folder=str(results)) from error
    if settings.hash_text() != name:
        raise ResultsOtherSettingsError(folder=str(results))
    return settings


def decode_settings(plain: Mapping[str, Any]) -> Settings:
    """Return settings from their plain data, as `Settings.to_dict` gives them.

    Raises
    ------
    TypeError, ValueError
        If a name or a value is none of this version.

    Examples
    --------
    >>> decode_settings(Settings().to_dict()) == Settings()
    True
    """
    parts = {}
    for part in fields(Settings):
        settings_type = type(getattr(Settings(), part.name))
        # JSON has no tuples.
        values = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in plain.get(part.name, {}).items()
        }
        parts[part.name] = settings_type(**values)
    if set(plain) - set(parts):
        raise TypeError("There are settings of a part that this version does not have.")
    return Settings(**parts)
