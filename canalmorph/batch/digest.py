"""What a case adds to the tables, ready to be put together, beside the record that it is made from.

The record is what counts: a digest that does not fit it, or was made for other columns, is passed
over, and the lines are made from the record again. It tells too which input and which terms the
case was measured with, so that a case is known by its folder alone.
"""

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from canalmorph.batch.ledger import Entry, NamedRefusal, Terms
from canalmorph.export.decode import decode_refusal
from canalmorph.export.files import write_atomically
from canalmorph.export.rows import CaseRows, Row, make_case_rows
from canalmorph.export.tables import CaseLines, format_case, hash_columns
from canalmorph.model.results import CaseResult, Refusal

DIGEST_NAME = ".digest.json"
RECORD_NAME = "result.json"
#: Cells that the end of a run and the cohort's page show; whole rows of ten thousand cases would
#: not fit into memory.
SHOWN_CELLS = (
    "case_id",
    "side",
    "status",
    "warnings",
    "plane",
    "canal_shape",
    "p_stovepipe",
    "p_normal",
    "p_champagne_flute",
    "bone_letter",
    "p_letter_a",
    "p_letter_b",
    "p_letter_c",
    "fixation",
    "reviewed_by_hand",
    "cfi_ml",
    "cfi_ml_u",
    "cfi_ml_lower_bound",
    "cfi_ml_lower_bound_u",
    "cti_ml_lt_minus100",
    "cti_ml_lt_minus100_u",
    "isthmus_canal_ml_mm",
    "isthmus_canal_ml_mm_u",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CaseDigest:
    """A case in short.

    Attributes
    ----------
    work_id, input_hash : str
        The input and the content that was measured.
    terms : Terms
        What it was measured with.
    seconds : float
        For the measuring. [s]
    femora : tuple of rows
        The cells that are shown of each femur.
    refusals : tuple of Refusal
        Of its sides, as the record has them.
    noted : tuple of named refusals
        What the ledger holds beside it.
    thumbnails : mapping of str to str
        By side, as a JPEG in base 64.
    lines : mapping
        The case's lines of every table.
    """

    work_id: str
    input_hash: str
    terms: Terms
    seconds: float
    femora: tuple[Row, ...]
    refusals: tuple[Refusal, ...]
    noted: tuple[NamedRefusal, ...]
    thumbnails: Mapping[str, str]
    lines: CaseLines

    def fits(self, entry: Entry) -> bool:
        """Return whether the case was made from this input's content and with its terms."""
        return self.input_hash == entry.mark.content and self.terms == entry.terms


@lru_cache(maxsize=1)
def _name_form() -> str:
    return f"canalmorph-digest-3 {hash_columns()}"


def show_femora(rows: CaseRows) -> tuple[Row, ...]:
    """Return the cells that are shown of each femur."""
    return tuple({name: row[name] for name in SHOWN_CELLS} for row in rows.femurs)


def write_digest(
    case_folder: Path,
    case: CaseResult,
    entry: Entry,
    *,
    noted: Sequence[NamedRefusal] = (),
    thumbnails: Mapping[str, str],
    seconds: float,
) -> None:
    """Write the digest of a case beside its record, which must be there."""
    rows = make_case_rows(case)
    content = {
        "form": _name_form(),
        "record_bytes": (case_folder / RECORD_NAME).stat().st_size,
        "work_id": entry.work_id,
        "input_hash": entry.mark.content,
        "terms": asdict(entry.terms),
        "seconds": seconds,
        "femora": show_femora(rows),
        "refusals": [asdict(refusal) for refusal in case.refusals],
        "noted": [(name, asdict(refusal)) for name, refusal in noted],
        "thumbnails": thumbnails,
        "lines": format_case(rows),
    }
    text = json.dumps(content, allow_nan=False, ensure_ascii=False, separators=(",", ":"))
    write_atomically(case_folder / DIGEST_NAME, text.encode("utf-8", "replace"))


def read_digest(case_folder: Path) -> CaseDigest | None:
    """Return the digest of a case, or None where it is absent or does not fit the record."""
    try:
        content: Mapping[str, Any] = json.loads((case_folder / DIGEST_NAME).read_bytes())
        fits = (
            content["form"] == _name_form()
            and content["record_bytes"] == (case_folder / RECORD_NAME).stat().st_size
        )
        if not fits:
            return None
        return CaseDigest(
            work_id=content["work_id"],
            input_hash=content["input_hash"],
            terms=Terms(**content["terms"]),
            seconds=content["seconds"],
            femora=tuple(content["femora"]),
            refusals=tuple(map(decode_refusal, content["refusals"])),
            noted=tuple((name, decode_refusal(each)) for name, each in content["noted"]),
            thumbnails=content["thumbnails"],
            lines=content["lines"],
        )
    except (OSError, ValueError, KeyError, TypeError):
        return None
