"""The clinic's own table of facts, and the file that keeps them with a case.

The table is a CSV with one row a patient: ``case_id``, ``accession`` or ``series`` (the
SeriesInstanceUID) say whose, ``fracture``, ``osteoporosis`` and ``previous_implant`` are yes, no or
blank. No cell of it reaches a table, a log or an error's text.
"""

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from canalmorph.batch.folder import write_private
from canalmorph.model.clinic import ClinicFacts
from canalmorph.model.volume import PatientFacts
from canalmorph.results_errors import RecordUnreadableError

CLINIC_NAME = "clinic.json"
KEYS = ("case_id", "accession", "series")
FACTS = ("fracture", "osteoporosis", "previous_implant")
#: What a cell may say.
ANSWERS: Mapping[str, bool | None] = {"yes": True, "no": False, "": None}


@dataclass(frozen=True, slots=True, kw_only=True)
class ClinicTable:
    """Facts by what names the patient: pairs of a key's column and its cell."""

    rows: Mapping[tuple[str, str], ClinicFacts] = field(default_factory=dict)

    def find(self, *, case_id: str, accession: str, series: str) -> ClinicFacts | None:
        """Return the facts of a case; None where no row names it."""
        # A volume that is one of several of its series has its number behind the series' UID.
        names = (case_id, accession, series.partition("#")[0])
        for place in zip(KEYS, names, strict=True):
            if place[1] and place in self.rows:
                return self.rows[place]
        return None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaseClinic:
    """What is kept with a case beside its record, so that its pages can be drawn again.

    Attributes
    ----------
    patient : PatientFacts
        Blank in de-identified results.
    source : str
        The scan, relative to the input, or a keyed hash of it.
    facts : ClinicFacts
        As the clinic's table states them.
    deidentified : bool
        Whether the pages name the case only.
    """

    patient: PatientFacts
    source: str
    facts: ClinicFacts
    deidentified: bool

    @property
    def known(self) -> ClinicFacts:
        """The facts, with age and sex from the scan."""
        return replace(self.facts, age_years=self.patient.age_years, sex=self.patient.sex)


def read_clinic_table(path: Path) -> ClinicTable:
    """Return the facts of the clinic's table.

    Raises
    ------
    ValueError
        If it cannot be read, lacks a key or a fact or has one twice, names a patient twice, has a
        line with too many cells, or a cell is neither yes, no nor blank; the sentence names line
        and column, and no cell.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
        return _read_table(text)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        raise ValueError("The table of facts cannot be read; it must be a CSV in UTF-8.") from error


def _read_table(text: str) -> ClinicTable:
    first = text.partition("\n")[0]
    separator = max((",", ";", "\t"), key=first.count)
    reader = csv.DictReader(io.StringIO(text), delimiter=separator)
    header = [name.strip().lower() for name in reader.fieldnames or ()]
    reader.fieldnames = header
    keys = [name for name in KEYS if name in header]
    if not keys or not set(FACTS) & set(header):
        raise ValueError(
            f"The table of facts needs a column of {', '.join(KEYS)} and one of {', '.join(FACTS)}."
        )
    repeated = sorted(name for name in (*KEYS, *FACTS) if header.count(name) > 1)
    if repeated:
        raise ValueError(f"The table of facts has several columns called {', '.join(repeated)}.")
    rows: dict[tuple[str, str], ClinicFacts] = {}
    for row in reader:
        if any(cell.strip() for cell in row.get(None) or ()):
            raise ValueError(
                f"Line {reader.line_num} of the table of facts has more cells than the header; a "
                "text with a separator in it needs quotes."
            )
        cells = {name: (row.get(name) or "").strip() for name in header}
        answers: dict[str, Any] = {
            name: _read_answer(cells.get(name, ""), name, reader.line_num) for name in FACTS
        }
        facts = replace(ClinicFacts(), **answers)
        for place in ((key, cells[key]) for key in keys if cells[key]):
            if rows.setdefault(place, facts) is not facts:
                raise ValueError(
                    f"Line {reader.line_num} of the table of facts names a patient of an earlier "
                    f"line in its column {place[0]}; keep one."
                )
    return ClinicTable(rows=rows)


def write_clinic(path: Path, clinic: CaseClinic) -> None:
    """Write what the pages need beside record and pictures; only its owner may read the file."""
    write_private(path, json.dumps(asdict(clinic), ensure_ascii=False).encode("utf-8", "replace"))


def read_clinic(path: Path) -> CaseClinic:
    """Return what `write_clinic` wrote.

    Raises
    ------
    RecordUnreadableError
        If the file is absent, damaged or of another form.
    """
    try:
        plain = json.loads(path.read_bytes())
        return CaseClinic(
            patient=_fill(PatientFacts, plain["patient"]),
            source=str(plain["source"]),
            facts=_fill(ClinicFacts, plain["facts"]),
            deidentified=bool(plain["deidentified"]),
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        detail = f"It is absent or damaged ({type(error).__name__})."
        raise RecordUnreadableError(file="/".join(path.parts[-3:]), detail=detail) from error


def _fill(kind: Any, plain: Mapping[str, Any]) -> Any:
    return kind(**{one.name: plain[one.name] for one in fields(kind)})


def _read_answer(cell: str, name: str, line: int) -> bool | None:
    if cell.lower() not in ANSWERS:
        raise ValueError(
            f"Line {line} of the table of facts must have yes, no or nothing in its column {name}."
        )
    return ANSWERS[cell.lower()]
